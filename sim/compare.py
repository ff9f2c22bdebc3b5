"""All policies on one scenario, side by side."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from sim.parallel import Job, Told, run_jobs
from sim.policies import POLICIES, Rule
from sim.season import SeasonResult

if TYPE_CHECKING:
    from sim.scenario import Scenario

WITHOUT_SEARCH = tuple(name for name in POLICIES if name != "tuned")


def compare(
    scenario: Scenario,
    policies: Iterable[str] = WITHOUT_SEARCH,
    days: float = 120,
    seed: int = 1,
    tick_s: float | None = None,
    workers: int | None = None,
    told: Told | None = None,
    tuned_rule: Rule | None = None,
) -> dict[str, SeasonResult]:
    """Run one season under each policy and return the results by policy name, in the order given.

    The results do not depend on ``workers``. "tuned" needs ``tuned_rule`` from ``sim.search.best_rule``.
    """
    jobs = [Job(name, name, tuned_rule if name == "tuned" else None) for name in policies]
    return run_jobs(scenario, jobs, days, seed, tick_s, workers, told)
