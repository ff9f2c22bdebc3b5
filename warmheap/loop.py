"""The one loop: measure, decide, apply, wait. It does not know which plant it drives.

Control runs on the monotonic clock; the wall clock only dates the log. Whatever can block (disk, terminal) is the scribe's,
in another thread: nothing in here waits for anything but time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from time import monotonic
from typing import Protocol

from controller import Commands, Decision, Measurements

from .heart import BEAT_S, Heart

SHORTEST_S, LONGEST_S = 1.0, 60.0
DUTY_OFF_BY = 0.011  # software PWM knows whole percents
STRIKES = 3


class Plant(Protocol):
    """What the loop drives."""

    def measure(self) -> Measurements:
        """The readings now."""

    def apply(self, commands: Commands) -> None:
        """Set the duties for the length of a lease."""

    def renew(self) -> bool:
        """Renew the leases; False if one had run out."""

    def duties(self) -> dict[str, float]:
        """What is really put out."""

    def pass_time(self, dt_s: float) -> None:
        """Hear that ``dt_s`` have passed; the simulator computes them, the board need not be told."""


class Decider(Protocol):
    """What decides."""

    def step(self, measurements: Measurements) -> Decision:
        """One decision."""


@dataclass(frozen=True, slots=True)
class Tick:
    """One turn of the loop, as the scribe gets it. ``late_s``: how much later than due it began."""

    measurements: Measurements
    decision: Decision
    late_s: float
    took_s: float


class OutputFault(Exception):
    """An output does not do what it is told."""


@dataclass(slots=True)
class Jitter:
    """How punctual the ticks are."""

    ticks: int = 0
    late_s: float = 0.0
    latest_s: float = 0.0
    took_s: float = 0.0

    def note(self, late_s: float, took_s: float) -> None:
        """Count one tick."""
        self.ticks += 1
        self.late_s += late_s
        self.latest_s = max(self.latest_s, late_s)
        self.took_s += took_s

    def __str__(self) -> str:
        """In words."""
        n = max(self.ticks, 1)
        return (
            f"{self.ticks} ticks, {1e3 * self.late_s / n:.1f} ms late on average, {1e3 * self.latest_s:.0f} ms at most, "
            f"{1e3 * self.took_s / n:.1f} ms of work each"
        )


class Loop:
    """Runs ``controller`` on ``plant`` until the heart says stop or ``days`` of plant time are over.

    The controller is called after its own ``next_s``, held to 1..60 s, or every ``tick_s``; ``speed`` shortens the waiting.
    ``scribe`` hears every tick; it must return at once. ``called`` is asked while waiting whether somebody wants a turn
    now; it must return at once too.
    """

    def __init__(
        self,
        plant: Plant,
        controller: Decider,
        heart: Heart,
        scribe: Callable[[Tick], None],
        *,
        speed: float = 1.0,
        tick_s: float | None = None,
        called: Callable[[], bool] = lambda: False,
        clock: Callable[[], float] = monotonic,
    ) -> None:
        self._plant, self._controller, self._heart, self._scribe = plant, controller, heart, scribe
        self._speed, self._tick_s, self._clock, self._called = speed, tick_s, clock, called
        self._due_s = clock()
        self._strikes = 0
        self.jitter = Jitter()

    def run(self, seconds: float = float("inf")) -> None:
        """Turn until it is time to stop; ``seconds`` of plant time at most. ``OutputFault`` if an output does not obey."""
        end_s = float("nan")
        self._heart.beat()  # from here on a standstill is noticed: before the first tick can switch anything on
        while not self._heart.stopping and not self._heart.orphaned:
            now_s, next_s = self._tick()
            end_s = now_s + seconds if end_s != end_s else end_s
            if now_s >= end_s:
                break
            self._wait(min(next_s, end_s - now_s))

    def _tick(self) -> tuple[float, float]:
        """Measure, decide, apply; returns the plant's time and how long to wait."""
        began_s = self._clock()
        late_s = max(0.0, began_s - self._due_s)
        m = self._plant.measure()
        decision = self._controller.step(m)
        self._plant.apply(decision.commands)
        self._check_outputs(decision.commands)
        took_s = self._clock() - began_s
        self.jitter.note(late_s, took_s)
        self._scribe(Tick(m, decision, late_s, took_s))
        self._heart.beat()
        return m.time_s, self._tick_s or min(max(decision.next_s, SHORTEST_S), LONGEST_S)

    def _wait(self, dt_s: float) -> None:
        """Let ``dt_s`` of plant time pass. Beats and renewals happen here and nowhere else, so a stuck tick has neither."""
        self._due_s += dt_s / self._speed
        if self._clock() > self._due_s + dt_s / self._speed:
            self._due_s = self._clock()  # far behind: catching up would only be a burst of ticks
        while (left_s := self._due_s - self._clock()) > 0.0:
            if self._heart.wait(min(left_s, BEAT_S)):
                return
            if not self._plant.renew():
                break  # the process slept through its lease: decide anew at once
            self._heart.beat()
            if self._called():
                dt_s = max(0.0, dt_s - max(0.0, self._due_s - self._clock()) * self._speed)
                self._due_s = self._clock()
                break
        else:
            self._heart.wait(0.0)  # at high speed there is no waiting, but signals must be heard
            self._heart.beat()
        self._plant.pass_time(dt_s)

    def _check_outputs(self, commands: Commands) -> None:
        """Read back what is put out. Once may be chance; three ticks running is a fault, and ends in a restart."""
        wanted = {"pump": commands.pump_duty, "fan": commands.fan_duty}
        wrong = {n: d for n, d in self._plant.duties().items() if not abs(d - wanted[n]) <= DUTY_OFF_BY}
        self._strikes = self._strikes + 1 if wrong else 0
        if self._strikes >= STRIKES:
            name, duty = next(iter(wrong.items()))
            raise OutputFault(f"{name} is told {wanted[name]:.2f} and puts out {duty:.2f}")
