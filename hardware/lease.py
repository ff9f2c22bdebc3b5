"""An output that falls back to its own safe value when nobody renews it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from time import monotonic
from typing import Protocol

LEASE_S = 2.0
CHECK_S = 0.1


class Driver(Protocol):
    """What turns a duty into a signal."""

    def set(self, duty: float) -> None:
        """Put out ``duty``, 0..1."""

    def duty(self) -> float:
        """Read back what is put out now, 0..1."""

    def close(self) -> None:
        """Let go of the line or channel."""


class LeasedOutput:
    """A driver whose duty holds for ``lease_s`` and must be renewed.

    An output starts at its safe value and goes back to it when the lease runs out, when told to, and on close.
    ``why`` is the reason for that safe value, for the grower to read.
    """

    def __init__(
        self,
        name: str,
        driver: Driver,
        safe_duty: float,
        why: str,
        lease_s: float = LEASE_S,
        clock: Callable[[], float] = monotonic,
    ) -> None:
        self.name, self.driver, self.safe_duty, self.why = name, driver, safe_duty, why
        self._lease_s, self._clock = lease_s, clock
        self._lock = threading.Lock()
        self._closed = False
        self._ends_s: float | None = None  # None: at the safe value
        driver.set(safe_duty)

    @property
    def leased(self) -> bool:
        """Whether the output follows its commands; False while it is at its safe value."""
        return self._ends_s is not None

    def set(self, duty: float) -> None:
        """Put out ``duty`` and begin a new lease."""
        with self._lock:
            if not self._closed:
                # first the lease, then the duty: a driver that fails half-way is still made safe in time
                self._ends_s = self._clock() + self._lease_s
                self.driver.set(duty)

    def renew(self) -> bool:
        """Begin a new lease at the duty that is put out; False if the old one had run out."""
        with self._lock:
            if self._ends_s is None or self._clock() > self._ends_s:
                return False
            self._ends_s = self._clock() + self._lease_s
            return True

    def check(self) -> None:
        """Go to the safe value if the lease has run out."""
        with self._lock:
            if self._ends_s is not None and self._clock() > self._ends_s:
                self._go_safe()

    def make_safe(self) -> None:
        """Go to the safe value now."""
        with self._lock:
            if not self._closed:
                self._go_safe()

    def close(self) -> None:
        """Go to the safe value and let go of the driver."""
        with self._lock:
            if self._closed:
                return
            try:
                self._go_safe()
            finally:
                self._closed = True
                self.driver.close()

    def _go_safe(self) -> None:
        self.driver.set(self.safe_duty)
        self._ends_s = None  # only once it is so: a failed write is tried again at the next check


class LeaseKeeper:
    """A thread that looks after the leases of ``outputs``, so that a loop that is stuck does not leave them on."""

    def __init__(self, outputs: Sequence[LeasedOutput], every_s: float = CHECK_S) -> None:
        self._outputs, self._every_s = tuple(outputs), every_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="leases", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End the thread."""
        self._stop.set()
        self._thread.join(timeout=1.0)

    def _watch(self) -> None:
        while not self._stop.wait(self._every_s):
            for output in self._outputs:
                try:
                    output.check()
                except Exception:  # noqa: S112 - one broken driver must not leave the other output on
                    continue
