"""Two separate supplies: panel, charge controller, battery and motor each, compiled.

A battery is an open-circuit voltage over its charge with an inner resistance. The charge controller holds the
absorption voltage, disconnects the load when the battery is low, and latches in error when the voltage breaks
down; a latched controller neither charges nor feeds until it is reconnected in order (`ChargeController`).
"""

from __future__ import annotations

import numpy as np

from sim.compiled import njit
from sim.layout import *  # noqa: F403  indices only

PUMP_SIDE, FAN_SIDE = 0, 1
# rest voltage of a 12 V lead-acid battery at 0, 10, ... 100 % (a solar charge controller manual's table)
_LEAD_V = np.array([10.5, 11.31, 11.58, 11.75, 11.9, 12.06, 12.20, 12.32, 12.42, 12.5, 12.7])
# four lithium iron phosphate cells in series (typical flat curve, from memory)
_LITHIUM_V = np.array([10.0, 12.0, 12.8, 12.9, 13.0, 13.05, 13.1, 13.2, 13.25, 13.3, 13.5])
LEAD_CHARGE_EFFICIENCY, LITHIUM_CHARGE_EFFICIENCY = 0.88, 0.98
COLD_CAPACITY_PER_K = 0.006  # lead-acid, 10-20 h rate, from 25 degC (battery maker's data)
ABSORB_PER_K = -0.018  # temperature compensation of a 12 V lead-acid pack [V/K]
SELF_DISCHARGE_PER_S = 0.03 / (30 * 86400.0)  # about 3 % a month (common practice, no source)
REGULATOR_EFFICIENCY = 0.9


@njit()
def rest_voltage(charge: float, lithium: bool) -> float:
    """Open-circuit voltage of a rested 12 V battery at ``charge`` 0..1. [V]"""
    place = min(max(charge, 0.0), 1.0) * 10.0
    low = min(int(place), 9)
    table = _LITHIUM_V if lithium else _LEAD_V
    return table[low] + (place - low) * (table[low + 1] - table[low])


@njit()
def usable_charge(charge: float, battery_c: float, lithium: bool) -> float:
    """Charge as the cold battery shows it: lead-acid loses capacity below 25 degC (and is granted none above)."""
    if lithium:
        return charge
    capacity = 1.0 + COLD_CAPACITY_PER_K * (min(battery_c, 25.0) - 25.0)
    return 1.0 - (1.0 - charge) / capacity


@njit()
def charge_current_a(y, p, side, panel_w, load_w, battery_c):
    """Current into the battery, before losses (negative: discharge), and its terminal voltage. ([A], [V])"""
    lithium = p[P_BAT_LITHIUM + side] > 0.5
    charge = y[Y_CHARGE + side] / p[P_BAT_CAPACITY + side]
    open_v = rest_voltage(usable_charge(charge, battery_c, lithium), lithium) - p[P_BAT_LOST_V + side]
    limit_v = p[P_BAT_ABSORB + side] + (0.0 if lithium else ABSORB_PER_K * (battery_c - 25.0))
    net = (panel_w * REGULATOR_EFFICIENCY - load_w) / open_v
    if net > 0.0:
        if lithium and battery_c < 0.0 and p[P_BAT_BARE + side] < 0.5:
            net = 0.0  # a protected lithium pack refuses charge below freezing
        taper = 20.0 * (1.0 - charge) * p[P_BAT_CAPACITY + side] / 36000.0  # falls to nothing when full
        net = min(net, taper)
        return net, min(open_v + 10.0 * p[P_BAT_R + side] * net, limit_v)
    return net, max(open_v + p[P_BAT_R + side] * net, 0.0)


@njit()
def supply_step(y, p, side, panel_w, motor_w, battery_c, dt, flags, ledger):
    """Advance one supply by dt seconds: charge, voltage, load connection and latch."""
    if p[P_BAT_CHILL_K + side] > 0.0:  # its shed is half way from air to ground; no battery is colder than the air
        air_c = 2.0 * battery_c - p[P_GROUND_C]
        battery_c = max(battery_c - p[P_BAT_CHILL_K + side], min(battery_c, air_c))
    latched = flags[G_LATCHED_PUMP + side] > 0.5
    connected = flags[G_LOAD_ON_PUMP + side] > 0.5 and not latched
    panel_w = 0.0 if latched else panel_w
    load_w = p[P_BAT_STANDBY + side] + (motor_w if connected else 0.0)
    current, volts = charge_current_a(y, p, side, panel_w, load_w, battery_c)
    lithium = p[P_BAT_LITHIUM + side] > 0.5
    efficiency = LITHIUM_CHARGE_EFFICIENCY if lithium else LEAD_CHARGE_EFFICIENCY
    charge = y[Y_CHARGE + side]
    charge += dt * (current * efficiency if current > 0.0 else current) - dt * SELF_DISCHARGE_PER_S * charge
    y[Y_CHARGE + side] = min(max(charge, 0.0), p[P_BAT_CAPACITY + side])
    flags[G_VOLTS_PUMP + side] = volts
    if volts < p[P_BAT_LATCH + side]:
        flags[G_LATCHED_PUMP + side] = 1.0
    if volts < p[P_BAT_OFF + side]:
        flags[G_LOAD_ON_PUMP + side] = 0.0
    elif volts > p[P_BAT_ON + side]:
        flags[G_LOAD_ON_PUMP + side] = 1.0
    ledger[L_PANEL_J] += dt * panel_w


@njit(inline="always")
def motor_speed(duty, volts, running, start, run):
    """Relative speed of a 12 V motor on pulsed supply and whether it turns. (speed, running)

    From rest it needs ``start``; once turning it keeps on down to ``run`` (duties at 12 V). Friction eats
    0.85 of the smallest running duty, the rest gives speed in proportion.
    """
    drive = duty * volts / 12.0
    if drive < (run if running else start):
        return 0.0, False
    idle = 0.85 * run
    return min((drive - idle) / (1.0 - idle), 1.5), True


class ChargeController:
    """What a grower's hands can do to one supply: disconnect and reconnect battery, panel and load.

    An error latched by the controller clears only if everything was disconnected and then connected again in
    the order battery, panel, load (common practice, no source).
    """

    ORDER = ("battery", "panel", "load")

    def __init__(self, flags: np.ndarray, side: int) -> None:
        self._flags, self._side = flags, side
        self._connected = list(self.ORDER)

    @property
    def latched(self) -> bool:
        """Whether the controller stands in error."""
        return bool(self._flags[G_LATCHED_PUMP + self._side] > 0.5)

    def disconnect_all(self) -> None:
        """Take off load, panel and battery."""
        self._connected = []
        self._flags[G_LOAD_ON_PUMP + self._side] = 0.0

    def connect(self, part: str) -> None:
        """Connect "battery", "panel" or "load"; a wrong order leaves the error standing."""
        if part not in self.ORDER:
            raise ValueError(f"part = {part!r}: must be one of {', '.join(self.ORDER)}")
        self._connected.append(part)
        if tuple(self._connected) == self.ORDER:
            self._flags[G_LATCHED_PUMP + self._side] = 0.0
            self._flags[G_LOAD_ON_PUMP + self._side] = 1.0
