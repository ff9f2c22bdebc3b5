"""Alarms as data: each latched with a delay before it rises and another before it clears."""

from __future__ import annotations

from dataclasses import dataclass

from controller.memory import Memory
from controller.signals import Alarm


@dataclass(frozen=True, slots=True)
class AlarmKind:
    """One condition worth telling: after how long it is raised and cleared [s], and what to do about it."""

    code: str
    severity: str
    on_delay_s: float
    off_delay_s: float
    seen: str
    do: str


_ORDER = "After a fault connect battery, panel, load, in this order."
KINDS = (
    AlarmKind(
        "pile-probe",
        "critical",
        1800.0,
        600.0,
        "No probe in the pile gives a reading; the draw has stopped.",
        "Check the probes in the pile and their cable.",
    ),
    AlarmKind(
        "core-probe",
        "warning",
        1800.0,
        600.0,
        "The core probe is silent; the edge probe stands in and less heat is drawn.",
        "Check the core probe and its cable.",
    ),
    AlarmKind(
        "supply-probe",
        "warning",
        1800.0,
        600.0,
        "The supply probe is silent; the heat drawn is guessed high.",
        "Check the probe where the water leaves the pile.",
    ),
    AlarmKind(
        "pump-battery",
        "warning",
        300.0,
        1800.0,
        "The pump's battery is low or gives no reading.",
        f"Check panel, fuse and battery of the pump. {_ORDER}",
    ),
    AlarmKind(
        "fan-battery",
        "warning",
        300.0,
        1800.0,
        "The fan's battery is low or gives no reading.",
        f"Check panel, fuse and battery of the fan. {_ORDER}",
    ),
    AlarmKind(
        "no-flow",
        "critical",
        0.0,
        600.0,
        "The pump is on but no water moves.",
        "Look for air at the high point, a closed valve, a loose lead or ice, then bleed the loop.",
    ),
    AlarmKind(
        "flow-meter",
        "notice",
        600.0,
        600.0,
        "The flow meter reads nothing though the water moves; flow is taken from the pump curve.",
        "Clean or replace the flow meter.",
    ),
    AlarmKind(
        "scald",
        "notice",
        900.0,
        6 * 3600.0,
        "Water leaves the pile hotter than the scald limit; the pump runs faster to cool it.",
        "Fit a tempering valve where people can touch the water or the pipe.",
    ),
    AlarmKind(
        "frost",
        "critical",
        900.0,
        900.0,
        "The line may freeze and the pump cannot turn.",
        "Drain the line, or restore the pump's power.",
    ),
    AlarmKind(
        "frost-cost",
        "warning",
        6 * 3600.0,
        86400.0,
        "Keeping the line from freezing takes more than a tenth of the heat the pile makes.",
        "Insulate or bury the line, or drain it for the cold spell: the pile will not bear this for long.",
    ),
    AlarmKind(
        "pile-cold",
        "warning",
        6 * 3600.0,
        12 * 3600.0,
        "The core is below its floor.",
        "Nothing is drawn. If it does not recover in days: check moisture and air, turn or feed the pile.",
    ),
    AlarmKind(
        "pile-hot",
        "warning",
        3 * 3600.0,
        6 * 3600.0,
        "The core is so hot that its microbes suffer.",
        "Keep it moist; open the air path. Above 80 °C keep watch for fire.",
    ),
    AlarmKind(
        "pile-ending",
        "notice",
        0.0,
        86400.0,
        "Two weeks of rest did not bring the core back: the pile is ending.",
        "Turn, wet and feed it, or drain the line and build the next.",
    ),
)
CODES = tuple(kind.code for kind in KINDS)


class Latch(Memory):
    """Whether one alarm stands, and for how long its condition has been otherwise."""

    __slots__ = ("against_s", "raised", "since_s")

    def __init__(self) -> None:
        self.raised = False
        self.against_s = 0.0
        self.since_s = 0.0

    def update(self, kind: AlarmKind, is_so: bool, elapsed_s: float, time_s: float) -> None:
        """Take the condition as it is now."""
        if is_so == self.raised:
            self.against_s = 0.0
            return
        self.against_s += elapsed_s
        if self.against_s >= (kind.off_delay_s if self.raised else kind.on_delay_s):
            self.raised, self.against_s, self.since_s = is_so, 0.0, time_s


class AlarmBoard(Memory):
    """All alarms of the controller."""

    __slots__ = ("_active", "_settled", "latches")

    def __init__(self) -> None:
        self.latches = [Latch() for _ in KINDS]
        self._active: tuple[Alarm, ...] = ()
        self._settled: tuple[bool, ...] | None = None

    def update(self, conditions: tuple[bool, ...], elapsed_s: float, time_s: float) -> tuple[Alarm, ...]:
        """Take the conditions in the order of ``KINDS`` and return the alarms that stand."""
        if conditions == self._settled:
            return self._active
        for latch, kind, is_so in zip(self.latches, KINDS, conditions, strict=True):
            latch.update(kind, is_so, elapsed_s, time_s)
        raised = tuple(latch.raised for latch in self.latches)
        self._settled = raised if raised == conditions else None  # nothing is waiting for its delay
        self._active = tuple(
            Alarm(kind.code, kind.severity, latch.since_s, kind.seen, kind.do)
            for latch, kind in zip(self.latches, KINDS, strict=True)
            if latch.raised
        )
        return self._active
