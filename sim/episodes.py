"""Episodes of trouble: a random plant in the middle of its winter, faults on top, our controller, the rules watching.

Everything follows from the base scenario and an `Episode`, which can be written as one short line (`Episode.text`).
"""

from __future__ import annotations

import json
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from controller import Commands, Controller, ControllerSettings, Decision
from sim.faults.kinds import ALWAYS, HANG, KILL, KILL_AFRESH, PUMP, RUNS, FaultKind, Injected
from sim.faults.library import FAULTS, fault
from sim.faults.plant import FaultyPlant
from sim.faults.proof import proved
from sim.history import ROW_S, History
from sim.plant import Plant
from sim.population import RandomSeason, random_season
from sim.rules import FROST_COST_CODES, PUSHED_AIR, PUSHED_WATER, READINGS, Break, Rules, Standing, standing_of

if TYPE_CHECKING:
    from sim.scenario import Scenario

HOUR_S, DAY_S = 3600.0, 86400.0
WARM_DAYS = (12, 24, 36)  # days of the winter at which an episode may begin
MOST_FAULTS = 6
LONGEST_DAYS = 6.0
AFTER_H = 12.0  # watched on after the last fault has ended
GRACE_S = 2 * HOUR_S  # what a fault took counts as lost for so long after its end
PUSHED_GRACE_S = 30 * HOUR_S  # what it pushed is in the day's balance of the pile for so long
TELL_AFTER_S = 12 * HOUR_S  # an alarm may still name a fault that has just ended
LEASE_S = 2.0
GAP_TICK_S = 60.0
_WARM_KEPT, _TWINS_KEPT = 6, 12
LITHIUM_SHARE, GAS_SHARE, CHEAP_SHARE = 0.25, 0.35, 0.2
CHEAP = (
    "pile_core_c",
    "water_supply_c",
    "water_return_c",
    "water_flow_kg_s",
    "greenhouse_c",
    "outdoor_c",
    "pump_battery_v",
)


class EpisodeError(ValueError):
    """An episode cannot be played as asked; the text is one line for the user."""


@dataclass(frozen=True, slots=True)
class Episode:
    """A random plant by number, the day of its winter on which the episode begins, how long, and what goes wrong."""

    plant: int
    day: int
    days: float
    faults: tuple[Injected, ...] = ()

    @property
    def text(self) -> str:
        """One short line that `parsed` reads back: ``plant/day/days:fault@from_h+for_h*severity,...``."""
        faults = ",".join(f"{f.name}@{f.from_h:g}+{f.for_h:g}*{f.severity:g}" for f in self.faults)
        return f"{self.plant}/{self.day}/{self.days:g}:{faults}"


def parsed(text: str) -> Episode:
    """The episode that ``Episode.text`` wrote. `EpisodeError` in one line for anything else."""
    try:
        where, _, what = text.partition(":")
        plant, day, days = where.split("/")
        faults = tuple(_injected(word) for word in what.split(",") if word)
        episode = Episode(int(plant), int(day), float(days), faults)
    except ValueError as wrong:
        raise EpisodeError(
            f"episode {text[:80]!r} is not PLANT/DAY/DAYS:FAULT@FROM+FOR*SEVERITY,...: {wrong}"
        ) from None
    _check(episode)
    return episode


def _injected(word: str) -> Injected:
    name, _, numbers = word.partition("@")
    times, _, severity = numbers.partition("*")
    from_h, _, for_h = times.partition("+")
    return Injected(fault(name).name, float(from_h), float(for_h), float(severity))


def _check(e: Episode) -> None:
    for name, value, low, high in (
        ("plant", e.plant, 0, 2**40), ("day", e.day, 1, 120), ("days", e.days, 0.01, 30.0),
        ("number of faults", len(e.faults), 0, MOST_FAULTS),
        *((f"{f.name} from", f.from_h, 0.0, 24.0 * e.days) for f in e.faults),
        *((f"{f.name} for", f.for_h, 0.0, 24.0 * 30) for f in e.faults),
        *((f"{f.name} severity", f.severity, 0.0, 1.0) for f in e.faults),
    ):  # fmt: skip
        if not low <= value <= high:
            raise EpisodeError(f"{name} = {value:g} is outside {low:g}..{high:g}")


@lru_cache(maxsize=8)
def case_of(base: Scenario, plant: int) -> RandomSeason:
    """The random plant of a number: those of `sim.population`, some with lithium, some with gas probes, some with few
    sensors."""
    rng = np.random.default_rng([7, plant])
    lithium, gas, cheap = (rng.random() < share for share in (LITHIUM_SHARE, GAS_SHARE, CHEAP_SHARE))
    changes: dict[str, Any] = {}
    if lithium:
        for side in ("pump_power", "fan_power"):
            changes |= {f"{side}.kind": "lithium", f"{side}.absorption": 14.2}
    if cheap:
        changes["sensors.fitted"] = CHEAP
    elif gas:
        changes["sensors.fitted"] = (
            *base.sensors.fitted,
            *(g for g in ("greenhouse_co2",) if g not in base.sensors.fitted),
        )
    return random_season(base.varied(changes) if changes else base, plant)


@dataclass(frozen=True, slots=True)
class Warm:
    """A plant and its controller's memory at the beginning of an episode. Both are copied before use."""

    plant: Plant
    memory: str
    settings: ControllerSettings
    standing: Standing


_warm: OrderedDict[tuple[str, int, int], Warm] = OrderedDict()


def warm(base: Scenario, plant: int, day: int) -> Warm:
    """The plant on a day of its winter under our controller; days before are run once and kept."""
    key = (repr(base), plant, day)
    if key not in _warm:
        _run_up(base, plant, day)
    _warm.move_to_end(key)
    while len(_warm) > _WARM_KEPT:
        _warm.popitem(last=False)
    return _warm[key]


def _run_up(base: Scenario, number: int, day: int) -> None:
    case = case_of(base, number)
    name = repr(base)
    earlier = [k for k in _warm if k[:2] == (name, number) and k[2] < day]
    before = _warm[max(earlier, key=lambda k: k[2])] if earlier else None
    plant = before.plant.copy() if before else Plant(case.built, seed=number)
    controller = _woken(before.memory, case.settings) if before else Controller(case.settings)
    since = max(earlier, key=lambda k: k[2])[2] if earlier else 0
    stops = [d for d in WARM_DAYS if since < d < day] + [day]
    for stop in stops:
        standing = _drive_plainly(plant, controller, (stop - since) * DAY_S)
        _warm[name, number, stop] = Warm(plant.copy(), json.dumps(controller.snapshot()), case.settings, standing)
        since = stop


def _drive_plainly(plant: Plant, controller: Controller, span_s: float) -> Standing:
    left_s, alarms = span_s, ()
    while left_s > 1e-6:
        decision = controller.step(plant.measure())
        plant.apply(decision.commands)
        dt_s = min(decision.next_s, left_s)
        plant.advance(dt_s)
        left_s -= dt_s
        alarms = decision.alarms
    return standing_of(alarms)


def _woken(memory: str, settings: ControllerSettings) -> Controller:
    return Controller.restore(settings, json.loads(memory))


@dataclass(slots=True)
class Told:
    """What became of one fault: did it bite, when could it be seen, when was it named and by which alarm [h since it began].

    ``showed_h`` is for how long its symptom has shown, ``named_after_h`` how much of that had passed when it was named.
    """

    name: str
    severity: Any
    bit: bool
    shown_h: float | None = None
    named_h: float | None = None
    code: str | None = None
    promised: bool = False
    showed_h: float = 0.0
    named_after_h: float | None = None


@dataclass(slots=True)
class Outcome:
    """An episode that was played."""

    episode: Episode
    breaks: tuple[Break, ...]
    told: tuple[Told, ...]
    raised: tuple[tuple[float, str], ...]  # every alarm that came up, or named something more: when [s], which
    began_with: frozenset[str] = frozenset()  # alarms that stood when the episode began
    first_new: str | None = (
        None  # the first alarm since the first fault that neither stood before nor comes to the twin
    )
    history: History | None = None
    alone_s: float = 0.0

    def unsafe(self, twin: Outcome) -> tuple[Break, ...]:
        """The rules broken here and not in the same days without a fault."""
        anyway = {b.code for b in twin.breaks}
        return tuple(b for b in self.breaks if b.code not in anyway)


class Play:
    """One episode as it goes: the loop, the faults' timetable, the rules."""

    def __init__(self, base: Scenario, episode: Episode, record: bool = False) -> None:
        start = warm(base, episode.plant, episode.day)
        self.episode, self._settings = episode, start.settings
        self.world = FaultyPlant(start.plant.copy())
        self.controller = _woken(start.memory, start.settings)
        self.rules = Rules(self.world.plant, start.settings)
        self.told = [Told(f.name, f.severity, False) for f in episode.faults]
        self.raised: list[tuple[float, str]] = []
        self.history = History(episode.days) if record else None
        self.alone_s = 0.0
        self._standing = self._began_with = start.standing
        self._due = sorted(_timetable(episode), key=lambda entry: entry[0])
        self._spoilt: frozenset[str] = frozenset()
        self._ended: list[tuple[float, frozenset[str]]] = []
        self._now_s = 0.0
        self._alarms: object = None
        self._showing: list[Told] = []

    def run(self) -> Outcome:
        """Play it to its end."""
        end_s = self.episode.days * DAY_S
        self._write(None)
        while self._now_s < end_s - 1e-6:
            self._follow_timetable()
            decision = self.controller.step(self.world.measure())
            self.world.apply(decision.commands)
            self._note(decision)
            self._pass(decision, self._reach(min(max(decision.next_s, 1.0), 60.0), end_s))
        told = tuple(self.told)
        breaks, began_with = tuple(self.rules.breaks.values()), frozenset(code for code, _ in self._began_with)
        return Outcome(self.episode, breaks, told, tuple(self.raised), began_with, None, self.history, self.alone_s)

    def _reach(self, dt_s: float, end_s: float) -> float:
        until_s = min(end_s, self._due[0][0]) if self._due else end_s
        return min(dt_s, max(until_s - self._now_s, 1e-3))

    def _pass(self, decision: Decision, dt_s: float, dead: bool = False) -> None:
        self.world.advance(dt_s)
        self._now_s += dt_s
        for told in self._showing:
            told.showed_h += dt_s / HOUR_S
        self.rules.observe(decision, dt_s, self._lost(), dead, self.world.switched)
        if self.history is not None and self._now_s >= len(self.history) * ROW_S:
            self._write(decision)

    def _write(self, decision: Decision | None) -> None:
        if self.history is not None:
            on, limit = (decision.commands, decision.limit) if decision else (Commands(), "")
            self.history.add(self._now_s, self.world.truth, on.pump_duty, on.fan_duty, limit)

    def _lost(self) -> frozenset[str]:
        if self.world.taps:
            self._spoilt |= {READINGS}
        lost = self.world.lost | self._spoilt
        for until_s, takes in self._ended:
            if self._now_s < until_s:
                lost |= takes
        return lost

    def _follow_timetable(self) -> None:
        while self._due and self._due[0][0] <= self._now_s + 1e-3:
            _, index, begins = self._due.pop(0)
            kind = fault(self.episode.faults[index].name)
            if begins:
                self._begin(index, kind)
            else:
                self.world.end(kind)
                self._ended.append((self._now_s + GRACE_S, kind.takes))
                self._ended.append((self._now_s + PUSHED_GRACE_S, kind.takes & {PUSHED_WATER, PUSHED_AIR}))

    def _begin(self, index: int, kind: FaultKind) -> None:
        severity = self.episode.faults[index].severity
        self.told[index].promised = kind.is_promised(self.world.plant.scenario, severity)
        self.told[index].bit = proved(kind, severity, self.world.unfaulted())
        if kind.strike:
            self._spoilt |= kind.takes  # what was done to the state stays done
        if kind.program == RUNS:
            self.world.begin(kind, severity)
        else:
            before_s = self.alone_s
            self._alone(kind.program, kind.amount(severity) * 60.0)
            self.told[index].bit = self.alone_s > before_s

    def _alone(self, program: str, span_s: float) -> None:
        """Nobody at the helm: the last commands for the lease, then outputs off; then the program is back."""
        held = self.controller.step(self.world.measure())
        self.world.apply(held.commands)
        self._pass(held, LEASE_S, dead=True)
        self.world.apply(Commands())
        left_s = min(span_s, self.episode.days * DAY_S - self._now_s)
        while left_s > 1e-6:
            dt_s = min(GAP_TICK_S, left_s)
            self._pass(held, dt_s, dead=True)
            left_s -= dt_s
            self.alone_s += dt_s
        if program == KILL:
            self.controller = _woken(json.dumps(self.controller.snapshot()), self._settings)
        elif program == KILL_AFRESH:
            self.controller = Controller(self._settings)
            self.controller.expect(self.world.plant.scenario.sensors.fitted)
        else:
            assert program == HANG

    def _note(self, decision: Decision) -> None:
        """Keep alarms as they come up and faults as they can be seen."""
        if decision.alarms is not self._alarms:
            self._alarms = decision.alarms
            standing = standing_of(decision.alarms)
            for code, _ in sorted(standing - self._standing):
                self.raised.append((self._now_s, code))
                self._name(code)
            self._standing = standing
        on = decision.commands
        self._showing.clear()
        for told, injected in zip(self.told, self.episode.faults, strict=True):
            if injected.from_h * HOUR_S <= self._now_s < injected.until_h * HOUR_S:
                shows = FAULTS[told.name].shows
                if shows == ALWAYS or (on.pump_duty if shows == PUMP else on.fan_duty) > 0.0:
                    self._showing.append(told)
                    if told.shown_h is None:
                        told.shown_h = self._now_s / HOUR_S - injected.from_h

    def _name(self, code: str) -> None:
        now_h = self._now_s / HOUR_S
        for told, injected in zip(self.told, self.episode.faults, strict=True):
            in_time = injected.from_h <= now_h <= injected.until_h + TELL_AFTER_S / HOUR_S
            if told.named_h is None and in_time and code in FAULTS[told.name].names:
                told.named_h, told.code, told.named_after_h = now_h - injected.from_h, code, told.showed_h


def _timetable(episode: Episode) -> list[tuple[float, int, bool]]:
    """(when [s], which fault, does it begin)."""
    entries = []
    for index, f in enumerate(episode.faults):
        entries.append((f.from_h * HOUR_S, index, True))
        if fault(f.name).program == RUNS:
            entries.append((f.until_h * HOUR_S, index, False))
    return entries


_twins: OrderedDict[tuple[str, int, int], Outcome] = OrderedDict()


def faultless_twin(base: Scenario, episode: Episode, days: float = LONGEST_DAYS) -> Outcome:
    """The same plant and days without a fault, played once and kept."""
    key = (repr(base), episode.plant, episode.day)
    kept = _twins.get(key)
    if kept is None or kept.episode.days < episode.days:
        kept = _twins[key] = Play(base, Episode(episode.plant, episode.day, max(days, episode.days)), record=True).run()
    _twins.move_to_end(key)
    while len(_twins) > _TWINS_KEPT:
        _twins.popitem(last=False)
    return kept


def play(base: Scenario, episode: Episode, record: bool = False) -> tuple[Outcome, Outcome]:
    """Play an episode; returns it and its faultless twin (of six days, or longer if need be)."""
    for injected in episode.faults:
        if not fault(injected.name).fits(case_of(base, episode.plant).built):
            raise EpisodeError(
                f"fault {injected.name} does not fit plant {episode.plant}: it lacks that part or sensor"
            )
    twin = faultless_twin(base, episode)
    outcome = Play(base, episode, record).run()
    outcome.first_new = _first_new(outcome, twin)
    return outcome, twin


def _first_new(outcome: Outcome, twin: Outcome) -> str | None:
    """The first alarm since the first fault that did not stand before, and that the twin does not raise."""
    if not outcome.episode.faults:
        return None
    since_s = min(f.from_h for f in outcome.episode.faults) * HOUR_S
    usual = {code for _, code in twin.raised} | FROST_COST_CODES | outcome.began_with
    return next((code for at_s, code in outcome.raised if at_s >= since_s and code not in usual), None)


def drawn(base: Scenario, seed: int, number: int, per_plant: int = 24) -> Episode:
    """Draw episode ``number`` of a campaign: the plant changes every ``per_plant`` episodes, faults are dealt like cards.

    Every fault comes up once before any comes up again (as the first of its episode); half of the episodes have a second
    one, one in seven a third.
    """
    rng = np.random.default_rng([11, seed, number])
    plant = seed * 100_000 + number // per_plant
    built = case_of(base, plant).built
    names = [_dealt(seed, number)]
    names += [
        str(n) for n in rng.choice(list(FAULTS), size=int(rng.choice([0, 1, 2], p=[0.5, 0.36, 0.14])), replace=False)
    ]
    kinds = [fault(name) for name in dict.fromkeys(names) if fault(name).fits(built)]
    from_h = float(rng.uniform(1.0, 24.0))
    faults = tuple(
        _sized(kind, rng, from_h if i == 0 else from_h + float(rng.uniform(-1.0, 20.0))) for i, kind in enumerate(kinds)
    )
    ends_h = max((f.until_h for f in faults), default=24.0) + AFTER_H
    return Episode(plant, WARM_DAYS[number % len(WARM_DAYS)], round(min(ends_h / 24.0, LONGEST_DAYS), 3), faults)


def _dealt(seed: int, number: int) -> str:
    names = sorted(FAULTS)
    round_, place = divmod(number, len(names))
    return str(np.random.default_rng([13, seed, round_]).permutation(names)[place])


def _sized(kind: FaultKind, rng: np.random.Generator, from_h: float) -> Injected:
    for_h = float(np.exp(rng.uniform(np.log(kind.shortest_h), np.log(kind.longest_h))))
    return Injected(kind.name, round(from_h, 2), round(for_h, 2), round(float(rng.uniform(0.0, 1.0)), 2))


Fails = Callable[[Episode], bool]


def shrunk(episode: Episode, fails: Fails, most_plays: int = 16) -> tuple[Episode, int]:
    """The mildest, shortest, fewest-fault form found that still fails, and how many plays that took.

    Greedy, in this order: leave faults out, halve their times, halve their severity, end the episode sooner.
    """
    plays, best, tried = 0, episode, set[str]()
    changed = True
    while changed and plays < most_plays:
        changed = False
        for smaller in _smaller(best):
            if smaller.text in tried:
                continue
            if plays >= most_plays:
                break
            tried.add(smaller.text)
            plays += 1
            if fails(smaller):
                best, changed = smaller, True
                break
    return best, plays


def _smaller(e: Episode) -> list[Episode]:
    found = []
    for i in range(len(e.faults)):
        if len(e.faults) > 1:
            found.append(Episode(e.plant, e.day, e.days, e.faults[:i] + e.faults[i + 1 :]))
    for i, f in enumerate(e.faults):
        for smaller in (
            Injected(f.name, f.from_h, round(f.for_h / 2.0, 2), f.severity),
            Injected(f.name, f.from_h, f.for_h, round(f.severity / 2.0, 2)),
        ):
            if smaller.for_h >= 0.5 and smaller != f:
                found.append(Episode(e.plant, e.day, e.days, (*e.faults[:i], smaller, *e.faults[i + 1 :])))
    if e.days > 1.0:
        found.append(
            Episode(e.plant, e.day, round(e.days * 0.7, 3), tuple(f for f in e.faults if f.from_h < e.days * 16.8))
        )
    return [f for f in found if f.faults]
