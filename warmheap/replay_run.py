"""A recorded ledger through a controller of today: same readings, same commands of the grower, same restarts.

Open loop: the recorded readings answer to the recorded decisions, so each decision is compared on what was seen then.
Once decisions differ the pile would have gone another way, and the heat difference is an estimate: the recorded rise of
the water times the difference of flow by the pump's curve.
"""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime
from math import isfinite, nan
from pathlib import Path
from typing import Any

from controller import Controller, ControllerSettings, Decision, Measurements, SettingsError
from controller.media import WATER_J_KG_K
from controller.memory import SnapshotError
from controller.pump import PumpCurve

from .heat_book import LONGEST_SPAN_S
from .ledger_read import check_times, reading
from .ledger_schema import READINGS

VERBS = ("hand_run", "end_hand_run", "declare_drained", "declare_filled", "acknowledge")
DUTY_DIFFERS = 1e-9
KEPT_POINTS = 3000


@dataclass(frozen=True, slots=True)
class Differs:
    """A stretch of ticks in which the two disagree in the same way."""

    from_s: float
    to_s: float
    ticks: int
    recorded: tuple[str, str]
    replayed: tuple[str, str]
    why: str


@dataclass(slots=True)
class Replayed:
    """What came of it. ``water_j`` is replayed less recorded draw by water, estimated; ``duty_s`` of pump and fan."""

    ticks: int = 0
    skipped: int = 0
    differing: int = 0
    largest_duty: float = 0.0
    water_j: float = 0.0
    pump_duty_s: float = 0.0
    fan_duty_s: float = 0.0
    stretches: list[Differs] = field(default_factory=list)
    points: list[tuple[float, float, float, float, float]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    kinds: Counter[str] = field(default_factory=Counter)

    def summary(self) -> dict[str, Any]:
        """As JSON values."""
        return {
            "ticks": self.ticks, "skipped": self.skipped, "differing": self.differing, "largest_duty": self.largest_duty,
            "water_kwh_estimated": self.water_j / 3.6e6, "pump_full_load_s": self.pump_duty_s,
            "fan_full_load_s": self.fan_duty_s, "why": dict(self.kinds.most_common()), "notes": self.notes,
            "stretches": [
                {"from": _utc(s.from_s), "to": _utc(s.to_s), "ticks": s.ticks, "recorded": s.recorded,
                 "replayed": s.replayed, "why": s.why} for s in self.stretches
            ],
        }  # fmt: skip

    def lines(self, most: int) -> Iterator[str]:
        """In words."""
        yield from self.notes
        if not self.differing:
            yield f"{self.ticks} ticks replayed: today's controller decides each as then."
            return
        off = f"{self.differing} decided otherwise, duties up to {self.largest_duty:.2f} apart"
        yield f"{self.ticks} ticks replayed, {off}."
        yield (
            f"Pump {self.pump_duty_s / 3600:+.2f} and fan {self.fan_duty_s / 3600:+.2f} full-load hours; heat by water "
            f"about {self.water_j / 3.6e6:+.1f} kWh (an estimate: the pile would have answered)."
        )
        for s in self.stretches[:most]:
            then, now = "/".join(s.recorded), "/".join(s.replayed)
            yield f"  {_utc(s.from_s)} {s.ticks:5d} ticks  {then} -> {now}: {s.why}"
        if len(self.stretches) > most:
            yield f"  and {len(self.stretches) - most} stretches more (--json shows them all)"


def _utc(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%dT%H:%M:%S")


def replay(
    path: Path,
    settings: ControllerSettings | None = None,
    since_s: float = float("-inf"),
    until_s: float = float("inf"),
) -> Replayed:
    """Replay a whole ledger; differences are noted between ``since_s`` and ``until_s``.

    ``settings`` replace the recorded ones. ``UsageError`` in one line when the ledger cannot be read.
    """
    with reading(path) as db:
        check_times(db, path)
        return _Replay(db, settings, since_s, until_s).go()


class _Replay:
    def __init__(
        self, db: sqlite3.Connection, settings: ControllerSettings | None, since_s: float, until_s: float
    ) -> None:
        self._db, self._given, self._since_s, self._until_s = db, settings, since_s, until_s
        self._out = Replayed()
        self._controller: Controller | None = None
        self._deeds = _deeds(db)
        self._next = 0
        self._before: tuple[sqlite3.Row, Decision] | None = None
        ticks = db.execute("SELECT count(*) FROM ticks").fetchone()[0]
        self._every = max(1, ticks // KEPT_POINTS)

    def go(self) -> Replayed:
        for row in self._db.execute("SELECT * FROM ticks ORDER BY id"):
            self._do_what_was_done(row["id"])
            if self._controller is None:
                self._out.skipped += 1
                continue
            decision = self._controller.step(_measurements(row))
            self._compare(row, decision)
            self._before = (row, decision)
        if self._out.skipped:
            self._out.notes.append(
                f"{self._out.skipped} ticks came before the first kept memory of the controller: not replayed"
            )
        if not self._out.ticks and not self._out.notes:
            self._out.notes.append("the ledger holds no ticks")
        return self._out

    def _do_what_was_done(self, tick_id: int) -> None:
        while self._next < len(self._deeds) and self._deeds[self._next][0] < tick_id:
            _, row = self._deeds[self._next]
            self._next += 1
            self._start(row) if "snapshot" in row.keys() else self._obey(row)  # noqa: SIM118 - a Row is no dictionary

    def _start(self, row: sqlite3.Row) -> None:
        """A start and what follows lost rows put the controller where it was then; a checkpoint only where there is none."""
        if row["kind"] == "checkpoint" and self._controller is not None:
            return
        try:
            settings = self._given or ControllerSettings(**_known(json.loads(row["settings"])))
        except (SettingsError, AttributeError, TypeError, ValueError) as wrong:
            self._out.notes.append(f"settings recorded {_utc(row['wall_s'])} do not fit ({wrong}): defaults taken")
            settings = ControllerSettings()
        try:
            self._controller = Controller.restore(settings, json.loads(row["snapshot"]))
        except (SnapshotError, ValueError) as wrong:
            self._out.notes.append(
                f"memory recorded {_utc(row['wall_s'])} does not fit this version ({wrong}): begun afresh"
            )
            self._controller = Controller(settings)

    def _obey(self, row: sqlite3.Row) -> None:
        if self._controller is None or row["outcome"] != "done":
            return
        if row["verb"] not in VERBS:
            self._out.notes.append(f"command {row['verb']!r} is not known to this version: left out")
            return
        try:
            getattr(self._controller, row["verb"])(*json.loads(row["arguments"]))
        except (ValueError, TypeError) as wrong:
            self._out.notes.append(f"command {row['verb']} is refused today: {wrong}")

    def _compare(self, row: sqlite3.Row, d: Decision) -> None:
        out, time_s = self._out, row["time_s"]
        out.ticks += 1
        if not self._since_s <= time_s <= self._until_s:
            return
        self._weigh(row)
        then_pump, then_fan = row["pump_duty"] or 0.0, row["fan_duty"] or 0.0
        off = max(abs(d.commands.pump_duty - then_pump), abs(d.commands.fan_duty - then_fan))
        if out.ticks % self._every == 0:
            out.points.append((time_s, then_pump, d.commands.pump_duty, then_fan, d.commands.fan_duty))
        recorded, replayed = (row["phase"], row["limited_by"]), (d.phase, d.limit)
        if off <= DUTY_DIFFERS and recorded == replayed:
            return
        out.differing += 1
        out.largest_duty = max(out.largest_duty, off)
        out.kinds["/".join(recorded) + " -> " + "/".join(replayed)] += 1
        self._stretch(Differs(time_s, time_s, 1, recorded, replayed, d.reason))

    def _stretch(self, new: Differs) -> None:
        last = self._out.stretches[-1] if self._out.stretches else None
        near = last is not None and new.from_s - last.to_s <= LONGEST_SPAN_S
        if last is not None and near and (last.recorded, last.replayed) == (new.recorded, new.replayed):
            self._out.stretches[-1] = Differs(
                last.from_s, new.to_s, last.ticks + 1, last.recorded, last.replayed, last.why
            )
        else:
            self._out.stretches.append(new)

    def _weigh(self, row: sqlite3.Row) -> None:
        """Book what the last two decisions, held until now, would have made different."""
        if self._before is None or self._controller is None:
            return
        was, decision = self._before
        span_s = row["time_s"] - was["time_s"]
        if not 0.0 < span_s <= LONGEST_SPAN_S:
            return
        pump, fan = (
            decision.commands.pump_duty - (was["pump_duty"] or 0.0),
            decision.commands.fan_duty - (was["fan_duty"] or 0.0),
        )
        self._out.pump_duty_s += pump * span_s
        self._out.fan_duty_s += fan * span_s
        rise_k = _value(row["water_supply_c"]) - _value(row["water_return_c"])
        if pump and isfinite(rise_k):
            curve, volts = PumpCurve(self._controller.settings), _value(row["pump_battery_v"])
            flows = [
                curve.flow_kg_s(duty, volts) if duty > 0.0 else 0.0
                for duty in (decision.commands.pump_duty, was["pump_duty"] or 0.0)
            ]
            self._out.water_j += (flows[0] - flows[1]) * WATER_J_KG_K * rise_k * span_s


def _deeds(db: sqlite3.Connection) -> list[tuple[int, sqlite3.Row]]:
    """Starts and commands, each with the tick it came after, in order."""
    found = [
        (row["after_tick"], row["wall_s"], row)
        for t in ("starts", "commands")
        for row in db.execute(f"SELECT * FROM {t} ORDER BY id")
    ]  # noqa: S608, E501
    return [(tick, row) for tick, _, row in sorted(found, key=lambda deed: deed[:2])]


def _known(settings: dict[str, Any]) -> dict[str, Any]:
    """Recorded settings without those that this version does not have any more."""
    names = {f.name for f in fields(ControllerSettings)}
    return {name: value for name, value in settings.items() if name in names}


def _measurements(row: sqlite3.Row) -> Measurements:
    return Measurements(time_s=_value(row["time_s"]), **{name: _value(row[name]) for name in READINGS})


def _value(value: float | None) -> float:
    return nan if value is None else value
