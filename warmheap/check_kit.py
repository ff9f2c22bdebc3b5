"""What every check is made of: a course of steps that the loop takes one by one.

A course is a generator: it yields what shall be put out until the next look, and gets the measurements of that look. So a
check is written from top to bottom, and still nothing in it waits: leases, heartbeat and signals are the loop's.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from math import isfinite, nan
from typing import Any, NamedTuple, TypeVar

from controller.settings import ControllerSettings
from controller.signals import Commands, Measurements
from hardware.reading import GOOD, Reading
from hardware.settings import BoardSettings

from .check_ask import Questions
from .check_found import LEFT, WRONG, Finding, Report
from .check_guards import OFF, Guards

TICK_S = 1.0
ANSWER_S = 300.0  # a question that nobody answers is left out after this
LONGEST_S = 1700.0  # half an hour, less what is looked at before, and what comes to rest at the end
OVER = "half an hour is over"
LAST_FEW = 3
FEWEST = 3  # looks while an output runs before an answer ends it

T = TypeVar("T")


class Step(NamedTuple):
    """What is put out, and how soon the loop looks again."""

    commands: Commands = OFF
    next_s: float = TICK_S


Course = Generator[Step, Measurements, T]


class Sample(NamedTuple):
    """One look: measurements, and the amperes drawn from the battery of the output that is looked at."""

    m: Measurements
    amps: float


@dataclass(frozen=True, slots=True)
class Move:
    """A stretch of time at one duty: what was seen, and why it ended early (a guard's reason)."""

    samples: list[Sample]
    reason: str = ""
    lasted_s: float = 0.0

    def late(self, name: str) -> float:
        """Median of the last few readings of ``name`` ("amps", or a field of the measurements); NaN for none."""
        seen = [value for s in self.samples if isfinite(value := _of(s, name))][-LAST_FEW:]
        return sorted(seen)[len(seen) // 2] if seen else nan

    def early(self, name: str) -> float:
        """The first reading of ``name``."""
        return next((value for s in self.samples if isfinite(value := _of(s, name))), nan)

    def times_above(self, name: str, limit: float) -> int:
        """How often ``name`` was above ``limit``."""
        return sum(_of(s, name) > limit for s in self.samples)


def _of(sample: Sample, name: str) -> float:
    return sample.amps if name == "amps" else float(getattr(sample.m, name))


@dataclass(slots=True)
class Kit:
    """What a check works with. ``why_still`` says why nothing may move; ``moved`` and ``rested`` are what batteries and
    outputs showed; ``held`` maps a place to the probe that rose in the hand there."""

    settings: ControllerSettings
    board: BoardSettings | None
    readings: Callable[[], dict[str, Reading]]
    report: Report
    ask: Questions
    say: Callable[[str], None]
    guards: Guards
    why_still: str = ""
    spares: Callable[[], dict[str, Reading]] = dict
    moved: dict[str, tuple[float, Move]] = field(default_factory=dict)
    rested: dict[str, Move] = field(default_factory=dict)
    held: dict[str, str] = field(default_factory=dict)
    last: Measurements = field(default_factory=lambda: Measurements(time_s=nan))
    ends_s: float = nan

    @property
    def late(self) -> bool:
        """Whether the half hour is over."""
        return self.last.time_s >= self.ends_s

    def amps(self, output: str) -> float:
        """Amperes out of the battery of ``output``; NaN when nothing measures them."""
        reading = self.readings().get(f"{output}_battery_a", Reading())
        return reading.value if reading.quality == GOOD else nan


def look(kit: Kit, step: Step) -> Course[Measurements]:
    """Put out a step, and take what comes of it."""
    m = yield step
    kit.guards.look(m, step.commands)
    kit.last = m
    return m


def still(
    kit: Kit, seconds: float, output: str = "pump", done: Callable[[Move], bool] = lambda move: False
) -> Course[Move]:
    """Nothing moves, for ``seconds`` or until ``done``."""
    return (yield from _hold(kit, output, 0.0, seconds, done))


def drive(
    kit: Kit, output: str, duty: float, seconds: float, done: Callable[[Move], bool] = lambda move: False
) -> Course[Move]:
    """Run one output for ``seconds``, or until ``done`` or a guard says stop; off afterwards."""
    move = yield from _hold(kit, output, duty, seconds, done)
    yield from look(kit, Step())
    return move


def _hold(kit: Kit, output: str, duty: float, seconds: float, done: Callable[[Move], bool]) -> Course[Move]:
    began_s, samples = kit.last.time_s, list[Sample]()
    commands = Commands(**{f"{output}_duty": duty})
    while True:
        reason = why_not(kit, output) if duty > 0.0 else ""
        move = Move(samples, reason, kit.last.time_s - began_s)
        if reason or move.lasted_s >= seconds or done(move):
            return move
        m = yield from look(kit, Step(commands))
        samples.append(Sample(m, kit.amps(output)))


def why_not(kit: Kit, output: str) -> str:
    """Why an output must not run now; empty when it may."""
    return OVER if kit.late else kit.guards.against(output)


def answered(kit: Kit) -> Course[Any]:
    """The answer to the question that stands, outputs off; None once it has stood too long."""
    until_s = min(kit.last.time_s + ANSWER_S, kit.ends_s)
    while not kit.ask.poll():
        if kit.last.time_s >= until_s:
            kit.ask.drop()
        else:
            yield from look(kit, Step())
    return kit.ask.answer


def drive_asking(kit: Kit, output: str, duty: float, seconds: float) -> Course[tuple[Move, Any]]:
    """Run an output while a question stands, and wait for the answer with it off if none came."""
    move = yield from drive(kit, output, duty, seconds, lambda move: len(move.samples) >= FEWEST and kit.ask.poll())
    return move, (yield from answered(kit))


def may_move(kit: Kit, name: str, output: str, text: str, only: str = "") -> Course[bool]:
    """Whether ``output`` may move now: asked, and allowed by the guards; else the finding is told.

    ``only`` is what the check is called on the command line, where that is not ``name``.
    """
    if kit.why_still:
        kit.report.add(Finding(name, LEFT, "not moved: see outputs"))
        return False
    if kit.report.says(output, WRONG):
        mend = f"mend it, then: warmheap check --only {output} {only or name}"
        kit.report.add(Finding(name, LEFT, f"not moved: the {output} does not work yet", mend))
        return False
    reason = why_not(kit, output)
    if reason:
        kit.report.add(
            Finding(name, LEFT, f"not moved: {reason}", f"mend that, then: warmheap check --only {only or name}")
        )
        return False
    kit.ask.consent(text)
    if not (yield from answered(kit)):
        kit.report.add(Finding(name, LEFT, "not moved: nobody said yes", "answer y, or give --yes"))
        return False
    return True
