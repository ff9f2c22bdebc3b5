"""Campaigns of random seasons: which runs there are, and one run as a task for any worker anywhere."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Executor, Future, as_completed
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import controller
import sim
from controller import Controller
from sim.parallel import ctrl_c_held
from sim.policies import POLICIES, RULES, make_policy
from sim.population import RandomSeason, random_season
from sim.scenario import Scenario
from sim.season import MOST_DAYS, Progress, SeasonResult, run_season

if TYPE_CHECKING:
    from sim.policies import Policy

Row = dict[str, Any]
Kept = Callable[[Row], None]

SEARCHED = "tuned"
MOST_SEASONS, LARGEST_SEED = 1_000_000, 2**31
FIGURES = (
    "backup_avoided_kwh", "cold_hours_from_draw", "heat_useful_kwh", "core_min_c", "backup_without_pile_kwh",
    "heat_water_kwh", "heat_air_kwh", "drawn_kwh", "heat_made_kwh", "heat_made_twin_kwh", "twin_core_min_c",
    "core_end_c", "twin_core_end_c", "supply_rmse_c", "flow_mean_kg_s", "pump_hours", "pump_wh", "fan_wh",
    "battery_outage_h", "line_frozen_h", "greenhouse_min_c", "hours_below_minimum",
)  # fmt: skip
PLANT = ("start", "weather", "volume_m3")
LISTS = ("alarms", "limited_by_h")
COLUMNS = ("run", "seed", "policy", *PLANT, *FIGURES, *LISTS, "error")


class CampaignError(ValueError):
    """A campaign cannot be done as asked; the text is one line for the user."""


class CrewError(RuntimeError):
    """A worker was lost or cannot work; the text is one line for the user."""


@dataclass(frozen=True, slots=True)
class Run:
    """One season under one policy. ``seed`` draws the plant and the season, and is all the chance there is in it."""

    number: int
    seed: int
    policy: str


@dataclass(frozen=True, slots=True)
class Seasons:
    """What a campaign is: random plants around one scenario, each under every policy.

    ``scenario`` is the base scenario as JSON in SI units. ``CampaignError`` for numbers or policies that make no sense.
    """

    scenario: str
    first: int
    seasons: int
    days: float
    policies: tuple[str, ...]

    def __post_init__(self) -> None:
        known = [name for name in POLICIES if name != SEARCHED]
        for name in self.policies:
            if name == SEARCHED:
                raise CampaignError(f"policy {name!r} is searched anew for each plant: a campaign takes {_or(known)}")
            if name not in known:
                raise CampaignError(f"policy {name!r} is not one of {', '.join(known)}")
        if len(set(self.policies)) < len(self.policies) or not self.policies:
            raise CampaignError(f"policies {' '.join(self.policies)!r}: name each one once, and at least one")
        if not 1 <= self.seasons <= MOST_SEASONS:
            raise CampaignError(f"seasons = {self.seasons} is outside 1..{MOST_SEASONS}")
        if not 0 <= self.first < LARGEST_SEED:
            raise CampaignError(f"first = {self.first} is outside 0..{LARGEST_SEED - 1}")
        if not (isfinite(self.days) and 0.0 < self.days <= MOST_DAYS):
            raise CampaignError(f"days = {self.days} is outside 0..{MOST_DAYS:.0f}")

    def runs(self) -> list[Run]:
        """Every run, numbered from 0: all policies of the first season, then those of the next."""
        seeds = range(self.first, self.first + self.seasons)
        pairs = [(seed, policy) for seed in seeds for policy in self.policies]
        return [Run(number, seed, policy) for number, (seed, policy) in enumerate(pairs)]


def as_text(scenario: Scenario) -> str:
    """A scenario as JSON in SI units, which ``from_text`` reads back without loss."""
    return json.dumps(scenario.model_dump(mode="json"), sort_keys=True, ensure_ascii=False)


@cache
def from_text(text: str) -> Scenario:
    """The scenario that ``as_text`` wrote. Raises ``ValueError`` on anything else."""
    return Scenario.model_validate(json.loads(text), context={"si": True})


@cache
def program() -> str:
    """Fingerprint of the controller's and the simulator's source: rows of different programs must not be mixed.

    What only draws or keeps results is left out.
    """
    digest = sha256()
    for package in (controller, sim):
        folder = Path(str(package.__file__)).parent
        for path in sorted(p for p in folder.rglob("*.py") if not _shows_only(p)):
            digest.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:16]


def _shows_only(path: Path) -> bool:
    return path.stem.endswith("picture") or path.stem.startswith("campaign_")


def plant_of(plan: Seasons, run: Run) -> RandomSeason:
    """The random plant of a run."""
    return random_season(from_text(plan.scenario), run.seed)


def play(plan: Seasons, run: Run, progress: Progress | None = None) -> SeasonResult:
    """Run one season of the campaign as it always comes out, wherever and in whatever order it is run."""
    case = plant_of(plan, run)
    return run_season(case.built, _policy(case, run.policy), plan.days, run.seed, progress=progress)


def row_of(run: Run, case: RandomSeason, result: SeasonResult) -> Row:
    """What the table keeps of a run; numbers that are not finite become None. No wall times: they never repeat."""
    s = result.summary()
    place = case.built.place
    plant = dict(zip(PLANT, (place.start, place.weather, case.built.pile.volume), strict=True))
    lists = {name: json.dumps(s[name]) for name in LISTS}
    return {**_name(run), **plant, **{name: _plain(s[name]) for name in FIGURES}, **lists, "error": None}


def task(plan: Seasons, run: Run, wanted_program: str) -> tuple[Row | None, float]:
    """One run in a worker: its row and its wall time in seconds; None for the row if it was stopped on the way.

    A run that breaks down gives a row that says so, since it would break down again. ``CrewError`` if the worker has
    another version of the program.
    """
    from sim.campaign_workers import stop_asked

    if program() != wanted_program:
        raise CrewError("a worker has another version of warmheap: install the same one everywhere")

    def progress(days_done: float, core_c: float) -> None:
        if stop_asked():
            raise KeyboardInterrupt

    try:
        case = plant_of(plan, run)
        result = play(plan, run, progress)
        return (None if result.interrupted else row_of(run, case, result)), result.wall_seconds
    except Exception as wrong:
        nothing = dict.fromkeys(COLUMNS)
        return {**nothing, **_name(run), "error": f"{type(wrong).__name__}: {wrong}"[:500]}, 0.0


@dataclass(frozen=True, slots=True)
class Crew:
    """Workers: any executor, and how to ask them to leave what they are doing."""

    executor: Executor
    halt: Callable[[], None]


def run_all(
    crew: Crew, plan: Any, runs: list[Any], kept: Callable[[Row, float], None], work: Callable[..., Any] = task
) -> None:
    """Have every run done by ``work`` and hand each row to ``kept`` as it comes, with the seconds that it took.

    Whatever ends this early (Ctrl-C, a full disk, a lost worker as ``CrewError``) stops the workers and goes through.
    """
    futures: list[Future[tuple[Row | None, float]]] = []
    try:
        with ctrl_c_held():  # workers are born here
            futures += [crew.executor.submit(work, plan, run, program()) for run in runs]
        for row, wall_s in _as_they_come(futures):
            if row is not None:
                kept(row, wall_s)
    except BaseException:
        crew.halt()
        for future in futures:
            future.cancel()
        raise


def _as_they_come(futures: list[Future[tuple[Row | None, float]]]) -> Iterator[tuple[Row | None, float]]:
    for future in as_completed(futures):
        try:
            got = future.result()
        except CrewError:
            raise
        except CancelledError:
            raise CrewError("the cluster gave up a run (it was closed, or lost its workers)") from None
        except Exception as wrong:
            raise CrewError(f"a worker was lost ({type(wrong).__name__}: {wrong})") from wrong
        yield got


def _policy(case: RandomSeason, name: str) -> Policy:
    """Our controller knows the design only; a rule's pump is dialled in with a bucket on the plant as built."""
    return make_policy(name, case.built) if name in RULES else Controller(case.settings)


def _name(run: Run) -> Row:
    return {"run": run.number, "seed": run.seed, "policy": run.policy}


def _plain(value: float | None) -> float | None:
    return value if value is not None and isfinite(value) else None


def _or(words: list[str]) -> str:
    return f"{', '.join(words[:-1])} or {words[-1]}"
