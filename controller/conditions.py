"""What is so now, one yes or no for each alarm, in the order of ``controller.alarm_kinds.KINDS``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from controller.battery_health import FLAT, LATCHED, LOW, WORN, BatteryHealth
from controller.checks import Readings
from controller.frost import frost_threat
from controller.guards import HOT_DAY_TOLD_S
from controller.phases import DRAINED, HOLD_OFF, WINDING_DOWN
from controller.power import battery_freezes, charging_harms
from controller.pump import METER_WORKS_KG_S
from controller.slow_watch import CORE_EDGE_K
from controller.view import View

if TYPE_CHECKING:
    from controller.core import Controller

FROST_COST, FROST_DRAINS = 0.1, 0.5  # of the heat made (own judgement)
TOO_HOT_C = 72.0


def conditions(c: Controller, r: Readings, v: View) -> tuple[bool, ...]:
    """Return what is so after this step."""
    return (*_sensors(c), *_power(c, r), *_water(c, r, v), *_pile(c, v), *_air(c, r), *c.slow.found)


def _sensors(c: Controller) -> tuple[bool, ...]:
    checks, stuck, unseen = c.checks, c.stuck, c.pile.unseen
    return (
        unseen and (checks.fitted("pile_core_c") or checks.fitted("pile_edge_c")),
        not unseen and checks.lost("pile_core_c"),
        stuck.core_stuck or c.pile.unmoved.told,
        checks.lost("water_supply_c"),
        stuck.supply_stuck,
        c.swap.swapped,
        stuck.outdoor_stuck,
        c.leap.leapt > 0.0,
    )


def _power(c: Controller, r: Readings) -> tuple[bool, ...]:
    pump, fan, volts_lost = c.settings.battery_kind, c.settings.fan_kind, c.checks.lost
    return (
        *_supply(c.pump_health, c.pump_battery.allowed, c.pump.locked, volts_lost("pump_battery_v")),
        *_supply(
            c.fan_health, c.fan_battery.allowed, c.fan_watch.locked or c.fan_watch.mute, volts_lost("fan_battery_v")
        ),
        charging_harms(pump, r.outdoor_c) or charging_harms(fan, r.outdoor_c),
        battery_freezes(pump, c.pump_battery.volts, r.outdoor_c)
        or battery_freezes(fan, c.fan_battery.volts, r.outdoor_c),
    )


def _supply(health: BatteryHealth, allowed: bool, idle: bool, volts_lost: bool) -> tuple[bool, bool, bool, bool]:
    """One supply: low for reasons unknown or unread, flat, worn, cut off."""
    if allowed and not idle:  # nearly always
        return volts_lost, False, False, False
    verdict = health.verdict(not allowed, idle)
    return verdict == LOW or (not verdict and volts_lost), verdict == FLAT, verdict == WORN, verdict == LATCHED


def _water(c: Controller, r: Readings, v: View) -> tuple[bool, ...]:
    pump, drained = c.pump, c.phase == DRAINED
    locked = pump.locked and not drained
    cut = locked and c.pump_health.verdict(False, True) == LATCHED  # one fault, one notice
    return (
        locked and not pump.locked_cold and not cut,
        locked and pump.locked_cold and not cut,
        pump.dead_meter,
        c.slow.idle.lies or (pump.duty <= 0.0 and r.water_flow_kg_s > METER_WORKS_KG_S),
        (pump.duty > 0.0 and r.water_supply_c > c.settings.supply_max_c) or c.loop.hot.told_s > HOT_DAY_TOLD_S,
        not drained
        and (v.frost_barred or pump.locked)
        and frost_threat(c.frost_outdoor_c(r), r.water_return_c, r.water_supply_c),
        c.frost.heat_day_w > FROST_COST * v.made_w,
        c.frost.heat_day_w > FROST_DRAINS * v.made_w and v.room_k <= 0.0,
    )


def _pile(c: Controller, v: View) -> tuple[bool, ...]:
    return (
        # an edge far hotter than the core contradicts it: that has an alarm of its own
        v.core_c < c.settings.pile_floor_c and c.phase != HOLD_OFF and not c.slow.edge_above_k > CORE_EDGE_K,
        v.spending,
        v.core_c > TOO_HOT_C,
        c.phase == WINDING_DOWN,
    )


def _air(c: Controller, r: Readings) -> tuple[bool, ...]:
    watch = c.fan_watch
    return (
        r.greenhouse_co2 > c.settings.co2_max,
        c.checks.lost("greenhouse_co2"),
        watch.locked,
        watch.mute,
        watch.runs_on,
        c.tank.changes_too_fast,
    )
