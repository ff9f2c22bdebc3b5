"""What the supply probe shows while water flows: how hot the water may be, and whether the reading tells anything.

Fresh water changes all the time and one way for minutes. A reading that does not move is held or stuck, and one that
leaps to and fro is the probe's noise.
"""

from __future__ import annotations

from math import nan

from controller.memory import Memory
from controller.stuck import Still

HELD_S = 30.0  # fresh water changes within that
MUTE_LEAP_S = 120.0  # two readings refused one after the other still belong to the leaps around them
RESTLESS_K = 0.5
WOBBLE_SHARE, LEAN_SHARE = 0.25, 0.25  # of a new reading, in the means of the leaps and of the restless supply


class SeenSupply(Memory):
    """The reading, for how long it has stood still, and how far it leaps to and fro."""

    __slots__ = ("lean_c", "leap_k", "still", "wobble_k")

    def __init__(self) -> None:
        self.still = Still()
        self.lean_c = nan
        self.leap_k = self.wobble_k = 0.0

    @property
    def held(self) -> bool:
        """Whether the reading stands still as no fresh water does."""
        return self.still.same_s >= HELD_S

    @property
    def restless(self) -> bool:
        """Whether the reading leaps to and fro as no water does."""
        return self.wobble_k > RESTLESS_K

    def begin(self, supply_c: float) -> None:
        """Begin a draw: what changed since the last one is no leap."""
        self.still.last, self.leap_k = supply_c, 0.0
        self.lean_c = supply_c

    def update(self, supply_c: float, dt_s: float) -> float:
        """Take a reading of flowing water; return how hot the water may be [degC], NaN for a reading that is missing.

        Of a supply that leaps to and fro that is the mean and one leap: else half of its readings would say that water just
        above the limit is cool, and it would never count as hot.
        """
        leap_k = supply_c - self.still.last
        self.still.update(supply_c, dt_s)
        if supply_c != supply_c:
            return supply_c
        if leap_k != leap_k:
            self.lean_c = supply_c
            leap_k = 0.0
        self.lean_c += LEAN_SHARE * (supply_c - self.lean_c)
        if self.still.same_s > MUTE_LEAP_S:
            self.leap_k = 0.0
        if leap_k != 0.0:  # else a reading that was refused: nothing new
            back_k = min(abs(leap_k), abs(self.leap_k)) if leap_k * self.leap_k < 0.0 else 0.0
            self.wobble_k += WOBBLE_SHARE * (back_k - self.wobble_k)
            self.leap_k = leap_k
        return max(supply_c, self.lean_c + self.wobble_k) if self.restless else supply_c
