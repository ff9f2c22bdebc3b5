"""Keeps a tank or pond from changing faster in a day than its fish bear."""

from __future__ import annotations

from math import nan

from controller.guards import blocked_now
from controller.memory import Memory

HOURS = 24
HOUR_S = 3600.0
BACK_SHARE = 0.1


class TankGuard(Memory):
    """The tank's temperature at the last 24 full hours, and whether it may be warmed further.

    ``rise_k`` and ``fall_k``: how far it stands above the lowest and below the highest of them [K].
    """

    __slots__ = ("_limit_k", "blocked", "fall_k", "highest_c", "hour_s", "hours_c", "lowest_c", "rise_k")

    def __init__(self, limit_k_day: float) -> None:
        self._limit_k = limit_k_day
        self.hours_c = [nan] * HOURS
        self.hour_s = HOUR_S  # the first reading is kept at once
        self.lowest_c = nan
        self.highest_c = nan
        self.rise_k = 0.0
        self.fall_k = 0.0
        self.blocked = False

    def update(self, tank_c: float, dt_s: float) -> bool:
        """Take the temperature and return whether the tank has warmed by its limit within a day; never if unknown."""
        if tank_c != tank_c:
            self.blocked = False
            return False
        self.hour_s += dt_s
        if self.hour_s >= HOUR_S:
            self._keep(tank_c)
        self.rise_k, self.fall_k = tank_c - self.lowest_c, self.highest_c - tank_c
        self.blocked = blocked_now(self.rise_k, self._limit_k, BACK_SHARE * self._limit_k, self.blocked)
        return self.blocked

    @property
    def changes_too_fast(self) -> bool:
        """Whether it has risen or fallen by more than its limit within a day."""
        return self.rise_k > self._limit_k or self.fall_k > self._limit_k

    def _keep(self, tank_c: float) -> None:
        self.hour_s = 0.0
        self.hours_c = [*self.hours_c[1:], tank_c]
        known = [value for value in self.hours_c if value == value]
        self.lowest_c, self.highest_c = min(known), max(known)
