"""How many simulated seasons fell inside what `plan` had said of their design?

python bench/plan_check.py out/plan_seasons.jsonl 100 20      # lines of bench/plan_seasons.py, first number, how many
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from sim import Scenario
from sim.plan import make_plan
from sim.population import random_season

DAYS = 120
PAIRS = (("useful_kwh", "heat_useful_kwh"), ("backup_avoided_kwh", "backup_avoided_kwh"))


def main(path: Path, first: int, count: int) -> None:
    """Print a line a season, then the counts."""
    base = Scenario.load("scenarios/mild-wet-winter.toml")
    rows = [json.loads(line) for line in path.read_text().splitlines()]
    rows = [row for row in rows if first <= row["number"] < first + count]
    inside = dict.fromkeys((name for name, _ in PAIRS), 0)
    for row in rows:
        plan = make_plan(random_season(base, row["number"]).design, DAYS)
        told = [f"season {row['number']}: made by the design {plan.made_kwh:,.0f} kWh"]
        for name, measured in PAIRS:
            low, _, high = (getattr(plan, name)[level] for level in ("p10", "p50", "p90"))
            held = low <= row[measured] <= high
            inside[name] += held
            told.append(f"{name} {row[measured]:,.0f} {'in' if held else 'NOT in'} {low:,.0f}..{high:,.0f}")
        print("; ".join(told), flush=True)
    for name, number in inside.items():
        print(f"{name}: {number} of {len(rows)} inside P10-P90")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
