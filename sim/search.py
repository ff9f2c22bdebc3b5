"""The fair opponent: the best fixed rule that a grid search finds for one scenario."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import product
from math import nan
from typing import TYPE_CHECKING, Any

from sim.parallel import Job, run_jobs
from sim.policies import GALLON_A_MINUTE_KG_S, Rule
from sim.season import SeasonResult

if TYPE_CHECKING:
    from sim.scenario import Scenario

COLD_HOURS_ALLOWED = 24.0
RECOVER_K = 4.0
SEARCH_TICK_S = 60.0
ALMOST_DAYS = 0.5  # progress is told every quarter of a day

FLOWS_KG_S = tuple(share * GALLON_A_MINUTE_KG_S for share in (0.5, 1.0, 2.0))
FAN_DUTIES = (0.0, 0.3, 1.0)
PILE_OFF_C = (46.0, 49.0, 53.0)
DEMANDS_K = (1.0, 4.0, nan)
TIMERS = ((0.0, 24.0), (18.0, 14.0))  # all day, or the dark hours

Searched = Callable[[int, int], None]  # seasons done, seasons in all


@dataclass(frozen=True, slots=True)
class Tried:
    """A rule of the grid and what its season gave."""

    rule: Rule
    backup_avoided_kwh: float
    cold_hours: float


def grid() -> list[Rule]:
    """Every rule that the search tries, in a fixed order."""
    return [
        Rule(
            flow_kg_s=flow,
            fan_duty=fan,
            pile_off_c=off,
            pile_on_c=off + RECOVER_K,
            demand_k=demand,
            from_hour=start,
            hours=hours,
        )
        for flow, fan, off, demand, (start, hours) in product(FLOWS_KG_S, FAN_DUTIES, PILE_OFF_C, DEMANDS_K, TIMERS)
    ]


def best_rule(
    scenario: Scenario,
    days: float = 120,
    seed: int = 1,
    workers: int | None = None,
    searched: Searched | None = None,
    rules: Iterable[Rule] | None = None,
) -> Tried:
    """Try every rule of the grid for a whole season and return the best one.

    Best is most backup avoided among those with under 24 cold hours from the draw; the fewest cold hours when none
    keeps to that. The search knows the season's weather beforehand, which no grower does. ``KeyboardInterrupt``
    goes through: half a search proves nothing.
    """
    rules = list(grid() if rules is None else rules)
    jobs = [Job(str(k), "tuned", rule) for k, rule in enumerate(rules)]
    done: set[str] = set()

    def told(label: str, days_done: float, core_c: float) -> None:
        if searched and label not in done and days_done > days - ALMOST_DAYS:
            done.add(label)
            searched(len(done), len(rules))

    results = run_jobs(scenario, jobs, days, seed, SEARCH_TICK_S, workers, told, SeasonResult.summary)
    if len(results) < len(rules) or any(s["interrupted"] for s in results.values()):
        raise KeyboardInterrupt
    return choose([_tried(rule, results[job.label]) for rule, job in zip(rules, jobs, strict=True)])


def choose(tried: list[Tried]) -> Tried:
    """The best of what was tried; the first of equals."""
    sound = [t for t in tried if t.cold_hours < COLD_HOURS_ALLOWED]
    if sound:
        return max(sound, key=lambda t: t.backup_avoided_kwh)
    return min(tried, key=lambda t: t.cold_hours)


def _tried(rule: Rule, summary: dict[str, Any]) -> Tried:
    avoided_kwh = summary["backup_avoided_kwh"]
    worth_kwh = summary["heat_useful_kwh"] if avoided_kwh is None else avoided_kwh
    return Tried(rule, worth_kwh, summary["cold_hours_from_draw"])
