"""The hottest water that each draw shows: from one draw to the next as like it, it changes no faster than the coil does.

Where draws are short and follow each other in minutes, the water never stands long enough to show that its probe leapt.
"""

from __future__ import annotations

from collections.abc import Callable
from math import nan

from controller.leap import Leap
from controller.memory import Memory

LONG_ENOUGH_S = 60.0  # a probe on a pipe has followed the water by then
SAME_DUTY = 0.125  # a stronger draw brings cooler water, a weaker one hotter


class DrawPeak(Memory):
    """One reading for each draw, and how it leaps from draw to draw."""

    __slots__ = ("before", "duty", "leap", "on_s", "peak_c")

    def __init__(self) -> None:
        self.leap = Leap()
        self.duty = self.before = 0.0  # at the end of this draw and of the last one
        self.on_s = 0.0
        self.peak_c = nan

    def draw(self, supply_c: float, duty: float, elapsed_s: float) -> None:
        """Take a reading of flowing water; NaN tells nothing."""
        self.on_s += elapsed_s
        self.duty = duty
        if not supply_c <= self.peak_c and supply_c == supply_c:
            self.peak_c = supply_c

    def stop(self, now_s: float, doubted: Callable[[str], bool]) -> None:
        """End a draw; without one there is no peak. ``doubted`` tells whether a sensor's leaps prove nothing."""
        if self.on_s >= LONG_ENOUGH_S and self.peak_c == self.peak_c:
            self._compare(now_s, doubted)
        self.on_s, self.peak_c = 0.0, nan

    def _compare(self, now_s: float, doubted: Callable[[str], bool]) -> None:
        if self._by_flow:
            self.leap.begin()
        if self.leap.update(self.peak_c, now_s) and doubted("water_supply_c"):
            self.leap.begin()
        self.before = self.duty

    @property
    def _by_flow(self) -> bool:
        """Whether the flow explains how this draw differs from the last one."""
        stronger, hotter = self.duty - self.before, self.peak_c > self.leap.last_c
        return stronger < -SAME_DUTY if hotter else stronger > SAME_DUTY
