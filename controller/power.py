"""Battery guards: each side rests on its own low battery and works again only after a real recovery."""

from __future__ import annotations

from math import nan

from controller.memory import Memory

FILTER_S = 120.0
SAG_V = 0.4  # what wires and battery lose under a motor at full duty; judgement, no source


def may_run(volts: float, was_allowed: bool, low_v: float, ok_v: float) -> bool:
    """Tell whether an output may run: off below ``low_v``, on again at ``ok_v`` [V], between them as before.

    An unknown voltage (NaN) changes nothing.
    """
    if volts < low_v:
        return False
    return True if volts >= ok_v else was_allowed


class BatteryGuard(Memory):
    """Filtered rest voltage of one battery and whether its output may run."""

    __slots__ = ("_low_v", "_ok_v", "allowed", "volts")

    def __init__(self, low_v: float, ok_v: float) -> None:
        self._low_v, self._ok_v = low_v, ok_v
        self.volts = nan
        self.allowed = True

    def update(self, measured_v: float, duty: float, dt_s: float) -> bool:
        """Take a voltage measured under ``duty`` (0..1) and return whether the output may run."""
        if measured_v == measured_v:
            rest_v = measured_v + SAG_V * duty
            if self.volts == self.volts:
                self.volts += (rest_v - self.volts) * dt_s / (FILTER_S + dt_s)
            else:
                self.volts = rest_v
        self.allowed = may_run(self.volts, self.allowed, self._low_v, self._ok_v)
        return self.allowed
