"""``warmheap run`` as a process under test: started as it is installed, or forked from here with all loaded beforehand.

Loading Python from its files costs the emulator seconds; the fork skips that and nothing else. Both are used.
"""

from __future__ import annotations

import atexit
import ctypes
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Sequence
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Any

STATE = Path("/run/rig/state")
SPAWNER = "spawner"
CLONE, CLONE_PARENT = 56, 0x8000  # x86-64
LOG = "/run/rig/log"
FILE = Path("/run/rig/greenhouse.toml")


def preload() -> None:
    """Load what the loop loads, but lgpio: that starts threads, which a fork would lose."""
    for name in (
        "gpiozero gpiozero.pins.local numpy hardware.plant warmheap.cli warmheap.guardian warmheap.heart warmheap.loop"
        " warmheap.restart warmheap.run warmheap.scribe warmheap.settings_file warmheap.settings_store warmheap.status"
    ).split():
        import_module(name)
    import_module("warmheap.cli").build_parser()  # which loads every verb


class Spawner:
    """A process that has all loaded and no thread, and makes the guardian's next child when it is asked.

    The guardian itself cannot be forked from: it loads lgpio, whose threads would be missing. The loops are made children of
    the guardian, as they are when it starts them itself, by clone(2) with CLONE_PARENT.
    """

    def __init__(self) -> None:
        self._ask, theirs = socket.socketpair()
        if os.fork() == 0:
            self._ask.close()
            Path("/proc/self/comm").write_text(SPAWNER)
            serve(theirs)
        theirs.close()

    def __call__(self, words: Sequence[str], pass_fds: Sequence[int]) -> ForkedLoop:
        """What the guardian calls in place of `subprocess.Popen`."""
        message = json.dumps([pass_fds[0], *words[words.index("warmheap") + 1 :]])
        socket.send_fds(self._ask, [message.encode()], list(pass_fds))
        return ForkedLoop(int(self._ask.recv(16)))


def serve(asked: socket.socket) -> None:
    """Make a child of our parent for everybody who asks; ends when nobody can ask any more."""
    libc = ctypes.CDLL(None, use_errno=True)
    while True:
        message, fds, _, _ = socket.recv_fds(asked, 65536, 1)
        if not message:
            os._exit(0)
        number, *words = json.loads(message)
        pid = libc.syscall(CLONE, CLONE_PARENT | signal.SIGCHLD, 0, 0, 0, 0)
        if pid == 0:
            Path("/proc/self/comm").write_text("warmheap")
            os.dup2(fds[0], number)
            run_as_child(words, number)
        os.close(fds[0])
        asked.send(str(pid).encode())


class ForkedLoop:
    """Stands in for a `subprocess.Popen` of the loop."""

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self._code: int | None = None

    def poll(self) -> int | None:
        """The exit code, negative for a signal; None while it runs."""
        if self._code is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            self._code = os.waitstatus_to_exitcode(status) if pid else None
        return self._code

    def wait(self, timeout: float) -> int:
        """Wait for the end, at most ``timeout``."""
        end_s = time.monotonic() + timeout
        while self.poll() is None:
            if time.monotonic() > end_s:
                raise subprocess.TimeoutExpired("loop", timeout)
            time.sleep(0.005)
        assert self._code is not None
        return self._code

    def terminate(self) -> None:
        """SIGTERM."""
        self._send(signal.SIGTERM)

    def kill(self) -> None:
        """SIGKILL."""
        self._send(signal.SIGKILL)

    def _send(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)


def run_as_child(words: Sequence[str], keep: int) -> None:
    """Be a process of its own that runs the command line ``words``; never returns."""
    import sitecustomize

    from warmheap import cli

    for fd in range(3, 64):
        if fd != keep:
            with suppress(OSError):
                os.close(fd)
    signal.set_wakeup_fd(-1)
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)
    sitecustomize.install()
    leave(lambda: cli.main(list(words)))


def leave(work: Any) -> None:
    """Do ``work`` and end as the interpreter does: threads, exit functions, exit code."""
    try:
        code = work()
    except SystemExit as end:
        code = end.code
    except BaseException:
        traceback.print_exc()
        code = 1
    with suppress(BaseException):
        threading._shutdown()  # type: ignore[attr-defined]
        atexit._run_exitfuncs()
        sys.stdout.flush()
    os._exit(code if isinstance(code, int) else 0 if code is None else 1)


def start_forked(words: Sequence[str]) -> int:
    """A guardian, forked; returns its process id."""
    from warmheap import guardian

    pid = os.fork()
    if pid:
        return pid
    quiet()
    guardian.subprocess.Popen = Spawner()  # type: ignore[misc, assignment]
    loop = [sys.executable, "-m", "warmheap", "run", *words, "--guardian-fd", guardian.FD_HERE]
    leave(lambda: guardian.main([str(STATE), *loop]))
    return 0


def start_program(words: Sequence[str]) -> int:
    """The program as the service manager starts it; returns the guardian's process id."""
    command = [sys.executable, "-m", "warmheap", "run", *words]
    target = log()
    started = subprocess.Popen(command, stdout=target, stderr=target)
    os.close(target)
    return started.pid


def safe_off() -> int:
    """What the service manager runs after any end; its exit code."""
    return subprocess.run([sys.executable, "-m", "warmheap.guardian", "--safe-off", str(STATE)]).returncode


def alive(pid: int) -> bool:
    """Whether a process still runs; one that only waits to be buried does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except OSError:
        return False


def log() -> int:
    """Where a controlled run complains."""
    return os.open(LOG, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)


def quiet() -> None:
    """Send what this process says to the log."""
    target = log()
    for fd in (1, 2):
        os.dup2(target, fd)
    os.close(target)


def log_end() -> str:
    """The last of what the controlled run said."""
    return Path(LOG).read_text(errors="replace")[-3000:]


def loop_of(guardian: int) -> int | None:
    """The process id of the loop that a guardian runs now."""
    try:
        pids = Path(f"/proc/{guardian}/task/{guardian}/children").read_text().split()
        loops = [pid for pid in pids if Path(f"/proc/{pid}/comm").read_text().strip() != SPAWNER]
    except OSError:
        return None
    return int(loops[0]) if loops else None


def ended(pid: int, within_s: float) -> bool:
    """Whether a child of ours ends in time."""
    end_s = time.monotonic() + within_s
    while time.monotonic() < end_s:
        with suppress(ChildProcessError):
            if os.waitpid(pid, os.WNOHANG)[0]:
                return True
            time.sleep(0.01)
            continue
        return True
    return False
