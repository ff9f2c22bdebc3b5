"""The campaign of faults: which episodes there are, one episode as a task, and what they came to."""

from __future__ import annotations

import json
from dataclasses import dataclass
from math import isfinite
from typing import Any

from sim.campaign import LARGEST_SEED, MOST_SEASONS, CampaignError, CrewError, Row, from_text, program
from sim.campaign_book import Kind
from sim.episodes import DAY_S, WARM_DAYS, Episode, Outcome, drawn, faultless_twin, parsed, play, shrunk

FAULTS_KIND, FAULTLESS_KIND = "faults", "faultless"
COLUMNS = (
    "run",
    "plant",
    "day",
    "episode",
    "unsafe",
    "anyway",
    "told",
    "first_new",
    "raised",
    "weeks",
    "alone_s",
    "error",
)
FAULTLESS_DAYS = 14.0
PER_PLANT = 24
# alarms that stop or lock something: on a sound plant they are false trips
TRIPS = frozenset(
    "no-flow no-heat fan-stalled pile-probe core-probe supply-probe "
    "supply-stuck core-stuck outdoor-stuck flow-meter flow-while-off"
    " line-frozen thermosiphon pump-runs-on core-pulled core-edge house-outdoor all-silent probes-wire"
    " probes-swapped fan-runs-on fan-speed co2-probe pump-supply-cut "
    "fan-supply-cut pump-battery-worn fan-battery-worn".split()
)


@dataclass(frozen=True, slots=True)
class Numbered:
    """One episode of the campaign, by number."""

    number: int


@dataclass(frozen=True, slots=True)
class Episodes:
    """What a fault campaign is: so many episodes drawn with a seed around one scenario, or as many stretches without faults.

    ``scenario`` is the base scenario as JSON in SI units. ``CampaignError`` for numbers that make no sense.
    """

    scenario: str
    seed: int
    episodes: int
    faultless: bool = False

    def __post_init__(self) -> None:
        if not 1 <= self.episodes <= MOST_SEASONS:
            raise CampaignError(f"episodes = {self.episodes} is outside 1..{MOST_SEASONS}")
        if not 0 <= self.seed < LARGEST_SEED:
            raise CampaignError(f"seed = {self.seed} is outside 0..{LARGEST_SEED - 1}")

    @property
    def total(self) -> int:
        """How many runs that makes."""
        return self.episodes

    def runs(self) -> list[Numbered]:
        """Every run, numbered from 0."""
        return [Numbered(n) for n in range(self.episodes)]


def episode_of(plan: Episodes, number: int) -> Episode:
    """The episode of a run."""
    base = from_text(plan.scenario)
    if plan.faultless:
        return Episode(
            plan.seed * 100_000 + number // len(WARM_DAYS), WARM_DAYS[number % len(WARM_DAYS)], FAULTLESS_DAYS
        )
    return drawn(base, plan.seed, number, PER_PLANT)


def row_of(number: int, outcome: Outcome, twin: Outcome) -> Row:
    """What the table keeps of an episode."""
    e = outcome.episode
    since_s = [(round(at_s / 3600.0, 3), code) for at_s, code in outcome.raised]
    return {
        "run": number,
        "plant": e.plant,
        "day": e.day,
        "episode": e.text,
        "unsafe": json.dumps({b.code: [round(b.at_s / 3600.0, 2), b.state] for b in outcome.unsafe(twin)}),
        "anyway": json.dumps(sorted({b.code for b in outcome.breaks} & {b.code for b in twin.breaks})),
        "told": json.dumps([_told(t) for t in outcome.told]),
        "first_new": outcome.first_new,
        "raised": json.dumps(since_s),
        "weeks": e.days / 7.0,
        "alone_s": outcome.alone_s,
        "error": None,
    }


def _told(t: Any) -> dict[str, Any]:
    return {
        "name": t.name, "severity": t.severity, "bit": t.bit,
        "shown_h": _short(t.shown_h), "named_h": _short(t.named_h), "code": t.code,
        "promised": t.promised, "showed_h": _short(t.showed_h), "named_after_h": _short(t.named_after_h),
    }  # fmt: skip


def _short(value: float | None) -> float | None:
    return round(value, 3) if value is not None and isfinite(value) else None


def played(plan: Episodes, number: int) -> Row:
    """The row of one run: always the same, wherever it is run."""
    base, episode = from_text(plan.scenario), episode_of(plan, number)
    if plan.faultless:
        outcome = faultless_twin(base, episode, FAULTLESS_DAYS)
        nobody = Outcome(episode, (), (), ())
        return row_of(number, outcome, nobody)
    return row_of(number, *play(base, episode))


def task(plan: Episodes, run: Numbered, wanted_program: str) -> tuple[Row | None, float]:
    """One episode in a worker: its row and its wall time, s; None for the row if it is no longer wanted.

    An episode that breaks down gives a row that says so. ``CrewError`` if the worker has another version of the program.
    """
    import time

    from sim.campaign_workers import stop_asked

    if program() != wanted_program:
        raise CrewError("a worker has another version of warmheap: install the same one everywhere")
    if stop_asked():
        return None, 0.0
    began_s = time.perf_counter()
    try:
        row = played(plan, run.number)
    except Exception as wrong:
        row = dict.fromkeys(COLUMNS) | {"run": run.number, "error": f"{type(wrong).__name__}: {wrong}"[:500]}
    return row, time.perf_counter() - began_s


def smallest(scenario: str, episode_text: str, code: str) -> tuple[Episode, int]:
    """The smallest form of an episode found in which the rule ``code`` is still broken and its twin keeps it; and the
    plays."""
    base = from_text(scenario)

    def fails(episode: Episode) -> bool:
        outcome, twin = play(base, episode)
        return code in {b.code for b in outcome.unsafe(twin)}

    return shrunk(parsed(episode_text), fails)


def weeks(rows: list[Row]) -> float:
    """Weeks lived through in all rows."""
    return sum(row["weeks"] for row in rows if not row["error"])


def _described(plan: Episodes) -> dict[str, Any]:
    return {
        "kind": FAULTLESS_KIND if plan.faultless else FAULTS_KIND,
        "scenario": json.loads(plan.scenario), "seed": plan.seed, "episodes": plan.episodes,
    }  # fmt: skip


def _read(told: dict[str, Any]) -> Episodes:
    scenario = json.dumps(told["scenario"], sort_keys=True, ensure_ascii=False)
    from_text(scenario)
    return Episodes(scenario, told["seed"], told["episodes"], told["kind"] == FAULTLESS_KIND)


KIND = Kind(
    (FAULTS_KIND, FAULTLESS_KIND),
    COLUMNS,
    {"kind": "kind", "episodes": "--episodes", "seed": "--seed"},
    "episodes",
    _described,
    _read,
)
DAYS_A_WEEK_S = 7 * DAY_S
