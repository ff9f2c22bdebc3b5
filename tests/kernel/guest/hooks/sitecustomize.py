"""Loaded by every Python that has this folder on its path: signals that make the process fail from inside, for tests."""

import signal
import sys


class InjectedError(Exception):
    """Of no kind that a library catches: `threading` takes a RuntimeError for one of its own and goes on (gh-92530)."""


def deadlock(number: int, frame: object) -> None:
    """The loop's thread waits for a lock for ever; the other threads run on."""
    import threading

    lock = threading.Lock()
    lock.acquire()
    lock.acquire()


def hang_all(number: int, frame: object) -> None:
    """Hold the interpreter's lock for ever: no Python thread runs any more, lgpio's own threads do."""
    import ctypes

    ctypes.PyDLL(None).pause()


def fail(number: int, frame: object) -> None:
    """A mistake in the middle of the loop."""
    raise InjectedError("by a signal")


def install() -> None:
    """Answer the three signals."""
    for number, handler in ((signal.SIGUSR1, deadlock), (signal.SIGUSR2, hang_all), (signal.SIGALRM, fail)):
        signal.signal(number, handler)


if "--guardian-fd" in sys.orig_argv:
    install()
