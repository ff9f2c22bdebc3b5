"""Alarms as data, in the manner of ISA-18.2: states, delays, latching, acknowledgement, counts.

A condition must last for its on-delay to raise its alarm and be gone for its off-delay to end it; together they
bound how often it can come up, at whatever rate the condition flickers. A raised alarm is unacknowledged until the
grower acknowledges it. One that ended unacknowledged is kept in the summary as "returned-unacknowledged"; a latched one
also stays among the active ones until then, since it left something to look at. A consequence is not shown while its
cause stands (``controller.follows``; the standard calls it suppressed by design). Nothing here decides anything:
nobody needs to acknowledge for the greenhouse to stay safe. (The standard's terms are from memory.)
"""

from __future__ import annotations

from math import nan

from controller.alarm_kind import places_in
from controller.alarm_kinds import KINDS, AlarmKind
from controller.follows import CAUSES
from controller.memory import Memory
from controller.signals import Alarm

CODES = tuple(kind.code for kind in KINDS)
UNACKNOWLEDGED, ACKNOWLEDGED, RETURNED = "unacknowledged", "acknowledged", "returned-unacknowledged"
NORMAL = "normal"
NAMING = tuple(place for place, kind in enumerate(KINDS) if kind.names)  # these say of which parts they speak
NAMING_CODES = frozenset(CODES[place] for place in NAMING)


class Latch(Memory):
    """One alarm: whether it stands, whether anybody has acknowledged it, and how often it came up."""

    __slots__ = ("acknowledged", "against_s", "count", "more_s", "raised", "since_s", "value")

    def __init__(self) -> None:
        self.raised = False
        self.acknowledged = True  # nothing to acknowledge yet
        self.against_s = 0.0
        self.more_s = 0.0
        self.since_s = 0.0
        self.count = 0
        self.value = nan

    @property
    def state(self) -> str:
        """Its state: "normal", "unacknowledged", "acknowledged" or "returned-unacknowledged"."""
        if self.raised:
            return ACKNOWLEDGED if self.acknowledged else UNACKNOWLEDGED
        return NORMAL if self.acknowledged else RETURNED

    def update(self, kind: AlarmKind, is_so: bool, elapsed_s: float, time_s: float) -> bool:
        """Take the condition as it is now; return whether the alarm was raised or ended by it."""
        if is_so == self.raised:
            self.against_s = 0.0
            return False
        self.against_s += elapsed_s
        if self.against_s < (kind.off_delay_s if self.raised else kind.on_delay_s):
            return False
        self.raised, self.against_s = is_so, 0.0
        if is_so:
            self.since_s, self.acknowledged = time_s, False
            self.count += 1
        return True

    def name_more(self, kind: AlarmKind, places: float, elapsed_s: float, time_s: float) -> bool:
        """Take what a standing alarm would name now; return whether it is told anew since something new lasts."""
        more = places_in(places) & ~places_in(self.value)
        self.more_s = self.more_s + elapsed_s if more else 0.0
        if not more or self.more_s < kind.on_delay_s:
            return False
        self.value = float(places_in(self.value) | more)
        self.more_s, self.since_s, self.acknowledged = 0.0, time_s, False
        self.count += 1
        return True

    def alarm(self, kind: AlarmKind) -> Alarm:
        """Return it as data."""
        acked = self.acknowledged
        return Alarm(
            kind.code,
            kind.severity,
            self.since_s,
            kind.shown(self.value),
            kind.do,
            acked,
            kind.cause,
            kind.clears,
            self.state,
            int(self.count),
        )


class AlarmBoard(Memory):
    """All alarms of the controller."""

    __slots__ = ("_active", "_restless", "_settled", "latches")

    def __init__(self) -> None:
        self.latches = [Latch() for _ in KINDS]
        self._active: tuple[Alarm, ...] | None = None  # to be told anew
        self._settled: tuple[bool, ...] | None = None  # conditions with nothing waiting for its delay
        self._restless: tuple[int, ...] = tuple(range(len(KINDS)))  # those whose delay may have begun

    def update(
        self, conditions: tuple[bool, ...], elapsed_s: float, time_s: float, *shown: object
    ) -> tuple[Alarm, ...]:
        """Take the conditions in the order of ``KINDS`` and return the alarms that stand.

        ``shown`` are the objects in which an alarm finds the value it quotes, by its kind's ``quantity``.
        """
        if conditions != self._settled:
            self._follow(conditions, elapsed_s, time_s, shown)
        for place in NAMING:
            latch, kind = self.latches[place], KINDS[place]
            if latch.raised and latch.name_more(kind, _quoted(kind.quantity, shown), elapsed_s, time_s):
                self._active = None
        if self._active is None:
            self._active = tuple(
                latch.alarm(kind)
                for i, (latch, kind) in enumerate(zip(self.latches, KINDS, strict=True))
                if (latch.raised or (kind.latched and not latch.acknowledged)) and not self._follows(i)
            )
        return self._active

    def _follows(self, place: int) -> bool:
        """Tell whether an alarm is a mere consequence of one that stands."""
        return any(self.latches[cause].raised for cause in CAUSES[place])

    def _follow(self, conditions: tuple[bool, ...], elapsed_s: float, time_s: float, shown: tuple[object, ...]) -> None:
        latches = self.latches
        differ = [i for i, is_so in enumerate(conditions) if is_so != latches[i].raised]
        for i in {*differ, *self._restless}:
            if latches[i].update(KINDS[i], conditions[i], elapsed_s, time_s):
                self._active = None
                if latches[i].raised:
                    latches[i].value = _quoted(KINDS[i].quantity, shown)
        self._restless = tuple(differ)
        self._settled = None if differ else conditions

    def acknowledge(self, code: str) -> bool:
        """Note that the grower has seen an alarm; return whether there was one. ``ValueError`` for an unknown code."""
        if code not in CODES:
            raise ValueError(f"code = {code!r} is no alarm: the codes are {', '.join(CODES)}")
        latch = self.latches[CODES.index(code)]
        was, latch.acknowledged, self._active = latch.state, True, None
        return was in (UNACKNOWLEDGED, RETURNED)

    def summary(self) -> tuple[Alarm, ...]:
        """Return every alarm that is not normal, standing or ended and not acknowledged, but no mere consequence."""
        return tuple(
            latch.alarm(kind)
            for i, (latch, kind) in enumerate(zip(self.latches, KINDS, strict=True))
            if latch.state != NORMAL and not self._follows(i)
        )

    def counts(self) -> dict[str, int]:
        """Return how often each alarm came up, those that never did left out."""
        return {kind.code: int(latch.count) for latch, kind in zip(self.latches, KINDS, strict=True) if latch.count}


def _quoted(quantity: str, shown: tuple[object, ...]) -> float:
    for place in shown:
        value = getattr(place, quantity, None) if quantity else None
        if isinstance(value, (int, float)):
            return float(value)
    return nan
