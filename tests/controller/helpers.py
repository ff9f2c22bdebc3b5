"""Readings and little loops that the tests of the controller share."""

from __future__ import annotations

import json
from functools import cache
from math import nan

from controller import Controller, ControllerSettings, Decision, Measurements
from controller.phases import HARVEST

START_S = 1.7e9
CALM: dict[str, float] = {
    "pile_core_c": 62.0,
    "pile_edge_c": 45.0,
    "water_supply_c": 40.0,
    "water_return_c": 20.0,
    "water_flow_kg_s": 0.0,
    "air_supply_c": 25.0,
    "air_supply_rh": 0.9,
    "fan_speed_hz": 0.0,
    "greenhouse_c": 6.0,
    "greenhouse_rh": 0.7,
    "outdoor_c": 5.0,
    "tank_c": 12.0,
    "pump_battery_v": 12.8,
    "fan_battery_v": 12.8,
}
DRAWING = ControllerSettings(start_hold_s=3600.0)
READY_S = 4.5 * 86400.0
SILENT: dict[str, float] = dict.fromkeys(CALM, nan)


def reading(time_s: float = START_S, **changes: float) -> Measurements:
    """A calm winter evening, with changes."""
    return Measurements(time_s=time_s, **(CALM | changes))


def run(
    controller: Controller, seconds: float, tick_s: float = 60.0, begin_s: float = START_S, **changes: float
) -> Decision:
    """Feed the same readings for ``seconds``, the flow meter following the pump, and return the last decision."""
    decision = controller.step(reading(begin_s, **changes))
    elapsed_s = 0.0
    while elapsed_s < seconds:
        elapsed_s += tick_s
        flow = 0.06 if decision.commands.pump_duty > 0.0 else 0.0
        decision = controller.step(reading(begin_s + elapsed_s, **({"water_flow_kg_s": flow} | changes)))
    return decision


@cache
def _ready_to_draw() -> str:
    controller = Controller(DRAWING)
    run(controller, READY_S, tick_s=120.0, greenhouse_c=15.0)
    assert controller.phase == HARVEST and controller.account.fullness > 0.9
    return json.dumps(controller.snapshot())


def drawing_controller() -> tuple[Controller, float]:
    """A controller past its first draw with a full heat account, and the time it has come to."""
    return Controller.restore(DRAWING, json.loads(_ready_to_draw())), START_S + READY_S


def reborn(controller: Controller, settings: ControllerSettings) -> Controller:
    """The same controller after a restart: its snapshot through JSON text and back."""
    return Controller.restore(settings, json.loads(json.dumps(controller.snapshot(), allow_nan=False)))
