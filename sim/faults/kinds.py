"""What a fault is: a row of data. `sim.faults.library` collects them, `sim.faults.plant` makes them happen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import nan
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sim.faults.plant import FaultyPlant
    from sim.scenario import Scenario

Share = float  # 0..1
Amount = float  # in the unit that the fault's ``measure`` states
Alter = Callable[["FaultyPlant", Amount, float], None]  # the plant, how much, for how long it has stood [s]
Strike = Callable[["FaultyPlant", Amount], None]
Look = Callable[["FaultyPlant"], float]

ALWAYS, PUMP, FAN = "always", "pump", "fan"  # when a symptom can be seen at all
RUNS, KILL, KILL_AFRESH, HANG = "runs", "kill", "kill afresh", "hang"  # what becomes of the program


@dataclass(frozen=True, slots=True)
class Proof:
    """How a fault shows that it bites, beside the same plant without it.

    Both are brought to full batteries and an open line, run for ``after_s`` under the two duties (from a kick at full),
    and must then
    differ by ``least`` or more in what ``look`` sees. A value that is missing on one side only differs too.
    """

    what: str
    look: Look
    least: Amount
    pump: Share = 0.0
    fan: Share = 0.0
    after_s: float = 120.0


@dataclass(frozen=True, slots=True)
class FaultKind:
    """One thing that goes wrong.

    ``stories`` are numbers of the list in `sim.faults.stories`; ``symptom`` is what the grower sees and ``answer`` what a
    controller must do; ``mild`` to ``harsh`` is the range of ``measure``. ``alter`` changes parameters, sensors, weather or
    wires for as long as the fault stands, ``strike`` the state when it begins, ``mend`` when it ends. ``names`` are the
    alarms that name the fault or the class from which the fitted sensors cannot tell it; none: it is not told, and
    ``would_tell`` says which sensor would. ``promised_h``: from the severity ``promised_from`` on, one of them comes up
    before the symptom has shown for so long, if the sensors it ``needs`` are fitted; NaN: the sensors may miss it.
    ``takes`` is what the plant can no longer do (`sim.rules`); ``shows`` what must be commanded for the symptom to show.
    """

    name: str
    stories: tuple[int, ...]
    symptom: str
    answer: str
    measure: str
    mild: Amount
    harsh: Amount
    proof: Proof
    alter: Alter | None = None
    strike: Strike | None = None
    mend: Strike | None = None
    names: frozenset[str] = field(default_factory=frozenset)
    would_tell: str = ""
    promised_h: float = nan
    promised_from: Share = 0.0
    needs: tuple[str, ...] = ()
    takes: frozenset[str] = field(default_factory=frozenset)
    shows: str = ALWAYS
    ages: bool = False
    shortest_h: float = 6.0
    longest_h: float = 72.0
    program: str = RUNS
    fits: Callable[[Scenario], bool] = lambda scenario: True

    def is_promised(self, scenario: Scenario, severity: Share) -> bool:
        """Whether it is to be named in time on this plant."""
        promised = self.promised_h == self.promised_h and severity >= self.promised_from
        return promised and set(self.needs) <= set(scenario.sensors.fitted)

    def amount(self, severity: Share) -> Amount:
        """How much of ``measure`` a severity of 0 (mild) to 1 (harsh) means."""
        return self.mild + (self.harsh - self.mild) * severity


@dataclass(frozen=True, slots=True)
class Injected:
    """One fault of an episode: which, from when, for how long, how bad (0 mild .. 1 harsh)."""

    name: str
    from_h: float
    for_h: float
    severity: Share

    @property
    def until_h(self) -> float:
        """When it ends."""
        return self.from_h + self.for_h
