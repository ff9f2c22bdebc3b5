"""What the supply probe shows while water flows: how hot the water may be, and whether the reading tells anything.

Fresh water changes all the time and one way for minutes. A reading that does not move is held or stuck, and one that
leaps to and fro is the probe's noise.
"""

from __future__ import annotations

from controller.memory import Memory
from controller.wobble import RESTLESS_K, Wobble

HELD_S = 30.0  # fresh water changes within that


class SeenSupply(Memory):
    """The reading of one draw."""

    __slots__ = ("kept_s", "wobble")

    def __init__(self) -> None:
        self.kept_s = 0.0  # for how long the reading before the last one stood, or still stands
        self.wobble = Wobble()

    @property
    def held(self) -> bool:
        """Whether the reading stands still as no fresh water does."""
        return self.wobble.still.same_s >= HELD_S

    def unmoved(self, on_s: float) -> bool:
        """Whether the reading is what it was when the draw began, ``on_s`` ago: fresh water would have changed it."""
        return self.held and self.wobble.still.same_s >= on_s

    @property
    def restless(self) -> bool:
        """Whether the reading leaps to and fro as no water does, or did of late."""
        return self.wobble.noise_k > RESTLESS_K

    @property
    def mean_c(self) -> float:
        """As hot as the water was seen of late in this draw [degC]."""
        return self.wobble.mean_c

    def begin(self, supply_c: float) -> None:
        """Begin a draw: what changed since the last one is no leap."""
        self.wobble.begin(supply_c)

    def update(self, supply_c: float, dt_s: float) -> float:
        """Take a reading of flowing water; return how hot the water may be [degC], NaN for a reading that is missing.

        Of a supply that leaps to and fro that is the mean and one leap: else half of its readings would say that water just
        above the limit is cool, and it would never count as hot.
        """
        wobble = self.wobble
        self.kept_s = wobble.still.same_s
        wobble.update(supply_c, dt_s)
        if not self.restless or supply_c != supply_c:
            return supply_c
        return max(supply_c, wobble.mean_c + wobble.noise_k)
