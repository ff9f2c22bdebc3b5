"""Are the gains safe on plants that commissioning knows only within its uncertainty? Margins on the true plant."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Executor
from functools import partial
from typing import Any, NamedTuple

import numpy as np

from controller.tuning_choice import Rule
from sim.tuning_loops import Floats, answers, loops_of, margins_of
from sim.tuning_plants import Design, random_plants, reduced
from sim.tuning_rule import tight_gains, tuned

CHUNK = 250  # plants a job; fixed, so that the number of workers changes nothing
DRIFT = 1.5  # later, of gain and of dead time
MS_MOST, MS_SHARE, MS_EVER = 1.70, 0.95, 2.0
GAIN_MARGIN, PHASE_MARGIN_DEG = 10.0 ** (6.0 / 20.0), 45.0
WATCHED = 12.0  # times the slowest sum of integral time, lag and dead time: an error of a load step has died away
MOST_TICKS = 1500
FIELDS = (
    "number", "good", "gain_margin", "phase_margin_deg", "peak_sensitivity", "stable", "drift_stable",
    "drift_sensitivity", "ie_ratio", "iae_ratio",
)  # fmt: skip
Told = Callable[[str, int, int], None]  # loop, plants done, plants in all


class Goal(NamedTuple):
    """One goal: what it says, the figure that came out, and whether it is met."""

    text: str
    found: float
    met: bool


class Proof(NamedTuple):
    """Result of one loop: a row a plant with the columns of `FIELDS`."""

    design: Design
    table: Floats

    def column(self, name: str) -> Floats:
        """Return one column, (n,)."""
        return np.asarray(self.table[:, FIELDS.index(name)])

    def goals(self) -> list[Goal]:
        """Compare with the goals, all plants counted, those with old gains too."""
        ms, db = self.column("peak_sensitivity"), 20.0 * np.log10(np.maximum(self.column("gain_margin"), 1e-9))
        phase = self.column("phase_margin_deg")
        share, drift = float(np.mean(ms <= MS_MOST)), float(np.mean(self.column("drift_stable")))
        return [
            Goal(f"share with maximum sensitivity <= {MS_MOST:.2f} at least {MS_SHARE:.0%}", share, share >= MS_SHARE),
            Goal(f"largest maximum sensitivity <= {MS_EVER:.2f}", float(ms.max()), bool(ms.max() <= MS_EVER)),
            Goal("least gain margin >= 6 dB", float(db.min()), bool(self.column("gain_margin").min() >= GAIN_MARGIN)),
            Goal("least phase margin >= 45 deg", float(phase.min()), bool(phase.min() >= PHASE_MARGIN_DEG)),
            Goal("share stable after +50 % gain and +50 % dead time = 100 %", drift, drift == 1.0),
        ]

    def summary(self) -> dict[str, Any]:
        """Everything that a reader needs, JSON-able."""
        ms, good = self.column("peak_sensitivity"), self.column("good") > 0.5
        worst = int(ms.argmax())
        return {
            "plants": len(ms),
            "kept_old_gains": int(np.sum(~good)),
            "goals": [goal._asdict() for goal in self.goals()],
            "peak_sensitivity": _spread(ms),
            "peak_sensitivity_tuned_anew": _spread(ms[good]),
            "peak_sensitivity_old_gains": _spread(ms[~good]),
            "drift_peak_sensitivity": _spread(self.column("drift_sensitivity")),
            "price": {
                "integral_of_error_to_load_step_over_tight_simc": _spread(self.column("ie_ratio")[good]),
                "integral_of_absolute_error_over_tight_simc": _spread(self.column("iae_ratio")[good]),
            },
            "worst_plant": dict(zip(FIELDS, (float(x) for x in self.table[worst]), strict=True)),
        }


def _spread(values: Floats) -> dict[str, float] | None:
    if not values.size:
        return None
    low, middle, high = np.quantile(values, (0.05, 0.5, 0.95))
    return {"p05": float(low), "median": float(middle), "p95": float(high), "largest": float(values.max())}


def prove(
    design: Design,
    plants: int,
    seed: int,
    rule: Rule,
    executor: Executor | None = None,
    told: Told | None = None,
) -> Proof:
    """Try ``rule`` on random plants around ``design``; jobs of 250 plants go to ``executor``, or are done here.

    Any `concurrent.futures` executor will do; the table depends on seed and number of plants alone.
    """
    jobs = [range(first, min(first + CHUNK, plants)) for first in range(0, plants, CHUNK)]
    work = partial(judged, design, seed, rule)
    results: Iterable[Floats] = executor.map(work, jobs) if executor else map(work, jobs)
    tables: list[Floats] = []
    for table in results:
        tables.append(table)
        if told:
            told(design.name, sum(len(t) for t in tables), plants)
    return Proof(design, np.concatenate(tables))


def judged(design: Design, seed: int, rule: Rule, numbers: range) -> Floats:
    """Return the rows of `FIELDS` for some plants. (len(numbers), len(FIELDS))"""
    plants = random_plants(design, seed, numbers)
    true = [plant.true for plant in plants]
    gains = [tuned(plant, design, rule) for plant in plants]
    tight = [tight_gains(process, design.tick_s) for process in true]
    loops = loops_of(true, gains, design.tick_s)
    now, later = margins_of(loops), margins_of(loops.drifted(DRIFT, DRIFT))
    ie = np.array([b.integral_gain / a.integral_gain for a, b in zip(gains, tight, strict=True)])
    iae = load_error(design, true, gains) / load_error(design, true, tight)
    return np.column_stack([
        np.array(numbers), [plant.good for plant in plants], np.minimum(now.gain_margin, 1e6), now.phase_margin_deg,
        now.peak_sensitivity, now.stable, later.stable, later.peak_sensitivity, ie, iae,
    ]).astype(np.float64)  # fmt: skip


def load_error(design: Design, processes: list[Any], gains: list[Any]) -> Floats:
    """Integral of the absolute error after a step of the load, (n,), in the output's unit times s."""
    slowest_s = max(reduced(p).lag_s + reduced(p).delay_s + g.integral_s for p, g in zip(processes, gains, strict=True))
    closed_s = max(abs(1.0 / (p.gain * g.integral_gain)) for p, g in zip(processes, gains, strict=True))
    ticks = min(int(WATCHED * max(slowest_s, closed_s) / design.tick_s) + 20, MOST_TICKS)
    nothing = np.zeros((1, ticks))
    seen = answers(loops_of(processes, gains, design.tick_s), nothing, np.full((1, ticks), design.load), nothing)
    return np.asarray(np.abs(seen.output).sum(axis=1) * design.tick_s)
