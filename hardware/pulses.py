"""Flow meter and tachometer: how fast pulses come, by the time stamps that the kernel gives them."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from time import monotonic
from typing import Any

from hardware.errors import HardwareError

WINDOW_S = 2.0  # pulses older than this, against the newest, no longer count
SILENT_S = 3.0  # no pulse for this long: it stands still
SHORTEST_S = 0.0005  # pulses nearer than this are a bouncing contact
_MOST = 4096


class PulseRate:
    """Pulses a second from time stamps alone, so that a late thread changes nothing. Thread-safe."""

    def __init__(self, clock: Callable[[], float] = monotonic) -> None:
        self._clock = clock
        self._stamps: deque[float] = deque(maxlen=_MOST)
        self._heard_s = -SILENT_S
        self._lock = threading.Lock()
        self.count = 0

    def note(self, stamp_s: float) -> None:
        """Take one pulse; ``stamp_s`` on any clock of its own that runs in seconds."""
        with self._lock:
            stamps = self._stamps
            if stamps and 0.0 <= stamp_s - stamps[-1] < SHORTEST_S:
                return
            if stamps and (stamp_s < stamps[-1] or stamp_s - stamps[-1] > SILENT_S):
                stamps.clear()
            stamps.append(stamp_s)
            while stamp_s - stamps[0] > WINDOW_S and len(stamps) > 2:
                stamps.popleft()
            self.count += 1
            self._heard_s = self._clock()

    def rate_hz(self) -> float:
        """Pulses a second now: the mean over the last two seconds, less when the next one is overdue."""
        with self._lock:
            waited_s = self._clock() - self._heard_s
            if len(self._stamps) < 2 or waited_s > SILENT_S:
                return 0.0
            mean_s = (self._stamps[-1] - self._stamps[0]) / (len(self._stamps) - 1)
            return 1.0 / max(mean_s, waited_s - mean_s)


class PulseInput:
    """A line whose rising edges are counted; ``HardwareError`` when it cannot be had.

    ``pull`` is "up" for a meter with an open collector (the usual kind), else "down" or "floating".
    """

    def __init__(self, pin: int, factory: Any, pull: str = "up") -> None:
        from gpiozero import GPIODevice

        self.rate = PulseRate()
        self._device: Any = None
        try:
            self._device = GPIODevice(pin, pin_factory=factory)
            self._device.pin.input_with_pull(pull)
            self._device.pin.edges = "rising"
            self._device.pin.when_changed = self._edge
        except Exception as wrong:
            self.close()
            raise HardwareError(f"pin {pin} cannot count pulses: {wrong}") from None

    def _edge(self, stamp_s: float, state: int) -> None:
        self.rate.note(stamp_s)

    def close(self) -> None:
        """Let go of the line."""
        if self._device is not None and not self._device.closed:
            self._device.pin.when_changed = None
            self._device.close()
