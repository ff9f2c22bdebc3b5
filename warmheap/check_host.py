"""The board's clock and disk."""

from __future__ import annotations

import ctypes
import os
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from errno import ENOSPC, EROFS
from pathlib import Path

from .check_found import OK, UNKNOWN, WRONG, Finding

FIRST_S = 1.76e9  # October 2025: nobody ran this before
LAST_S = 4.1e9  # 2099
NOT_SYNCHRONISED = 5  # TIME_ERROR of adjtimex(2)
RAW_OFF_SHARE = 0.01
PAUSE_S = 0.2
FEW_MB, WINTER_MB = 50.0, 1000.0  # a few MB a day, all winter
FSYNCS, SLOW_S, HANGS_S = 3, 0.5, 20.0
PROBE = ".warmheap-check"
Clock = Callable[[], float]


def clock_findings(
    wall: Clock = time.time, monotonic: Clock = time.monotonic, synchronised: Callable[[], bool | None] | None = None
) -> list[Finding]:
    """Wall time, the clock that control runs on, and whether the kernel calls the time synchronised."""
    return [_wall(wall()), _monotonic(monotonic), _synchronised((synchronised or kernel_says)())]


def _wall(now_s: float) -> Finding:
    told = time.strftime("%Y-%m-%d %H:%M UTC", time.gmtime(now_s))
    if FIRST_S <= now_s <= LAST_S:
        return Finding("clock", OK, told, "", {"wall_s": now_s})
    mend = "connect it to a network once, or fit a clock battery; sudo date -s '2026-11-26 12:00'"
    return Finding("clock", WRONG, f"{told} cannot be; the log's dates would be wrong", mend, {"wall_s": now_s})


def _monotonic(clock: Clock) -> Finding:
    began_s, raw_s = clock(), time.clock_gettime(time.CLOCK_MONOTONIC_RAW)
    time.sleep(PAUSE_S)
    took_s, raw_took_s = clock() - began_s, time.clock_gettime(time.CLOCK_MONOTONIC_RAW) - raw_s
    if abs(took_s / raw_took_s - 1.0) <= RAW_OFF_SHARE:
        return Finding("clock of control", OK, "runs evenly, and nobody can set it")
    seen = f"{took_s:.3f} s passed in {raw_took_s:.3f} s"
    return Finding("clock of control", WRONG, seen, "the board's oscillator or its time service is faulty")


def _synchronised(yes: bool | None) -> Finding:
    if yes:
        return Finding("time service", OK, "the kernel calls the clock synchronised")
    seen = "the kernel does not tell" if yes is None else "the clock is not synchronised"
    return Finding("time service", UNKNOWN, f"{seen}; control does not need it", "timedatectl set-ntp true")


def kernel_says() -> bool | None:
    """Whether adjtimex(2) calls the clock synchronised; None when it cannot be asked."""
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(512))  # all zeros: change nothing
    except (OSError, AttributeError):
        return None
    return None if state < 0 else state != NOT_SYNCHRONISED


def disk_findings(state: Path) -> list[Finding]:
    """Space and speed of the disk that holds the state folder; a disk that hangs does not hold this up for ever."""
    found: list[Finding] = []
    writing = threading.Thread(target=lambda: found.extend(_disk(state)), daemon=True)
    writing.start()
    writing.join(HANGS_S)
    return found or [Finding("disk", WRONG, f"no answer in {HANGS_S:.0f} s", "the card is worn: copy it to a new one")]


def _disk(state: Path) -> list[Finding]:
    took = written(state)
    return [took] if took.verdict == WRONG else [took, space(state)]


def written(folder: Path) -> Finding:
    """Write a little and wait until it is on the disk, a few times."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        took_s = sorted(_fsync_s(folder / PROBE) for _ in range(FSYNCS))[FSYNCS // 2]
    except OSError as wrong:
        return Finding("disk", WRONG, f"cannot write {folder}: {wrong.strerror}", _cure(wrong, folder))
    told = f"{1e3 * took_s:.0f} ms to write safely"
    if took_s > SLOW_S:
        mend = "the card is worn or of a slow kind: one for continuous recording"
        return Finding("disk", WRONG, f"{told}: slow", mend, {"fsync_s": took_s})
    return Finding("disk", OK, told, "", {"fsync_s": took_s})


def _fsync_s(file: Path) -> float:
    began_s = time.monotonic()
    try:
        with file.open("wb") as stream:
            stream.write(b"warmheap" * 512)
            stream.flush()
            os.fsync(stream.fileno())
        return time.monotonic() - began_s
    finally:
        with suppress(OSError):
            file.unlink()


def _cure(wrong: OSError, folder: Path) -> str:
    if wrong.errno == ENOSPC:
        return "make room: df -h; sudo journalctl --vacuum-size=50M"
    if wrong.errno == EROFS:
        return "mounted read-only: the card is failing or was cut off; restart, then copy it to a new one"
    return f"run it with sudo, or as the owner of {folder}, or give --state"


def space(folder: Path) -> Finding:
    """Room for a winter's log."""
    at = os.statvfs(folder)
    free_mb = at.f_bavail * at.f_frsize / 1e6
    told, values = f"{free_mb:,.0f} MB free", {"free_mb": free_mb}
    if free_mb < FEW_MB or (at.f_files and not at.f_favail):
        return Finding("disk space", WRONG, f"{told}: full", "make room: df -h, df -i", values)
    if free_mb < WINTER_MB:
        return Finding("disk space", UNKNOWN, f"{told}: may not last a winter", "make room: df -h", values)
    return Finding("disk space", OK, told, "", values)
