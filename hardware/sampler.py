"""Slow sensors, read in the background: the control tick only ever looks at the last answer and its age."""

from __future__ import annotations

import threading
from collections.abc import Callable
from time import monotonic
from typing import Protocol

from hardware.reading import BAD, Reading, aged

EVERY_S = 2.0
STALE_AFTER_S = 30.0


class Slow(Protocol):
    """Sensors that block while they are read."""

    def sample(self) -> dict[str, Reading]:
        """Read all once, by name."""


class Sampler:
    """A thread that keeps reading ``source``; a bus that hangs lets its readings grow old and holds up nobody."""

    def __init__(
        self,
        name: str,
        source: Slow,
        every_s: float = EVERY_S,
        stale_after_s: float = STALE_AFTER_S,
        clock: Callable[[], float] = monotonic,
    ) -> None:
        self._source, self._every_s, self._stale_after_s, self._clock = source, every_s, stale_after_s, clock
        self._last: dict[str, tuple[float, Reading]] = {}
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._first = threading.Event()
        self._thread = threading.Thread(target=self._keep_reading, name=name, daemon=True)
        self._thread.start()

    def readings(self) -> dict[str, Reading]:
        """The last answer of each sensor with its age now. Returns at once."""
        now_s = self._clock()
        with self._lock:
            return {name: aged(r, now_s - at_s, self._stale_after_s) for name, (at_s, r) in self._last.items()}

    def await_first(self, timeout_s: float) -> bool:
        """Wait until every sensor was asked once; False if it took longer."""
        return self._first.wait(timeout_s)

    def close(self) -> None:
        """End the thread; one that is still busy in the kernel is left behind."""
        self._stop.set()
        self._thread.join(timeout=0.2)

    def _keep_reading(self) -> None:
        while not self._stop.is_set():
            self._read_once()
            self._first.set()
            self._stop.wait(self._every_s)

    def _read_once(self) -> None:
        try:
            answers = self._source.sample()
        except Exception as wrong:  # a driver's surprise must not end the readings for the rest of the winter
            answers = {name: Reading(quality=BAD, age_s=0.0, why=str(wrong)) for name in self._last}
        now_s = self._clock()
        with self._lock:
            self._last.update({name: (now_s, reading) for name, reading in answers.items()})
