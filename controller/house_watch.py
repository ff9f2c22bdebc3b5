"""Is the greenhouse closer to outdoor air than it ever is, and how long has its air been wet?

A door left open, a torn film and a heater that is off look the same from one air probe.
"""

from __future__ import annotations

from math import nan

from controller.memory import Memory

DAY_S = 86400.0
DAYS = 7
KNOWN_DAYS = 5
FILTER_S = 1800.0
USUAL_LEAST_K = 4.0  # a house that comes closer to outdoors than this by itself tells nothing
OPEN_SHARE = 0.4
OPEN_S = 1800.0
WET_RH = 0.90
WET_HOURS = 44.0  # of two days: nearly without a break; single wet nights are winter


class HouseWatch(Memory):
    """Gap to outdoor air [K], its lowest of each of the last days, and wet hours of the last two days."""

    __slots__ = ("above_k", "day_s", "least_k", "lowest_k", "narrow_s", "wet_before_s", "wet_hours", "wet_s")

    def __init__(self) -> None:
        self.above_k = nan
        self.lowest_k = [nan] * DAYS
        self.least_k = 999.0
        self.day_s = 0.0
        self.narrow_s = 0.0
        self.wet_s = self.wet_before_s = self.wet_hours = 0.0

    @property
    def open(self) -> bool:
        """Whether the house has been far closer to outdoor air than usual for a while."""
        return self.narrow_s >= OPEN_S

    @property
    def wet(self) -> bool:
        """Whether mould had its time."""
        return self.wet_hours >= WET_HOURS

    def update(self, house_c: float, outdoor_c: float, rh: float, elapsed_s: float) -> None:
        """Take greenhouse and outdoor air and relative humidity (NaN: unknown)."""
        gap_k = house_c - outdoor_c
        if gap_k == gap_k:
            self._follow(gap_k, elapsed_s)
        if rh > WET_RH:
            self.wet_s += elapsed_s
        self.day_s += elapsed_s
        if self.day_s >= DAY_S:
            self._turn_day()

    def _follow(self, gap_k: float, elapsed_s: float) -> None:
        known = self.above_k == self.above_k
        self.above_k = self.above_k + (gap_k - self.above_k) * elapsed_s / (FILTER_S + elapsed_s) if known else gap_k
        days = [k for k in self.lowest_k if k == k]
        usual_k = min(days) if len(days) >= KNOWN_DAYS else nan
        narrow = usual_k >= USUAL_LEAST_K and self.above_k < OPEN_SHARE * usual_k
        self.narrow_s = self.narrow_s + elapsed_s if narrow else 0.0
        if not narrow and self.above_k < self.least_k:  # what is alarmed at does not become usual
            self.least_k = self.above_k

    def _turn_day(self) -> None:
        if self.least_k < 999.0:
            self.lowest_k = [*self.lowest_k[1:], self.least_k]
        self.wet_hours = (self.wet_before_s + self.wet_s) / 3600.0
        self.wet_before_s, self.wet_s = self.wet_s, 0.0
        self.day_s, self.least_k = 0.0, 999.0
