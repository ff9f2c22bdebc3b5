"""Harvest, pile and estimate over random seasons: our controller against its opponents and the clairvoyant.

    python bench/harvest.py --seasons 20              # with the clairvoyant bound (minutes a season)
    python bench/harvest.py --seasons 20 --tuned      # and the best of 162 fixed rules, searched for each season
    python bench/harvest.py --seasons 1000 --no-bound # cold hours only
    python bench/harvest.py --seasons 20 --no-bound --valve # with and without a mixing valve

Every season is a random plant up to 50 % off its design, in real weather (`sim.population`); the controller is told
the design only. Heat and cold hours are always named together. The clairvoyant is the best draw law found by a search
that sees the true pile and knows the season beforehand (`sim.clairvoyant`): a lower estimate of the true best.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from controller import Controller, Decision, Measurements
from sim import Scenario, run_season
from sim.clairvoyant import search
from sim.policies import Policy, make_policy
from sim.population import RandomSeason, random_season
from sim.search import best_rule

BASE = Path(__file__).parent.parent / "scenarios" / "mild-wet-winter.toml"
FROST_ONLY = "frost service only"  # our controller with a floor that no pile clears
# and with a valve that blends the hot water down behind the pile: the clairvoyant heeds no scald limit either
VALVE, VALVE_C = "warmheap behind a mixing valve", 80.0
OPPONENTS = ("thermostat", "demand", "timer")
SETTLED_S = 48 * 3600.0
HOUR_S, DAY_S = 3600.0, 86400.0
FLOOR_C = 45.0
Z_90 = 1.645


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is run of each season, for how many days, and the generations of the clairvoyant's search."""

    days: float
    bound: bool
    rounds: int
    tuned: bool
    valve: bool


class Listener:
    """The controller with its hourly estimates written down beside."""

    name = "warmheap"

    def __init__(self, controller: Controller) -> None:
        self._controller = controller
        self.rows: list[tuple[float, ...]] = []
        self._next_s = self._began_s = float("nan")

    def step(self, m: Measurements) -> Decision:
        """Decide, and note the estimate once an hour."""
        decision = self._controller.step(m)
        if not m.time_s < self._next_s:
            if self._began_s != self._began_s:
                self._began_s = m.time_s
            self._next_s = m.time_s + HOUR_S
            e = decision.estimate
            self.rows.append((m.time_s - self._began_s, e.core_c, e.core_sd_c, e.left_low_days, e.left_high_days))
        return decision


def days_held(rows: list[tuple[float, ...]], elapsed_s: Any, core_c: Any) -> float:
    """How often the interval of the days left holds the truth, in the first 80 days while the core is warm.

    The truth is the last time the core is at 45 degC; a pile still warm at the end has at least that long.
    """
    warm = np.asarray(core_c) >= FLOOR_C
    last_d = float(np.asarray(elapsed_s)[warm][-1]) / DAY_S if warm.any() else 0.0
    lives = warm[-1]
    asked = np.array([r for r in rows if SETTLED_S < r[0] < min(80.0, last_d) * DAY_S and r[3] == r[3]])
    if not len(asked):
        return float("nan")
    left_d = last_d - asked[:, 0] / DAY_S
    at_least = asked[:, 3] <= left_d
    return float((at_least | lives)[asked[:, 4] >= left_d].sum() / len(asked))


def estimate_errors(rows: list[tuple[float, ...]], elapsed_s: Any, core_c: Any) -> dict[str, float]:
    """Error of the core estimate after two days, and how often its 90 % interval holds the truth."""
    seen = np.array([row for row in rows if row[0] > SETTLED_S and row[1] == row[1]])
    if not len(seen):
        return {"core_rms_k": float("nan"), "core_bias_k": float("nan"), "held_90": float("nan")}
    miss = seen[:, 1] - np.interp(seen[:, 0], elapsed_s, core_c)
    return {
        "core_rms_k": float(np.sqrt((miss**2).mean())),
        "core_bias_k": float(miss.mean()),
        "held_90": float((np.abs(miss) <= Z_90 * seen[:, 2]).mean()),
    }


def judge(case: RandomSeason, wanted: Wanted) -> dict[str, Any]:
    """Everything about one random season."""
    days = wanted.days
    listener = Listener(Controller(case.settings))
    result = run_season(case.built, listener, days=days, seed=case.number)
    row: dict[str, Any] = {
        "season": case.number,
        "volume_m3": case.built.pile.volume,
        "warmheap": scores(result.summary()),
    }
    row.update(estimate_errors(listener.rows, result.history.elapsed_s, result.history["core_c"]))
    row["days_held"] = days_held(listener.rows, result.history.elapsed_s, result.history["core_c"])
    others: dict[str, Policy] = {}
    if wanted.tuned:
        others["tuned"] = make_policy("tuned", case.built, best_rule(case.built, days, case.number, workers=1).rule)
    if wanted.valve:
        others[VALVE] = Controller(replace(case.settings, supply_max_c=VALVE_C))
    if wanted.bound:
        others[FROST_ONLY] = Controller(replace(case.settings, pile_floor_c=60.0, start_core_c=60.0))
        others |= {name: make_policy(name, case.built) for name in OPPONENTS}
    for name, policy in others.items():
        row[name] = scores(run_season(case.built, policy, days=days, seed=case.number).summary())
    if wanted.bound:
        best = search(case.built, days, case.number, rounds=wanted.rounds, crowd=1)
        row["clairvoyant"] = {
            "backup_avoided_kwh": best.backup_avoided_kwh,
            "heat_useful_kwh": best.heat_useful_kwh,
            "cold_hours_from_draw": best.cold_hours,
            "core_min_c": best.core_min_c,
        }
    return row


def scores(summary: dict[str, Any]) -> dict[str, Any]:
    """The figures that the table needs."""
    return {k: summary[k] for k in ("backup_avoided_kwh", "heat_useful_kwh", "cold_hours_from_draw", "core_min_c")}


def work(number: int, wanted: Wanted) -> dict[str, Any]:
    """Draw case ``number`` and judge it; runs in a worker."""
    return judge(random_season(Scenario.load(BASE), number), wanted)


def campaign(numbers: range, wanted: Wanted, workers: int) -> list[dict[str, Any]]:
    """Judge all cases on all cores, with progress; the order of the rows is that of the numbers."""
    began, rows = time.perf_counter(), []
    with ProcessPoolExecutor(workers) as pool:
        futures = [pool.submit(work, n, wanted) for n in numbers]
        for done, future in enumerate(as_completed(futures), 1):
            rows.append(future.result())
            row, spent = rows[-1], time.perf_counter() - began
            left_min = spent / done * (len(futures) - done) / 60.0
            print(
                f"{done}/{len(futures)} season {row['season']}: {row['warmheap']['backup_avoided_kwh']:.0f} kWh avoided,"
                f" {row['warmheap']['cold_hours_from_draw']:.1f} cold h; {left_min:.0f} min left",
                file=sys.stderr, flush=True,
            )  # fmt: skip
    return sorted(rows, key=lambda row: row["season"])


def table(rows: list[dict[str, Any]]) -> list[str]:
    """Lines of the result: a line a policy, then the shares of the clairvoyant, then the estimate."""
    lines = [
        "| policy | backup avoided, kWh | useful heat, kWh | cold hours | seasons with any | coldest core, °C |",
        "|---|---|---|---|---|---|",
    ]
    for name in ("warmheap", VALVE, FROST_ONLY, "tuned", *OPPONENTS, "clairvoyant"):
        got = [row[name] for row in rows if name in row]
        if got:
            mean = {k: float(np.mean([g[k] for g in got])) for k in got[0]}
            cold_h = [g["cold_hours_from_draw"] for g in got]
            coldest_c = min(g["core_min_c"] for g in got)
            lines.append(
                f"| {name} | {mean['backup_avoided_kwh']:.0f} | {mean['heat_useful_kwh']:.0f} | {sum(cold_h):.0f} |"
                f" {sum(h > 0.0 for h in cold_h)} of {len(got)} | {coldest_c:.1f} |"
            )
    lines += [""] + shares(rows) + estimate_lines(rows)
    return lines


def shares(rows: list[dict[str, Any]]) -> list[str]:
    """Our share of the clairvoyant's harvest: of the sums, and of each season the mean and the worst decile."""
    lines = []
    for name in ("warmheap", VALVE):
        for key, word in (("backup_avoided_kwh", "backup avoided"), ("heat_useful_kwh", "useful heat")):
            pairs = [(r[name][key], r["clairvoyant"][key]) for r in rows if {name, "clairvoyant"} <= r.keys()]
            share = np.array([ours / best for ours, best in pairs if best > 1.0])
            if len(share):
                ours, best = np.sum(pairs, axis=0)
                lines.append(
                    f"{name}, {word}: {ours / best:.2f} of the clairvoyant in sum; season by season"
                    f" {share.mean():.2f} (mean), {np.quantile(share, 0.1):.2f} (worst decile)"
                )
    return lines


def estimate_lines(rows: list[dict[str, Any]]) -> list[str]:
    """How good the core estimate was."""
    rms = np.array([r["core_rms_k"] for r in rows])
    bias = np.array([r["core_bias_k"] for r in rows])
    held = np.array([r["held_90"] for r in rows])
    return [
        f"core estimate after 48 h: rms {np.nanmean(rms):.1f} K (worst decile {np.nanquantile(rms, 0.9):.1f}),"
        f" bias {np.nanmean(bias):+.1f} K, 90 % interval holds {100.0 * np.nanmean(held):.0f} %",
        f"days left: 90 % interval holds {100.0 * np.nanmean([r['days_held'] for r in rows]):.0f} %",
    ]


def main() -> int:
    """Run the campaign and print its table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seasons", type=int, default=20)
    parser.add_argument("--first", type=int, default=0, help="number of the first season")
    parser.add_argument("--days", type=float, default=120.0)
    parser.add_argument("--no-bound", action="store_true", help="our controller only")
    parser.add_argument(
        "--tuned", action="store_true", help="search the best fixed rule for each season too: minutes each"
    )
    parser.add_argument(
        "--valve", action="store_true", help=f"our controller also with a scald limit of {VALVE_C:g} degC"
    )
    parser.add_argument("--rounds", type=int, default=4, help="generations of the clairvoyant's search")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--out", type=Path, help="write every season's row here as JSON")
    a = parser.parse_args()
    wanted = Wanted(a.days, not a.no_bound, a.rounds, a.tuned, a.valve)
    rows = campaign(range(a.first, a.first + a.seasons), wanted, a.workers)
    if a.out:
        a.out.write_text(json.dumps(rows, indent=1))
    print(f"{a.seasons} random seasons of {a.days:g} days from number {a.first}:\n")
    print("\n".join(table(rows)))
    bad = [r["season"] for r in rows if r["warmheap"]["cold_hours_from_draw"] > 0.0]
    print(f"\nseasons with cold hours from the draw: {bad or 'none'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
