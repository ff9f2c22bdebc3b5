"""What a ledger says, by local day: sums of heat, temperatures, limits, alarms. Reads only; the loop may be writing."""

from __future__ import annotations

import json
import sqlite3
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, tzinfo
from math import nan
from pathlib import Path
from typing import Any

from controller import ControllerSettings, SettingsError

from . import ledger_rollups as rollups
from .errors import UsageError
from .heat_book import BOOKED
from .ledger_read import check_times, reading
from .ledger_schema import EXTREMES, MEANS, PERIODS_S, ROLLED

HOUR_S = PERIODS_S["hour"]
LAST = (
    "core_c_mean",
    "core_sd_c_mean",
    "heat_made_w_mean",
    "sustainable_w_mean",
    "left_days",
    "left_low_days",
    "left_high_days",
)


@dataclass(slots=True)
class Day:
    """One local day: sums of the columns of ``Booked``, means and extremes of readings, seconds by limit."""

    day: date
    sums: dict[str, float] = field(default_factory=lambda: dict.fromkeys(BOOKED, 0.0))
    means: dict[str, float] = field(default_factory=dict)
    low: dict[str, float] = field(default_factory=dict)
    high: dict[str, float] = field(default_factory=dict)
    limits: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    weight: dict[str, float] = field(default_factory=lambda: defaultdict(float))


@dataclass(slots=True)
class Alarms:
    """All alarms of one code."""

    code: str
    severity: str
    times: int = 0
    hours: float = 0.0
    open: bool = False
    last_s: float = nan
    seen: str = ""
    advice: str = ""
    cause: str = ""


@dataclass(slots=True)
class Record:
    """All that a report needs of a ledger."""

    days: list[Day]
    settings: ControllerSettings
    last: dict[str, float]
    alarms: list[Alarms]
    changes: list[dict[str, Any]]
    events: list[dict[str, Any]]
    begun_s: float
    ended_s: float
    older_ticks: int

    def sums(self) -> dict[str, float]:
        """The whole season's sums of the columns of ``Booked``."""
        return {name: sum(day.sums[name] for day in self.days) for name in BOOKED}


def read(path: Path, zone: tzinfo | None = None) -> Record:
    """Read a ledger, with days of ``zone`` (the machine's own by default). ``UsageError`` in one line if it cannot be."""
    with reading(path) as db:
        return _read(db, path, zone)


def _read(db: sqlite3.Connection, path: Path, zone: tzinfo | None) -> Record:
    check_times(db, path)
    hours = _hours(db)
    begun, ended = db.execute("SELECT min(time_s), max(time_s) FROM ticks").fetchone()
    if not hours or begun is None:
        raise UsageError(f"{path} holds no ticks yet: let `warmheap run` turn for a minute")
    older = db.execute("SELECT count(*) FROM ticks WHERE span_s IS NULL").fetchone()[0]
    return Record(
        days=_days(hours, _hour_limits(db, hours), zone),
        settings=settings_of(db),
        last={name: _number(hours[-1][name]) for name in LAST},
        alarms=_alarms(db, ended),
        changes=[dict(row) for row in db.execute("SELECT * FROM changes WHERE kind != 'limit' ORDER BY id")],
        events=[dict(row) for row in db.execute("SELECT * FROM events ORDER BY id DESC LIMIT 200")],
        begun_s=min(begun, hours[0]["start_s"]),
        ended_s=ended,
        older_ticks=older,
    )


def settings_of(db: sqlite3.Connection) -> ControllerSettings:
    """The settings that the controller last began with; the defaults when the ledger has none."""
    row = db.execute("SELECT settings FROM starts ORDER BY id DESC LIMIT 1").fetchone()
    try:
        return ControllerSettings(**json.loads(row[0])) if row else ControllerSettings()
    except (SettingsError, TypeError, ValueError):
        return ControllerSettings()


def _hours(db: sqlite3.Connection) -> list[dict[str, Any]]:
    """Every hour, the one that has only begun included."""
    found = {row["start_s"]: dict(row) for row in db.execute("SELECT * FROM hours")}
    done = rollups.done_to(db, "hour")
    for start_s in rollups.touched(db, done, HOUR_S):
        found[start_s] = {"start_s": start_s, **dict(zip(ROLLED, rollups.worked_out(db, start_s, HOUR_S), strict=True))}
    return [found[start_s] for start_s in sorted(found)]


def _hour_limits(db: sqlite3.Connection, hours: list[dict[str, Any]]) -> dict[float, list[tuple[str, float]]]:
    found: dict[float, list[tuple[str, float]]] = defaultdict(list)
    for start_s, limit, span_s in db.execute("SELECT * FROM hour_limits"):
        found[start_s].append((limit, span_s))
    for hour in hours:
        if hour["start_s"] not in found:
            found[hour["start_s"]] = [(limit, s) for _, limit, s in rollups.limits(db, hour["start_s"], HOUR_S)]
    return found


def _days(hours: list[dict[str, Any]], limits: dict[float, list[tuple[str, float]]], zone: tzinfo | None) -> list[Day]:
    days: dict[date, Day] = {}
    for hour in hours:
        local = datetime.fromtimestamp(hour["start_s"], UTC).astimezone(zone).date()
        _add(days.setdefault(local, Day(local)), hour)
        for limit, span_s in limits[hour["start_s"]]:
            days[local].limits[limit] += span_s
    return [days[d] for d in sorted(days)]


def _add(day: Day, hour: dict[str, Any]) -> None:
    for name in BOOKED:
        day.sums[name] += hour[name] or 0.0
    for name in MEANS:
        mean, weight = hour[f"{name}_mean"], hour["ticks"]
        if mean is not None:
            day.weight[name] += weight
            day.means[name] = day.means.get(name, 0.0) + (mean - day.means.get(name, 0.0)) * weight / day.weight[name]
    for name in EXTREMES:
        low, high = hour[f"{name}_min"], hour[f"{name}_max"]
        if low is not None:
            day.low[name] = min(low, day.low.get(name, low))
            day.high[name] = max(high, day.high.get(name, high))


def _alarms(db: sqlite3.Connection, ended_s: float) -> list[Alarms]:
    found: dict[str, Alarms] = {}
    for row in db.execute("SELECT * FROM alarms ORDER BY id"):
        alarm = found.setdefault(row["code"], Alarms(row["code"], row["severity"]))
        since_s = alarm.last_s
        if row["begins"]:
            alarm.times += 1
            alarm.open, alarm.last_s = True, _number(row["time_s"])
            alarm.seen, alarm.advice, alarm.cause = row["seen"], row["advice"], row["cause"] or ""
        elif alarm.open:
            alarm.hours += max(0.0, _number(row["time_s"]) - since_s) / HOUR_S  # max(0, NaN) is 0
            alarm.open = False
    for alarm in found.values():
        alarm.hours += max(0.0, ended_s - alarm.last_s) / HOUR_S if alarm.open else 0.0
    worst = ("critical", "warning", "notice")
    return sorted(found.values(), key=lambda a: (worst.index(a.severity) if a.severity in worst else 3, -a.hours))


def _number(value: float | None) -> float:
    return nan if value is None else value
