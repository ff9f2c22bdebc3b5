"""Ledgers for tests: a short simulated season, or ticks by hand."""

from dataclasses import replace
from pathlib import Path

from controller import Commands, Controller, Decision, Measurements
from warmheap.ledger import Ledger
from warmheap.ledger_clerk import Clerk
from warmheap.ledger_season import write_season
from warmheap.loop import Tick

SCENARIO = Path(__file__).parents[2] / "scenarios" / "hard-northern-winter.toml"
BEGAN_S = 1_767_225_600.0  # 2026-01-01 00:00 UTC
READ = {
    "pile_core_c": 58.0, "water_supply_c": 40.0, "water_return_c": 20.0, "water_flow_kg_s": 0.06, "greenhouse_c": 5.0,
    "greenhouse_rh": 0.8, "outdoor_c": 0.0, "pump_battery_v": 12.6, "fan_battery_v": 12.6,
}  # fmt: skip


def hot_season(path, days=3.0, seed=1):
    """A pile that is hot from the start, so that a short season draws; returns the plant."""
    from sim import Plant, Scenario

    scenario = Scenario.load(SCENARIO)
    hot = scenario.pile.model_copy(update={"initial_temperature": 58.0, "start_activity": 0.8})
    january = scenario.place.model_copy(update={"start": "01-10"})
    plant = Plant(scenario.model_copy(update={"pile": hot, "place": january}), seed=seed)
    settings = replace(scenario.controller_settings(), start_hold_s=3600.0)
    write_season(path, plant, Controller(settings), days)
    return plant


def decision(pump=0.0, fan=0.0, phase="harvest", limit="flow", alarms=()):
    return Decision(Commands(pump, fan), phase, limit, "why", alarms)


def ticks(path, steps, settings=None, every_s=60.0, began_s=BEGAN_S):
    """A ledger of (readings that differ from ``READ``, decision) a minute."""
    from controller import ControllerSettings

    ledger, clerk = Ledger(path), Clerk()
    rows = clerk.begins(Controller(settings or ControllerSettings()), began_s)
    for n, (readings, decided) in enumerate(steps):
        m = Measurements(time_s=began_s + every_s * n, **(READ | readings))
        rows += clerk.tick(Tick(m, decided, 0.0, 0.0), m.time_s)
        rows += clerk.alarms(decided.alarms, m.time_s)[0]
    ledger.write(rows)
    ledger.roll_up(to_the_end=True)
    ledger.close()
