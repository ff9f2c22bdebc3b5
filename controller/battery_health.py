"""Tells a flat battery, a worn one and a latched charge controller apart, as far as volts allow.

Volts show three things: how far they fall when a motor starts (a load that is cut off pulls nothing down, a worn battery
gives way more than it used to), whether the panel has charged for hours lately, and how much work the battery did since.
They do not show: a battery that was worn before the controller first saw it, until it has been charged and used once;
a load cut off, where wires and battery are so stout that a start never pulls the volts down visibly, or before a dozen
starts; a weak panel from a dull week. Then the answer is "low", and the alarm lists what to look at.
"""

from __future__ import annotations

from math import nan

from controller.memory import Memory
from controller.power import sag_v

FINE, LOW, FLAT, WORN, LATCHED = "", "low", "flat", "worn", "latched"
TELLING_V = 0.1  # a start that should pull the battery down by less is lost in the noise
VISIBLE_SHARE = 0.15  # of the sag that is usual with thin wires: less cannot be told from none
TELLING_STARTS = 12.0
NO_SAG, GREAT_SAG = 0.25, 3.0  # of this battery's own usual sag
GAIN, USUAL_GAIN = 0.3, 0.03
DARK_S = 36 * 3600.0  # a night, a day and a night without charge
CHARGED_S = 2 * 3600.0
HELD_V = 0.2
CHARGED_ANEW_S = 12 * 3600.0
WORN_WH = 50.0  # 4 Ah: a sound battery of the smallest useful size gives several times that from full to low


class BatteryHealth(Memory):
    """What one battery has shown."""

    __slots__ = (
        "_charging_v",
        "_power_w",
        "charge_s",
        "charged",
        "dark_s",
        "last_duty",
        "rest_v",
        "sag_share",
        "starts",
        "used_wh",
        "usual_share",
    )

    def __init__(self, charging_v: float, power_w: float) -> None:
        self._charging_v, self._power_w = charging_v, power_w
        self.rest_v = nan
        self.last_duty = 0.0
        self.sag_share = nan
        self.usual_share = nan
        self.starts = 0.0
        self.dark_s = 0.0
        self.charge_s = 0.0
        self.charged = False
        self.used_wh = 0.0

    def update(self, measured_v: float, duty: float, dt_s: float) -> None:
        """Take the voltage measured under ``duty``, the command of the last step."""
        self.used_wh += duty * self._power_w * dt_s / 3600.0
        if measured_v >= self._charging_v:
            self._charge(dt_s)
        else:
            self.dark_s += dt_s
            if self.dark_s > CHARGED_ANEW_S:
                self.charge_s = 0.0
        if duty <= 0.0:
            self.rest_v = measured_v
        elif self.last_duty <= 0.0:
            self._learn_sag(measured_v, duty)
        self.last_duty = duty

    def _charge(self, dt_s: float) -> None:
        self.dark_s = 0.0
        self.charge_s += dt_s
        if self.charge_s >= CHARGED_S:
            self.charged, self.used_wh = True, 0.0

    def _learn_sag(self, measured_v: float, duty: float) -> None:
        """Learn from a start; not while the charge controller holds the voltage, which hides the sag."""
        expected_v = sag_v(duty, self._power_w)
        if expected_v < TELLING_V or not self.rest_v < self._charging_v - HELD_V or measured_v != measured_v:
            return
        share = min(max((self.rest_v - measured_v) / expected_v, -1.0), 10.0)
        self.starts += 1.0
        if self.usual_share != self.usual_share:
            self.sag_share = self.usual_share = share
        self.sag_share += GAIN * (share - self.sag_share)
        self.usual_share += max(USUAL_GAIN, 1.0 / self.starts) * (share - self.usual_share)

    def load_works(self) -> None:
        """Take it that the motor was seen to do its work: where a start pulls the volts down by little, noise hides that."""
        if self.sag_share < self.usual_share:
            self.sag_share = self.usual_share

    @property
    def sag_change(self) -> float:
        """The sag of late over the usual one; NaN while that cannot be told."""
        told = self.starts >= TELLING_STARTS and self.usual_share >= VISIBLE_SHARE
        return self.sag_share / self.usual_share if told else nan

    def verdict(self, low: bool, idle: bool) -> str:
        """Return what is wrong; ``low``: the output rests on its voltage, ``idle``: it is driven but does nothing."""
        if not low and not idle:
            return FINE
        return diagnosis(low, idle, self.sag_change, self.dark_s, self.charged, self.used_wh)


def diagnosis(low: bool, idle: bool, sag_change: float, dark_s: float, charged: bool, used_wh: float) -> str:
    """Return ``FINE``, ``LOW`` (cannot be told), ``FLAT``, ``WORN`` or ``LATCHED``.

    Starts pull the battery down by ``sag_change`` times what is usual for it (NaN: not known); for ``dark_s`` no charge
    was seen; since the last good charge, if one was seen (``charged``), ``used_wh`` were used.
    """
    dark = dark_s >= DARK_S
    if sag_change < NO_SAG and (idle or (low and dark)):
        return LATCHED
    if not low:
        return FINE
    if sag_change > GREAT_SAG or (charged and not dark and used_wh < WORN_WH):
        return WORN
    return FLAT if dark else LOW
