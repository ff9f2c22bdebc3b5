"""The hottest water that each draw shows: from one draw to the next as like it, it changes no faster than the coil does.

Where draws are short and follow each other in minutes, the water never stands long enough to show that its probe leapt.
"""

from __future__ import annotations

from collections.abc import Callable
from math import nan

from controller.leap import FURTHEST_K, Leap
from controller.memory import Memory

LONG_ENOUGH_S = 60.0  # a probe on a pipe has followed the water by then
LEAST_K = 2.0  # a draw after a long rest brings out hotter water than one after a short rest (own judgement)
LONGEST_GAP_S = 4 * 3600.0  # in frost there may be hours between two pulses (own judgement)
SAME_REST = 0.5  # of the rest before the last draw: what stood for less comes cooler (own judgement)
ALIKE_K = 1.0  # peaks that differ by no more are alike
SAME_DUTY = 0.125  # a stronger draw brings cooler water, a weaker one hotter


class DrawPeak(Memory):
    """One reading for each draw, and how it leaps from draw to draw."""

    __slots__ = ("duty", "duty_before", "leap", "on_s", "peak_c", "rest_before_s", "rest_s")

    def __init__(self) -> None:
        self.leap = Leap(LEAST_K, LONGEST_GAP_S)
        self.duty = self.duty_before = 0.0  # at the end of this draw and of the last one
        self.rest_s = self.rest_before_s = 0.0  # for how long the water had stood before them
        self.on_s = 0.0
        self.peak_c = nan

    @property
    def low_k(self) -> float:
        """How much lower the probe may read than it did, a leap that is not yet proven included [K]."""
        feared_k = self.leap.leap_k if self.leap.leap_k >= -FURTHEST_K else 0.0
        return -min(self.leap.off_k, self.leap.off_k + feared_k)

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
        if self._is_plain():
            self.leap.begin()
        self.leap.follow(self.peak_c, now_s, "water_supply_c", doubted)
        self.leap.off_k = min(self.leap.off_k, 0.0)  # hotter water than before has many causes, and is no danger unseen
        self.duty_before, self.rest_before_s = self.duty, self.rest_s

    def _is_plain(self) -> bool:
        """Tell whether the flow, or the rest before it, explains how this draw differs from the last one."""
        stronger, hotter_k = self.duty - self.duty_before, self.peak_c - self.leap.last_c
        if hotter_k > ALIKE_K:
            return stronger < -SAME_DUTY
        return hotter_k < -ALIKE_K and (stronger > SAME_DUTY or self.rest_s < SAME_REST * self.rest_before_s)
