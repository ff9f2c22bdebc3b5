"""Does a battery end each night lower than the last? Told days before it is flat."""

from __future__ import annotations

from math import nan

from controller.memory import Memory

NIGHTS = 4
DAY_S = 86400.0
FALL_V = 0.03  # a night; less is noise and temperature (own judgement)
AHEAD_NIGHTS = 3.0


def keeps_falling(dawns_v: list[float], low_v: float) -> bool:
    """Tell whether each of the last nights ended lower and a few more like them end at ``low_v``; NaN: not yet."""
    falls_v = [before - after for before, after in zip(dawns_v, dawns_v[1:], strict=False)]
    if not all(fall > FALL_V for fall in falls_v):
        return False
    return dawns_v[-1] - AHEAD_NIGHTS * sum(falls_v) / len(falls_v) < low_v


class DawnVolts(Memory):
    """The lowest rest voltage of each of the last days, oldest first [V]."""

    __slots__ = ("_low_v", "dawns_v", "day_s", "falling", "lowest_v")

    def __init__(self, low_v: float) -> None:
        self._low_v = low_v
        self.dawns_v = [nan] * NIGHTS
        self.day_s = 0.0
        self.lowest_v = 99.0
        self.falling = False

    @property
    def last_v(self) -> float:
        """The last night's lowest [V]."""
        return self.dawns_v[-1]

    def update(self, rest_v: float, elapsed_s: float) -> None:
        """Take the filtered rest voltage (NaN: unknown)."""
        self.day_s += elapsed_s
        if rest_v < self.lowest_v:
            self.lowest_v = rest_v
        if self.day_s < DAY_S:
            return
        self.dawns_v = [*self.dawns_v[1:], self.lowest_v if self.lowest_v < 99.0 else nan]
        self.falling = keeps_falling(self.dawns_v, self._low_v)
        self.day_s, self.lowest_v = 0.0, 99.0
