"""Random seasons on the simulator, a JSON line each: what `plan` is calibrated on and checked against.

python bench/plan_seasons.py 100 20 >> out/plan_seasons.jsonl     # twenty seasons from number 100 on

The controller knows the design, the plant is up to 50 % off it (sim/population.py).
"""

from __future__ import annotations

import json
import sys

from controller import Controller
from sim import Scenario
from sim.population import random_season
from sim.season import run_season

DAYS = 120
KEPT = ("heat_useful_kwh", "heat_made_kwh", "backup_avoided_kwh", "backup_without_pile_kwh", "cold_hours_from_draw")


def one(base: Scenario, number: int) -> dict[str, float | None]:
    """Season ``number`` as built, under the controller that knows the design."""
    case = random_season(base, number)
    summary = run_season(case.built, Controller(case.settings), DAYS).summary()
    return {"number": number, "mass_kg": case.design.pile.wet_mass_kg, **{key: summary[key] for key in KEPT}}


if __name__ == "__main__":
    first, count = (int(text) for text in sys.argv[1:3])
    scenario = Scenario.load("scenarios/mild-wet-winter.toml")
    for season in range(first, first + count):
        print(json.dumps(one(scenario, season)), flush=True)
