"""Battery guards: each side rests on its own low battery and works again only after a real recovery.

Three services share a battery: frost pulses, a crop at risk, and any other draw. Each has its own lowest voltage, by the
order of giving way (``controller.giving_way.reserve_levels_v``).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan
from typing import NamedTuple

from controller.memory import Memory

LEAD_ACID, LITHIUM = "lead-acid", "lithium"
SAME = "same"
FILTER_S = 120.0
LOOP_OHM = 0.08  # inner resistance and wires: a motor of 60 W at full duty pulls 12 V down by 0.4 V (own judgement)
NOMINAL_V = 12.0
BACK_V = 0.2  # how far a service must find the battery above its lowest voltage to begin again
COLD_FLAT_C = -7.0  # a flat lead-acid battery freezes from here on (maker's table: flat -12..-7 degC)


@dataclass(frozen=True, slots=True)
class Chemistry:
    """Rest voltages of a 12 V battery that mean something [V].

    ``low_v`` and ``ok_v``: where ordinary work ends and begins again. ``empty_v``: the last of the reserve, above the
    cut-off of common charge controllers. ``charging_v``: only a battery being charged is above this.
    """

    low_v: float
    ok_v: float
    empty_v: float
    charging_v: float


# Lead-acid: about 40, 70, 30 % by a charge controller manual's table of rest voltages (11.9, 12.32, 11.75 V); load
# cut-off 11.4-11.5 V. Lithium iron phosphate, four cells: cut-off 12.25 V in a charger manual; flat curve from memory.
CHEMISTRIES = {
    LEAD_ACID: Chemistry(low_v=11.9, ok_v=12.4, empty_v=11.75, charging_v=13.2),
    LITHIUM: Chemistry(low_v=12.8, ok_v=13.1, empty_v=12.5, charging_v=13.5),
}


class Battery(NamedTuple):
    """The battery of one supply: its chemistry, and between which rest voltages [V] its output works."""

    kind: str
    low_v: float
    ok_v: float

    @property
    def chemistry(self) -> Chemistry:
        """What its rest voltages mean."""
        return CHEMISTRIES[self.kind]


def may_run(volts: float, was_allowed: bool, low_v: float, ok_v: float) -> bool:
    """Tell whether an output may run: off below ``low_v``, on again at ``ok_v`` [V], between them as before.

    An unknown voltage (NaN) changes nothing.
    """
    if volts < low_v:
        return False
    return True if volts >= ok_v else was_allowed


def sag_v(duty: float, power_w: float) -> float:
    """Return what wires and battery lose under a motor of ``power_w`` at ``duty`` [V]."""
    return LOOP_OHM * duty * power_w / NOMINAL_V


def charging_harms(kind: str, outdoor_c: float) -> bool:
    """Tell whether a battery kept outdoors must not be charged: lithium plates metal below freezing."""
    return kind == LITHIUM and outdoor_c < 0.0


def battery_freezes(kind: str, volts: float, outdoor_c: float) -> bool:
    """Tell whether a battery kept outdoors is flat enough and cold enough to freeze: lead-acid below its reserve."""
    return kind == LEAD_ACID and outdoor_c < COLD_FLAT_C and volts < CHEMISTRIES[LEAD_ACID].empty_v


class BatteryGuard(Memory):
    """Filtered rest voltage of one battery and which service may run on it."""

    __slots__ = ("_crop_v", "_frost_v", "_low_v", "_ok_v", "_power_w", "allowed", "crop", "frost", "volts")

    def __init__(
        self,
        low_v: float,
        ok_v: float,
        power_w: float = 60.0,
        frost_v: float | None = None,
        crop_v: float | None = None,
    ) -> None:
        self._low_v, self._ok_v, self._power_w = low_v, ok_v, power_w
        self._frost_v = low_v if frost_v is None else frost_v
        self._crop_v = low_v if crop_v is None else crop_v
        self.volts = nan
        self.allowed = True
        self.frost = True
        self.crop = True

    def update(self, measured_v: float, duty: float, dt_s: float) -> bool:
        """Take a voltage measured under ``duty`` (0..1) and return whether the output may do ordinary work."""
        if measured_v == measured_v:
            rest_v = measured_v + sag_v(duty, self._power_w)
            if self.volts == self.volts:
                self.volts += (rest_v - self.volts) * dt_s / (FILTER_S + dt_s)
            else:
                self.volts = rest_v
        volts = self.volts
        if volts >= self._ok_v:
            self.allowed = self.frost = self.crop = True
        else:
            self.allowed = may_run(volts, self.allowed, self._low_v, self._ok_v)
            self.frost = self._serves(self._frost_v, self.frost)
            self.crop = self._serves(self._crop_v, self.crop)
        return self.allowed

    def _serves(self, least_v: float, was: bool) -> bool:
        """A service that has no privilege follows the ordinary rule, hysteresis included."""
        if least_v >= self._low_v:
            return self.allowed
        return self.allowed or may_run(self.volts, was, least_v, least_v + BACK_V)
