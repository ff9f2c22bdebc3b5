"""The foreground of a check: sees whether outputs may be touched, starts the check under a guardian, tells how it ended.

The guardian is that of ``warmheap run``. It starts again what dies, which a check must not do: nothing moves twice on one
consent. So the check knocks at a door here, is let in once, and leaves its exit code there; and it hears when nobody is
behind the door any more.
"""

from __future__ import annotations

import argparse
import os
import secrets
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from time import monotonic
from typing import Any, Self

from .check_found import BAD, WRONG
from .check_host import disk_findings
from .check_rivals import refuse_rivals
from .commission_live import settings_of
from .errors import UsageError
from .guardian import FD_HERE, all_safe, preload
from .run import DEFAULT_FILE, board_outputs, state_folder

MISUSED = 2
GIVE_UP_S = 5.0
LOOK_S, LAST_WORDS_S = 0.2, 5.0
IN, OUT = b"y", b"n"
CODE, STILL = "code ", "still "
MOST_BYTES = 4096


def start(args: argparse.Namespace) -> int:
    """Check, and return the exit code."""
    state, outputs = state_folder(args), outputs_of(args)
    refuse_rivals(state, outputs)
    why_still = unusable(state)
    if not why_still:
        code, why_still = guarded(state, words(args, state), outputs)
        if not why_still:
            return code
    if args.plant:
        raise UsageError(f"{why_still}: give another --state")
    from .check_live import control

    return control(args, why_still)


def outputs_of(args: argparse.Namespace) -> list[dict[str, Any]]:
    """The outputs that the check would move; ``UsageError`` when the settings name none."""
    if args.plant:
        from .simplant import safe_specs

        settings_of(args)
        return safe_specs(state_folder(args) / "outputs.bin")
    board = settings_of(args).board
    if board is None:
        raise UsageError(f"{args.file or DEFAULT_FILE} does not say where pump and fan are connected: give both a pin")
    return board_outputs(board)


def unusable(state: Path) -> str:
    """Why no guardian can be had, so that nothing may move; empty when one can."""
    shut = [
        f.seen for f in disk_findings(state) if f.name == "disk" and f.verdict == WRONG and "fsync_s" not in f.values
    ]
    if shut:
        return shut[0]
    try:
        with (state / "lock").open("a"):
            return ""
    except OSError as closed:
        return f"cannot write {state / 'lock'}: {closed.strerror}"


def words(args: argparse.Namespace, state: Path) -> list[str]:
    """The arguments for the check's process."""
    found = [args.file] if args.file else []
    found += ["--state", str(state), "--seed", str(args.seed)]
    found += ["--plant", args.plant] if args.plant else []
    found += [f"--{name}" for name in ("yes", "json") if getattr(args, name)]
    return found + (["--only", *args.only] if args.only else [])


def guarded(state: Path, arguments: Sequence[str], outputs: Sequence[dict[str, Any]]) -> tuple[int, str]:
    """Run the check under a guardian; returns its exit code, and why it may not move anything if that is so."""
    sys.stdout.flush()
    preload(outputs)  # should check and guardian die at once, nothing must be loaded first on a busy board
    with Door() as door:
        check = [sys.executable, "-m", "warmheap", "check", *arguments, "--door", door.name, "--guardian-fd", FD_HERE]
        command = [sys.executable, "-m", "warmheap.guardian", str(state), *check]
        process = subprocess.Popen(command)  # noqa: S603 - our own
        _pass_on_signals(process)
        while process.poll() is None:
            door.serve(LOOK_S)
        door.last_words()
    if door.said.startswith(CODE):
        return int(door.said.removeprefix(CODE)), ""
    if door.said.startswith(STILL):
        return BAD, door.said.removeprefix(STILL)
    if process.returncode != MISUSED:  # else the reason stands there already
        for release in all_safe(outputs, GIVE_UP_S):  # check and guardian may have died at once
            release()
        print("warmheap: the check was cut off; the outputs were made safe. Start it anew", file=sys.stderr)
        return BAD, ""
    return MISUSED, ""


def _pass_on_signals(process: subprocess.Popen[bytes]) -> None:
    """Stop the check when this process is told to stop; it makes its outputs safe and ends by itself."""

    def stop(number: int, frame: object) -> None:
        with suppress(OSError):
            process.send_signal(signal.SIGTERM)

    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, stop)


class Door:
    """Where the check knocks: let in once, heard to the end. A socket without a file, so a full disk is no hindrance."""

    def __init__(self) -> None:
        self.name = f"warmheap-check-{os.getpid()}-{secrets.token_hex(8)}"
        self._bell = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._bell.bind("\0" + self.name)
        self._bell.listen(4)
        self._guest: socket.socket | None = None
        self._open = False
        self.said = ""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        for end in (self._bell, self._guest):
            if end is not None:
                end.close()

    def serve(self, seconds: float) -> None:
        """Let the first one in, send others away, and hear what the first one says; waits for ``seconds`` at most."""
        ends = [self._bell] + ([self._guest] if self._guest and self._open else [])
        readable = select.select(ends, [], [], seconds)[0]
        if self._bell in readable:
            self._admit(self._bell.accept()[0])
        if self._guest is not None and self._guest in readable:
            heard = self._guest.recv(MOST_BYTES)
            self._open = bool(heard)
            self.said += heard.decode("utf-8", "replace")

    def last_words(self) -> None:
        """Hear what is still said, should the check outlive its guardian for a moment."""
        end_s = monotonic() + LAST_WORDS_S
        self.serve(0.0)
        while self._guest is not None and self._open and monotonic() < end_s:
            self.serve(LOOK_S)

    def _admit(self, caller: socket.socket) -> None:
        with suppress(OSError):
            caller.sendall(IN if self._guest is None else OUT)
        if self._guest is None:
            self._guest, self._open = caller, True
        else:
            caller.close()


class Guest:
    """The check's end of the door. ``admitted`` is False when a check was let in before: this one must not begin."""

    def __init__(self, name: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.connect("\0" + name)
            self.admitted = self._socket.recv(1) == IN
        except OSError:
            self.admitted = False

    def say(self, text: str) -> None:
        """Leave word."""
        with suppress(OSError):
            self._socket.sendall(text.encode())

    def alone(self) -> bool:
        """Whether nobody is behind the door any more."""
        if not select.select([self._socket], [], [], 0.0)[0]:
            return False
        try:
            return not self._socket.recv(1)
        except OSError:
            return True
