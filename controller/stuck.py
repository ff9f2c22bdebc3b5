"""Finds readings that are stuck: bit-identical while what they measure must have changed.

The supply is judged by the pump: once water is known to move, water that was far from what the coil gives must
show it. Outdoor air and the pile are judged by time alone. A digital probe in a pile can repeat one value for hours,
so days must pass; a stuck pile probe cannot be told from a very steady pile sooner.
"""

from __future__ import annotations

from math import nan

from controller.checks import Readings
from controller.memory import Memory

SUPPLY_S = 300.0  # what stood in the pipe has passed the probe by then
SUPPLY_MUST_MOVE_K = 6.0
OUTDOOR_S = 86400.0
CORE_S = 4 * 86400.0


class Still(Memory):
    """One reading and for how long it has been the same to the last bit [s]."""

    __slots__ = ("last", "same_s")

    def __init__(self) -> None:
        self.last = nan
        self.same_s = 0.0

    def update(self, value: float, dt_s: float) -> float:
        """Take a reading and return for how long it has been the same [s]; NaN is never the same."""
        if value == self.last:
            self.same_s += dt_s
        else:
            self.last, self.same_s = value, 0.0
        return self.same_s


class StuckWatch(Memory):
    """Supply, outdoor and core probes."""

    __slots__ = ("core", "core_stuck", "outdoor", "outdoor_stuck", "passed_s", "supply", "supply_stuck")

    def __init__(self) -> None:
        self.supply = Still()
        self.outdoor = Still()
        self.core = Still()
        self.supply_stuck = False
        self.passed_s = 0.0  # for how long water passed a supply that did not change
        self.outdoor_stuck = False
        self.core_stuck = False

    def screen(self, r: Readings, dt_s: float) -> None:
        """Take the readings and blank a supply that is stuck; an outdoor or core reading is only marked."""
        if self.supply.update(r.water_supply_c, dt_s) == 0.0:
            self.supply_stuck, self.passed_s = False, 0.0
        elif self.supply_stuck:
            r.water_supply_c = nan
        self.outdoor_stuck = self.outdoor.update(r.outdoor_c, dt_s) >= OUTDOOR_S
        self.core_stuck = self.core.update(r.pile_core_c, dt_s) >= CORE_S

    def water_moved(self, far_k: float, on_s: float, dt_s: float) -> None:
        """Note that water surely moves, for ``on_s`` now, with the supply ``far_k`` from what the coil gives [K].

        Only a reading that did not change through the start itself is called stuck; a few short draws prove as much as a
        long one.
        """
        if self.supply.same_s >= on_s and abs(far_k) > SUPPLY_MUST_MOVE_K:
            self.passed_s += dt_s
            self.supply_stuck = self.supply_stuck or self.passed_s >= SUPPLY_S
