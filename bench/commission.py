"""Commissioning on random plants: how near the session comes to the truth, and what it says when it cannot.

python bench/commission.py [--plants 50] [--core-k 1.0] [--first 0]

Each plant is drawn as in ``sim.population.random_season`` (pile, coil, pump, fan, skin up to 50 % off the design)
and differs in starting and running duty of pump and fan, line length and probe lag by up to 50 % too. The session knows
the design.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np

from sim.population import random_season
from sim.scenario import Scenario
from warmheap.commission_sim import Session, commission, compared

SCENARIO = Path(__file__).parents[1] / "scenarios" / "mild-wet-winter.toml"
TICK_S = 2.0
SPREAD = 0.5
ALSO = (
    ("pump.run_duty", "pump.start_duty"),
    ("fan.run_duty", "fan.start_duty"),
    ("line.length",),
    ("sensors.water_temperature.lag",),
)


def plant(base: Scenario, number: int) -> tuple[Scenario, object]:
    season = random_season(base, number)
    chance = np.random.default_rng([21, number])
    changes = {}
    for names in ALSO:
        factor = float(chance.uniform(1.0 - SPREAD, 1.0 + SPREAD))
        for name in names:
            table, field = name.rsplit(".", 1)
            value = season.built
            for part in table.split("."):
                value = getattr(value, part)
            changes[name] = factor * getattr(value, field)
    return season.built.varied(changes), season.settings


def judged(done: Session) -> dict[str, str]:
    """For each goal: "met", "missed" (called good, but off), or what the session said instead."""
    beside, verdicts = compared(done), done.learned.verdicts()
    delay, true_delay = beside["supply_delay_s"]
    ua, true_ua = beside["coil_ua_w_k"]
    goals = {
        "pump": beside["pump_curve_error"] <= 0.05,
        "start": abs(delay - true_delay) <= TICK_S + 0.1 * true_delay,
        "coil": abs(ua / true_ua - 1.0) <= 0.15,
        "probes": abs(np.subtract(*beside["return_offset_k"])) <= 0.1,
        "fan": abs(np.subtract(*beside["fan_start_duty"])) <= 0.015,
    }
    return {k: ("met" if met else "missed") if verdicts[k].good else verdicts[k].kind for k, met in goals.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--plants", type=int, default=50)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--core-k", type=float, default=1.0)
    args = parser.parse_args()
    base, began = Scenario.load(SCENARIO), time.perf_counter()
    results, rows = [], []
    for number in range(args.first, args.first + args.plants):
        scenario, settings = plant(base, number)
        done = commission(scenario, settings, number, core_k=args.core_k)
        beside = compared(done)
        results.append(judged(done))
        rows.append((done, beside))
        bad = {k: v for k, v in results[-1].items() if v == "missed"}
        if bad or done.guards:
            pairs = {k: tuple(round(x, 3) for x in v) for k, v in beside.items() if isinstance(v, tuple)}
            print(f"plant {number}: {bad or ''} {'; '.join(done.guards)} {pairs}", flush=True)
    print(f"{args.plants} plants, core may cool {args.core_k:g} K, {time.perf_counter() - began:.0f} s")
    print(f"{'goal':28}{'met':>6}{'missed':>8}{'repeat':>8}{'cannot be told':>16}")
    for key, text in (
        ("pump", "pump curve within 5 %"), ("start", "delay in tick + 10 %"), ("coil", "coil UA within 15 %"),
        ("probes", "return probe within 0.1 K"), ("fan", "fan start within 0.015"),
    ):  # fmt: skip
        counts = [sum(r[key] == word for r in results) for word in ("met", "missed", "repeat", "cannot be told")]
        print(f"{text:28}{counts[0]:6}{counts[1]:8}{counts[2]:8}{counts[3]:16}")
    drops = np.array([done.core_drop_k for done, _ in rows])
    minutes = np.array([done.lasted_s / 60.0 for done, _ in rows])
    print(f"guards tripped in {sum(bool(done.guards) for done, _ in rows)} plants")
    print(
        f"core cooled by {np.median(drops):.2f} K median, {drops.max():.2f} K most; {(drops > args.core_k).sum()} above"
    )
    print(f"{np.median(minutes):.0f} minutes median, {minutes.max():.0f} most")
    errors = np.array([beside["pump_curve_error"] for _, beside in rows])
    print(f"pump curve: worst error of a plant {np.nanmedian(errors):.3f} median, {np.nanmax(errors):.3f} most")


if __name__ == "__main__":
    main()
