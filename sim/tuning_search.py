"""One set of gains for a plant that nobody has measured: search the best trade over all plants it might turn out to be.

SciPy's differential evolution (Storn and Price, J. Global Optimization 11 (1997) 341) is run once for each limit on the
maximum sensitivity; everything that any of these runs tried is kept, and what nothing beats is the Pareto front.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Executor
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from scipy.optimize import differential_evolution

from controller.tuning_choice import Rule, cautious_gains
from controller.tuning_rules import Gains, Process
from sim.tuning_loops import Answers, Floats, Loops, answers, loops_of, margins_of
from sim.tuning_plants import Design, random_plants, reduced
from sim.tuning_proof import DRIFT, GAIN_MARGIN, MS_EVER, MS_MOST, MS_SHARE, PHASE_MARGIN_DEG
from sim.tuning_rule import tight_gains

MS_LIMITS = (1.25, 1.4, 1.55, 1.7, 2.0)
TRAVEL_WEIGHT = 0.2  # duty travel against tracking error, both as shares of tight SIMC's (own judgement)
PENALTY = 20.0  # for a unit of maximum sensitivity above the limit
WORST = 1e3  # objective of an unstable candidate
BOUNDS = ((-4.0, 1.0), (-2.5, 3.0))  # log2 of integral gain and of integral time over tight SIMC's
GENERATIONS, CROWD = 8, 16  # of the search: rounds, candidates for each of the two numbers (Sobol wants powers of 2)
POINTS = 300  # of the frequency response: enough to rank candidates
SHOWN_FRONT = 40
CHUNK = 5  # candidates a job; fixed, so that the number of workers changes nothing
TICKS = 240
LOAD_AT = TICKS // 2
COLUMNS = (
    "proportional", "integral", "tracking", "travel", "stops", "ms_median", "ms_share", "ms_most", "gain_margin",
    "phase_margin_deg", "stable", "drift_stable", "pump_duty",
)  # fmt: skip
Told = Callable[[str, int, int], None]  # loop, candidates done, candidates in all


class Found(NamedTuple):
    """Result of the search: all candidates (n, len(COLUMNS)), which of them nothing beats, and the row chosen.

    ``named`` holds, in the same columns, gains that come from rules or are in use.
    """

    design: Design
    table: Floats
    front: list[int]
    chosen: int
    named: dict[str, Floats]

    @property
    def gains(self) -> Gains:
        """The chosen gains."""
        return gains_of(self.table[self.chosen])

    @property
    def goals_met(self) -> bool:
        """Whether the chosen gains keep every goal on the whole population."""
        return bool(_keeps_goals(self.table[self.chosen : self.chosen + 1])[0])

    def summary(self) -> dict[str, Any]:
        """Everything that a reader needs, JSON-able."""
        rows = {"chosen": self.table[self.chosen]} | self.named
        return {
            "gains": {name: gains_of(row)._asdict() for name, row in rows.items()},
            "figures": {name: as_dict(row) for name, row in rows.items()},
            "goals_met_on_all_plants": self.goals_met,
            "candidates": len(self.table),
            "front_size": len(self.front),
            "front": [as_dict(self.table[row]) for row in self.front[:: len(self.front) // SHOWN_FRONT + 1]],
        }


def gains_of(row: Floats) -> Gains:
    """Return the gains that a row of the table is about."""
    proportional, integral = float(row[0]), float(row[1])
    return Gains(proportional, proportional / integral)


def as_dict(row: Floats) -> dict[str, float]:
    """Return a row of the table with its column names."""
    return dict(zip(COLUMNS, (float(x) for x in row), strict=True))


def searched(
    design: Design, plants: int, seed: int, executor: Executor | None = None, told: Told | None = None
) -> Found:
    """Search gains over ``plants`` random plants; jobs of five candidates go to ``executor``, or are done here.

    Any `concurrent.futures` executor will do; the result depends on seed and number of plants alone.
    """
    tight = tight_gains(design.process, design.tick_s)
    start = np.array([tight.integral_gain, max(tight.integral_s, 0.5 * design.tick_s)])
    work = partial(tried, design, plants, seed)
    rows: list[Floats] = []
    in_all = len(MS_LIMITS) * (GENERATIONS + 1) * CROWD * len(BOUNDS)

    def evaluated(x: Floats, limit: float) -> Floats:
        new = _tabled(work, _settable(design, *(start[:, None] * 2.0**x)), executor)
        rows.append(new)
        if told:
            told(design.name, sum(len(r) for r in rows), in_all)
        return cost(new, limit)

    for limit in MS_LIMITS:
        differential_evolution(
            lambda x, limit=limit: evaluated(x, limit),
            BOUNDS, vectorized=True, updating="deferred", polish=False, tol=0.0, init="sobol", popsize=CROWD,
            maxiter=GENERATIONS, rng=np.random.default_rng([23, seed]),
        )  # fmt: skip
    table = np.concatenate(rows)
    return Found(design, table, front_of(table), chosen_of(table), _named(design, work))


def _settable(design: Design, integral: Floats, integral_s: Floats) -> Floats:
    """Candidates of (proportional, integral), (n, 2), from integral gains and times: each as near as the settings allow."""
    least, most = design.settable
    integral_s = np.clip(integral_s, least.integral_s, most.integral_s)
    proportional = np.copysign(np.clip(np.abs(integral * integral_s), least.gain, most.gain), integral)
    return np.column_stack((proportional, proportional / integral_s))


def _named(design: Design, work: Callable[[Floats], Floats]) -> dict[str, Floats]:
    calm = cautious_gains(reduced(design.process), 0.0, 0.0, 0.0, design.tick_s, Rule())
    known = {"tight SIMC": tight_gains(design.process, design.tick_s), "SIMC, 3 dead times": calm, "in use": design.old}
    table = work(np.array([(g.gain, g.integral_gain) for g in known.values()]))
    return dict(zip(known, table, strict=True))


def _tabled(work: Callable[[Floats], Floats], candidates: Floats, executor: Executor | None) -> Floats:
    jobs = [candidates[first : first + CHUNK] for first in range(0, len(candidates), CHUNK)]
    done: Iterable[Floats] = executor.map(work, jobs) if executor else map(work, jobs)
    return np.concatenate(list(done))


def cost(table: Floats, ms_limit: float) -> Floats:
    """What the optimiser makes small, (n,): tracking and travel, with a penalty above the limit on sensitivity."""
    tracking, travel, ms = (table[:, COLUMNS.index(name)] for name in ("tracking", "travel", "ms_share"))
    return np.minimum(tracking + TRAVEL_WEIGHT * travel + PENALTY * np.maximum(ms - ms_limit, 0.0), WORST)


def _keeps_goals(table: Floats) -> np.ndarray:
    def column(name: str) -> Floats:
        return np.asarray(table[:, COLUMNS.index(name)])

    margins = (column("gain_margin") >= GAIN_MARGIN) & (column("phase_margin_deg") >= PHASE_MARGIN_DEG)
    calm = (column("ms_share") <= MS_MOST) & (column("ms_most") <= MS_EVER)
    return np.asarray(margins & calm & (column("drift_stable") == 1.0))


def chosen_of(table: Floats) -> int:
    """Best trade of tracking and travel among those that keep every goal; if none does, the calmest of all."""
    keeps = np.flatnonzero(_keeps_goals(table))
    if keeps.size:
        return int(keeps[cost(table[keeps], MS_MOST).argmin()])
    return int(table[:, COLUMNS.index("ms_most")].argmin())


def front_of(table: Floats) -> list[int]:
    """Rows that no other beats in tracking, travel and sensitivity at once, by rising sensitivity."""
    aims = table[:, [COLUMNS.index(name) for name in ("tracking", "travel", "ms_share")]]
    sane = np.flatnonzero(table[:, COLUMNS.index("stable")] == 1.0)
    kept = [
        int(row)
        for row in sane
        if not np.any(np.all(aims[sane] <= aims[row], axis=1) & np.any(aims[sane] < aims[row], axis=1))
    ]
    return sorted(kept, key=lambda row: float(aims[row, 2]))


def tried(design: Design, plants: int, seed: int, candidates: Floats) -> Floats:
    """Return the rows of `COLUMNS` for candidates of (proportional, integral), (n, 2)."""
    processes = [plant.true for plant in random_plants(design, seed, range(plants))]
    base = _run(design, processes, [tight_gains(p, design.tick_s) for p in processes], seed)
    base_track, base_travel = _tracking(design, base), _travel(base)
    gains = [Gains(p, p / i) for p, i in candidates]
    many = loops_of(processes * len(gains), [g for g in gains for _ in processes], design.tick_s)
    seen = _answers(design, many, seed, plants)
    now, later = margins_of(many, POINTS), margins_of(many.drifted(DRIFT, DRIFT), POINTS)

    def each(column: Any) -> Floats:
        return np.asarray(column, dtype=np.float64).reshape(len(gains), plants)

    ms = each(now.peak_sensitivity)
    return np.column_stack([
        candidates,
        np.minimum(each(_tracking(design, seen)) / base_track, WORST).mean(axis=1),
        np.minimum(each(_travel(seen)) / base_travel, WORST).mean(axis=1),
        each(_stops(design, seen)).mean(axis=1),
        np.median(ms, axis=1), np.quantile(ms, MS_SHARE, axis=1, method="higher"), ms.max(axis=1),
        np.minimum(each(now.gain_margin), 1e6).min(axis=1), each(now.phase_margin_deg).min(axis=1),
        each(now.stable).mean(axis=1), each(later.stable).mean(axis=1),
        each(_duty(design, seen)).mean(axis=1),
    ])  # fmt: skip


def course(design: Design) -> tuple[Floats, Floats]:
    """Return target and load over the test, (1, ticks): a step of the target at once, one of the load half-way."""
    target, load = np.full((1, TICKS), design.step), np.zeros((1, TICKS))
    load[:, LOAD_AT:] = design.load
    return target, load


def _run(design: Design, processes: list[Process], gains: list[Gains], seed: int) -> Answers:
    return _answers(design, loops_of(processes, gains, design.tick_s), seed, len(processes))


def _answers(design: Design, loops: Loops, seed: int, plants: int) -> Answers:
    """Run the test; every candidate meets the same noise on the same plant."""
    noise = design.noise * np.random.default_rng([24, seed]).standard_normal((plants, TICKS))
    with np.errstate(over="ignore", invalid="ignore"):
        seen = answers(loops, *course(design), np.tile(noise, (loops.gain.size // plants, 1)))
    return Answers(*(np.nan_to_num(np.clip(part, -1e9, 1e9), nan=1e9) for part in seen))


def _tracking(design: Design, seen: Answers) -> Floats:
    return np.asarray(np.abs(design.step - seen.output).mean(axis=1))


def _travel(seen: Answers) -> Floats:
    return np.asarray(np.abs(np.diff(seen.given, axis=1)).sum(axis=1))


def _stops(design: Design, seen: Answers) -> Floats:
    """How often the pump is asked for less than keeps it turning: each would be a new start."""
    below = seen.given < -design.room
    return np.asarray((np.diff(below.astype(np.int64), axis=1) > 0).sum(axis=1), dtype=np.float64)


def _duty(design: Design, seen: Answers) -> Floats:
    """Mean duty above the working point: what the pump's energy goes with."""
    return np.asarray(design.duty_per_given * seen.given.mean(axis=1))
