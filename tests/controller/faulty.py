"""A live plant of readings for the tests of detection: sound by itself, changed by a fault from a given moment on.

No physics of heat: readings that follow the commands as those of a sound plant do, with noise. Invented.
"""

from __future__ import annotations

from collections.abc import Callable
from math import nan
from random import Random

from helpers import drawing_controller

from controller import Controller, Decision, Measurements
from controller.power import sag_v

Seen = dict[str, float]
Fault = Callable[[Seen, float, "LivePlant"], None]
NOISE = {"_c": 0.06, "_rh": 0.01, "_v": 0.02}


class LivePlant:
    """Pump, fan and probes that follow the last commands."""

    def __init__(self, seed: int = 1, **base: float) -> None:
        self.chance = Random(seed)
        self.base = base
        self.pump_duty = self.fan_duty = 0.0
        self.supply_c = 25.0

    def readings(self, tick_s: float) -> Seen:
        """Return what all sensors read now, ``tick_s`` after the last time."""
        flow = max(0.0, 0.5 * (self.pump_duty - 0.14))
        warm_c = 44.0 if flow else self.base.get("greenhouse_c", 6.0) + 6.0
        self.supply_c += (warm_c - self.supply_c) * min(tick_s / (120.0 if flow else 3600.0), 1.0)
        seen = {
            "pile_core_c": 62.0,
            "pile_edge_c": 45.0,
            "water_supply_c": self.supply_c,
            "water_return_c": 14.0,
            "water_flow_kg_s": flow * self.chance.gauss(1.0, 0.02),
            "air_supply_c": 30.0 if self.fan_duty else 8.0,
            "air_supply_rh": 0.93 if self.fan_duty else 0.7,
            "fan_speed_hz": 45.0 * self.fan_duty,
            "greenhouse_c": 6.0,
            "greenhouse_rh": 0.7,
            "outdoor_c": 2.0,
            "tank_c": 12.0,
            "pump_battery_v": 12.8 - sag_v(self.pump_duty, 60.0),
            "fan_battery_v": 12.8 - sag_v(self.fan_duty, 40.0),
        } | self.base
        for name in seen:
            seen[name] += self.chance.gauss(0.0, next((s for end, s in NOISE.items() if name.endswith(end)), 0.0))
        return seen


def play(
    fault: Fault,
    hours: float,
    sound_hours: float = 2.0,
    tick_s: float = 60.0,
    controller: Controller | None = None,
    **base: float,
) -> tuple[dict[str, float], Decision]:
    """Run a drawing controller soundly, then with the fault; return when each alarm came up after it, and the end [s].

    ``fault(seen, since_s, plant)`` changes the readings in place.
    """
    ready, begin_s = drawing_controller()
    controller = controller or ready
    for leap in controller.leap.leaps:  # it comes from other readings, whose end is no fault
        leap.begin()
    plant, told = LivePlant(**base), {}
    for k in range(round((sound_hours + hours) * 3600.0 / tick_s)):
        since_s = k * tick_s - sound_hours * 3600.0
        seen = plant.readings(tick_s)
        if since_s >= 0.0:
            fault(seen, since_s, plant)
        d = controller.step(Measurements(time_s=begin_s + k * tick_s, **seen))
        plant.pump_duty, plant.fan_duty = d.commands.pump_duty, d.commands.fan_duty
        for alarm in d.alarms if since_s >= 0.0 else ():  # the controller comes from days of still readings
            told.setdefault(alarm.code, since_s)
    return told, d


def nothing(seen: Seen, since_s: float, plant: LivePlant) -> None:
    """No fault."""


def reads(**changes: float) -> Fault:
    """A fault that sets readings."""

    def fault(seen: Seen, since_s: float, plant: LivePlant) -> None:
        seen |= changes

    return fault


def silent(*names: str) -> Fault:
    """A fault that takes readings away."""
    return reads(**dict.fromkeys(names, nan))


def swapped(one: str, other: str) -> Fault:
    """Two probes that took each other's place."""

    def fault(seen: Seen, since_s: float, plant: LivePlant) -> None:
        seen[one], seen[other] = seen[other], seen[one]

    return fault


def scaled(name: str, per_day: float) -> Fault:
    """A reading that loses a share of itself each day."""

    def fault(seen: Seen, since_s: float, plant: LivePlant) -> None:
        seen[name] *= max(0.0, 1.0 + per_day * since_s / 86400.0)

    return fault
