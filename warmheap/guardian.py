"""A small process that starts the loop, listens to its heartbeat, and makes the outputs safe when it is dead or frozen.

It knows no sensor and no control and loads neither. Why not the service manager alone: a hung loop would be noticed only
after its watchdog time (seconds at best), a killed one leaves the outputs of a small board as they were until
``ExecStopPost`` has loaded Python (seconds on a slow card), and without a service manager nobody would look. So this process
has everything loaded beforehand and acts within two seconds; the service manager watches *it* (``WatchdogSec``, told only
while the loop makes progress) and runs ``--safe-off`` if both are gone. If this process dies, the loop notices at its next
heartbeat, makes its own outputs safe and ends.
"""

from __future__ import annotations

import fcntl
import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO, Any

from . import record
from .files import write_whole
from .notify import Notifier

FROZEN_S = 1.4  # no heartbeat for this long; it comes every 0.2 s, and two seconds is the promise
STARTING_S = 60.0  # until the first heartbeat: importing from a slow card
COMPILING_S = 900.0  # the same where only a simulator hangs on the outputs: its first run ever compiles it
QUITTING_S = 10.0  # from "my outputs are safe" to the end: writing the log
DYING_S = 0.25
PAUSES_S = (1.0, 2.0, 4.0, 5.0)  # before the loop is started again; never for ever
HEALTHY_S = 60.0  # ran this long: the next pause is the first again
RETRY_S, GIVE_UP_S = 0.1, 30.0
WRONG = 2
FINAL = 6  # the loop ended for good, in good order but without success: it is not started again
FD_HERE = "{guardian-fd}"  # stands in the command for the number of the loop's end of the socket
READY, BEAT, QUIT = b"ready\n", b".", b"q"

Release = Callable[[], None]


def say(text: str) -> None:
    """One line for the log."""
    with suppress(OSError):
        print(f"warmheap guardian: {text}", file=sys.stderr, flush=True)


def make_safe(spec: dict[str, Any]) -> Release:
    """Bring one output to its safe duty, whatever kind it is."""
    if spec["kind"] == "record":
        return record.make_safe(spec)
    from hardware import safe_off

    return safe_off.make_safe(spec)


def nothing_real(specs: Sequence[dict[str, Any]]) -> bool:
    """Whether only the record of a simulated plant would be written."""
    return all(spec["kind"] == "record" for spec in specs)


def preload(specs: Sequence[dict[str, Any]]) -> None:
    """Load now what will be needed when it counts."""
    if not nothing_real(specs):
        from hardware import safe_off

        safe_off.preload(specs)


def all_safe(specs: Sequence[dict[str, Any]], give_up_s: float = GIVE_UP_S, quiet: bool = False) -> list[Release]:
    """Make every output safe, trying again where it fails; returns what lets go of them. What never works is said."""
    left, releases = list(specs), []
    end_s = time.monotonic() + give_up_s
    while left:
        failed = []
        for spec in left:
            try:
                releases.append(make_safe(spec))
            except Exception as wrong:
                failed.append((spec, wrong))
        if failed and time.monotonic() > end_s:
            if not quiet:
                say(f"{failed[0][0]['name']} could not be made safe: {failed[0][1]}. Switch it off by hand")
            break
        left = [spec for spec, _ in failed]
        if left:
            time.sleep(RETRY_S)
    return releases


class Child:
    """One run of the loop, and its heartbeat."""

    def __init__(self, command: Sequence[str]) -> None:
        self.socket, theirs = socket.socketpair()
        with theirs:
            fd = theirs.fileno()
            words = [word.replace(FD_HERE, str(fd)) for word in command]
            self.process = subprocess.Popen(words, pass_fds=[fd])  # noqa: S603 - our own command
        self.began_s = self.heard_s = time.monotonic()
        self.starting_s = STARTING_S
        self.beating = self.quitting = self.asked = False
        self._told = b""

    def allowed_s(self) -> float:
        """How long it may be silent now."""
        if self.quitting or (self.asked and not self.beating):
            return QUITTING_S
        return FROZEN_S if self.beating else self.starting_s

    def hear(self) -> list[dict[str, Any]] | None:
        """Take what it said; returns the outputs when it introduces them. ``EOFError`` at its end."""
        try:
            said = self.socket.recv(4096)
        except ConnectionResetError:
            said = b""
        if not said:
            raise EOFError
        self.heard_s = time.monotonic()
        if self.beating or self.quitting:
            self.quitting = self.quitting or QUIT in said
            return None
        self._told += said
        line, end, rest = self._told.partition(b"\n")
        if not end:
            return None
        if not rest:
            return list(json.loads(line))
        self.beating, self.quitting = True, QUIT in rest
        return None

    def quit(self) -> None:
        """Ask it to end. It is watched as before until it says that its outputs are safe."""
        if not self.asked:
            self.asked = True
            self.process.terminate()

    def end(self) -> int:
        """See to it that it is dead; returns its exit code, negative for a signal."""
        try:
            return self.process.wait(QUITTING_S if self.quitting else DYING_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
        with suppress(subprocess.TimeoutExpired):
            return self.process.wait(DYING_S)
        return -signal.SIGKILL  # it is stuck in the kernel; its lines are tried all the same

    def kill(self) -> int:
        """Kill it at once, stopped or not."""
        self.process.kill()
        return self.end()


class Guardian:
    """Starts ``command`` again and again until it ends well or a signal says stop."""

    def __init__(self, state: Path, command: Sequence[str]) -> None:
        self._state, self._command = state, command
        self._specs: list[dict[str, Any]] = []
        self._held: list[Release] = []
        self._stop: int | None = None
        self._ever_ran = False
        self._notifier = Notifier()
        self._kept_alive_s = 0.0
        self._wake = self._on_signals()

    def run(self) -> int:
        """Guard until the end; returns the exit code."""
        tries = 0
        while True:
            child = Child(self._command)
            code, how = self._watch(child)
            # a loop that never got going has said what is wrong with its outputs itself
            self._held += all_safe(self._specs, GIVE_UP_S if child.beating else 0.0, quiet=not child.beating)
            child.socket.close()
            if self._stop is not None or code in (0, FINAL) or (code == WRONG and not self._ever_ran):
                return self._over(code)
            tries = 0 if time.monotonic() - child.began_s > HEALTHY_S else tries + 1
            pause_s = PAUSES_S[min(max(tries - 1, 0), len(PAUSES_S) - 1)]
            say(f"the loop {how}; the outputs are safe; it is started again in {pause_s:g} s")
            if self._pause(pause_s):
                return self._over(0)

    def _watch(self, child: Child) -> tuple[int, str]:
        """Listen until the loop ends or must be ended; returns its exit code and what happened, in words."""
        while True:
            left_s = child.heard_s + child.allowed_s() - time.monotonic()
            readable = select.select([child.socket, self._wake], [], [], max(0.0, left_s))[0]
            if self._wake in readable:
                self._drain()
            if self._stop is not None:
                child.quit()
            if child.socket in readable:
                try:
                    self._heard(child, child.hear())
                except EOFError:
                    code = child.end()
                    return code, f"was killed by signal {-code}" if code < 0 else f"ended with code {code}"
            elif time.monotonic() - child.heard_s > child.allowed_s():
                silent_s = time.monotonic() - child.heard_s
                return child.kill(), f"was frozen ({silent_s:.1f} s without a heartbeat) and was killed"

    def _heard(self, child: Child, outputs: list[dict[str, Any]] | None) -> None:
        if outputs is not None:
            self._introduced(child, outputs)
        elif child.beating:
            if not self._ever_ran:
                self._ever_ran = True
                self._notifier.send("READY=1")
            if child.heard_s - self._kept_alive_s >= 1.0 and not child.quitting:
                self._kept_alive_s = child.heard_s
                self._notifier.send("WATCHDOG=1")

    def _introduced(self, child: Child, outputs: list[dict[str, Any]]) -> None:
        """The loop is about to open these outputs: be ready to make them safe, and let go of them."""
        preload(outputs)
        if nothing_real(outputs):
            child.starting_s = COMPILING_S
        self._let_go()
        self._specs = outputs
        with suppress(OSError):  # a full disk must not keep the greenhouse cold
            write_whole(_kept(self._state), json.dumps(outputs).encode())
        with suppress(OSError):
            child.socket.sendall(READY)

    def _let_go(self) -> None:
        while self._held:
            with suppress(Exception):
                self._held.pop()()

    def _over(self, code: int) -> int:
        self._notifier.send("STOPPING=1")
        self._let_go()
        return 0 if self._stop is not None else code

    def _pause(self, pause_s: float) -> bool:
        """Wait; True if a signal says stop."""
        end_s = time.monotonic() + pause_s
        while self._stop is None and (left_s := end_s - time.monotonic()) > 0.0:
            if select.select([self._wake], [], [], left_s)[0]:
                self._drain()
        return self._stop is not None

    def _on_signals(self) -> socket.socket:
        """Turn SIGTERM, SIGINT and SIGHUP into bytes on a socket that `select` sees."""
        wake, waker = socket.socketpair()
        for end in (wake, waker):
            end.setblocking(False)
        self._waker = waker
        signal.set_wakeup_fd(waker.fileno(), warn_on_full_buffer=False)
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, self._told_to_stop)
        return wake

    def _told_to_stop(self, number: int, frame: object) -> None:
        self._stop = number

    def _drain(self) -> None:
        with suppress(BlockingIOError):
            self._wake.recv(64)


def _kept(state: Path) -> Path:
    return state / "outputs.json"


def safe_off(state: Path) -> int:
    """Make the outputs of the last run safe and let go of them: what the service manager runs after any end."""
    try:
        lock = _locked(state)
        specs = json.loads(_kept(state).read_bytes())
    except FileNotFoundError:
        return 0  # nothing was ever opened
    except (OSError, ValueError) as wrong:
        say(f"cannot read {_kept(state)}: {wrong}")
        return 1
    if lock is None:
        say(f"a warmheap runs with {state}; stop that one")
        return 1
    releases = all_safe(specs, give_up_s=5.0)
    for release in releases:
        release()
    lock.close()
    return 0 if len(releases) == len(specs) else 1


def _locked(state: Path) -> IO[str] | None:
    """The lock of the state folder, held until this process ends; None when another one has it."""
    state.mkdir(parents=True, exist_ok=True)
    lock = (state / "lock").open("a+", encoding="ascii")
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return None
    try:
        os.ftruncate(lock.fileno(), 0)
        os.write(lock.fileno(), f"{os.getpid()}\n".encode("ascii"))
    except OSError:
        pass  # a full disk: the lock holds all the same, and the number only tells people who has it
    return lock


def main(argv: Sequence[str]) -> int:
    """``--safe-off STATE``, or ``STATE COMMAND...``."""
    if argv[0] == "--safe-off":
        return safe_off(Path(argv[1]))
    state = Path(argv[0])
    try:
        lock = _locked(state)
    except OSError as wrong:
        print(f"warmheap: cannot use the state folder {state}: {wrong.strerror}", file=sys.stderr)
        return WRONG
    if lock is None:
        print(f"warmheap: another warmheap already runs with the state folder {state}", file=sys.stderr)
        return WRONG
    with lock:
        return Guardian(state, argv[1:]).run()


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
