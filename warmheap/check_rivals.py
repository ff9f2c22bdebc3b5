"""Whether another warmheap holds the outputs: two programs on one pump would fight, and neither would know."""

from __future__ import annotations

import fcntl
import json
import os
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from .errors import UsageError

GUARDIAN = "warmheap.guardian"
PLACE = ("kind", "chip", "pin", "channel", "root", "path")  # what makes two outputs the same one
INTRODUCED_S, POLL_S = 3.0, 0.1  # a loop that has just been started names its outputs within this time


def refuse_rivals(state: Path, outputs: Iterable[Mapping[str, Any]], proc: Path = Path("/proc")) -> None:
    """``UsageError`` in one line when another warmheap has the state folder or one of ``outputs``."""
    if locked(state):
        raise UsageError(
            f"a warmheap runs with {state}: stop it first (sudo systemctl stop warmheap), then check again"
        )
    wanted = {_place(spec) for spec in outputs}
    for pid, folder, words in guardians(proc):
        held = held_by(folder, "--plant" in words)
        if held is None or held & wanted:
            raise UsageError(
                f"a warmheap (process {pid}) holds pump or fan: stop it first (sudo systemctl stop warmheap), "
                "then check again"
            )


def locked(state: Path) -> bool:
    """Whether somebody has the lock of a state folder."""
    try:
        with (state / "lock").open("r", encoding="ascii") as lock:
            fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False  # it was never used, or may not be read: the processes tell
    return False


def guardians(proc: Path) -> Iterator[tuple[int, Path, list[str]]]:
    """Every guardian that runs: its number, its state folder, its words."""
    for folder in proc.iterdir():
        if not folder.name.isdecimal() or int(folder.name) == os.getpid():
            continue
        try:
            words = (folder / "cmdline").read_bytes().decode("utf-8", "replace").split("\0")
        except OSError:
            continue
        module = words.index("-m") + 1 if "-m" in words else 0
        if words[module : module + 1] == [GUARDIAN] and len(words) > module + 1 and "--safe-off" not in words:
            yield int(folder.name), _from(folder, words[module + 1]), words


def held_by(state: Path, simulated: bool) -> set[tuple[Any, ...]] | None:
    """The outputs that the guardian of ``state`` guards; None when nobody can tell."""
    end_s = time.monotonic() + INTRODUCED_S
    while True:
        try:
            return {_place(spec) for spec in json.loads((state / "outputs.json").read_bytes())}
        except FileNotFoundError:
            if simulated:
                return set()  # it has no pins
        except (OSError, ValueError, TypeError, AttributeError):
            return set() if simulated else None
        if time.monotonic() > end_s:
            return None
        time.sleep(POLL_S)


def _from(process: Path, where: str) -> Path:
    """A path as that process sees it."""
    with suppress(OSError):
        return (process / "cwd").resolve() / where
    return Path(where)


def _place(spec: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(str(spec.get(key, "")) for key in PLACE)
