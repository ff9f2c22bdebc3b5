"""A reading that leaps by some kelvins between calm ones: the probe is off by so much from then on.

Tonnes of compost and water that stands change smoothly, so a leap between two readings is the probe's: a bad contact, water
in its sleeve, a hand that moved it. Which of the two readings was right cannot be told. The safer one is believed.
"""

from __future__ import annotations

from collections.abc import Callable
from math import nan

from controller.memory import Memory

LEAP_K = 1.2  # what a sound probe's scatter does not reach; a smaller error does no harm
FURTHEST_K = 9.0  # a larger leap is a probe pulled out, water that began to move by itself, or a plug
STANDS_OUT = 2.0  # times the fastest change before and after
CALM_BEFORE, CALM_AFTER = 3.0, 3.0  # readings
LONGEST_GAP_S = 1500.0  # a refused leap of a pile probe is believed after ten minutes, and seen at the next look
FADES = 0.5  # of the fastest change, with every reading
FORGET_S = 10 * 86400.0  # the probe was mended or has its new place, and the water has shown what it is worth


class Leap(Memory):
    """By how much one probe has leapt, all told [K]; positive: it reads higher than it did."""

    __slots__ = (
        "_least_k",
        "_longest_gap_s",
        "after",
        "before",
        "fastest_k_s",
        "last_c",
        "last_s",
        "leap_k",
        "leap_s",
        "off_k",
    )

    def __init__(self, least_k: float = LEAP_K, longest_gap_s: float = LONGEST_GAP_S) -> None:
        self._least_k, self._longest_gap_s = least_k, longest_gap_s
        self.off_k = 0.0
        self.last_c = self.last_s = nan
        self.before = self.after = 0.0
        self.fastest_k_s = 0.0
        self.leap_k = self.leap_s = 0.0

    def begin(self) -> None:
        """Begin anew: what comes is no continuation of what was."""
        self.last_c = self.last_s = nan
        self.before = self.fastest_k_s = self.leap_k = 0.0

    def interrupt(self) -> None:
        """Begin anew since the water begins to move; a leap that was just seen is believed, for the pump did not make it."""
        self._believe()
        self.begin()

    def follow(self, value_c: float, now_s: float, name: str, doubted: Callable[[str], bool]) -> None:
        """Take a fresh reading of the sensor ``name``; the leap of one that is ``doubted`` proves nothing."""
        if self.update(value_c, now_s) and doubted(name):
            self.begin()

    def update(self, value_c: float, now_s: float) -> bool:
        """Take a fresh reading of something that changes smoothly; return whether it seems to have leapt."""
        change_k, since_s = value_c - self.last_c, now_s - self.last_s
        if not 0.0 < since_s <= self._longest_gap_s:
            self.begin()
            self.last_c, self.last_s = value_c, now_s
            return False
        self.last_c, self.last_s = value_c, now_s
        if self.off_k != 0.0:
            self.off_k *= FORGET_S / (FORGET_S + since_s)
        far_k = change_k if change_k > 0.0 else -change_k
        pace_k_s = far_k / since_s
        if self.leap_k != 0.0:
            self._prove(pace_k_s)
        elif far_k > self._least_k + STANDS_OUT * self.fastest_k_s * since_s and self.before >= CALM_BEFORE:
            self.leap_k, self.leap_s, self.after = change_k, since_s, 0.0
            return True
        self.before += 1.0
        faded = FADES * self.fastest_k_s
        self.fastest_k_s = pace_k_s if pace_k_s > faded else faded
        return False

    def _prove(self, pace_k_s: float) -> None:
        """Count a leap once some readings after it were calm; drop one that was no more than a quick change."""
        if abs(self.leap_k) <= self._least_k + STANDS_OUT * pace_k_s * self.leap_s:
            self.leap_k = self.before = 0.0
            return
        self.after += 1.0
        if self.after >= CALM_AFTER:
            self._believe()

    def _believe(self) -> None:
        if abs(self.leap_k) <= FURTHEST_K:
            self.off_k = min(max(self.off_k + self.leap_k, -FURTHEST_K), FURTHEST_K)
        self.leap_k = 0.0
