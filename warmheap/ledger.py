"""The ledger: a row for every tick, and whatever changes, in SQLite that survives a power cut.

WAL with ``synchronous=FULL``: after a commit the row is on the card. (With NORMAL, cuts lost hundreds of rows, back to
the last checkpoint.) How much it grows is in ``docs/ledger.md``; ticks and minutes older than ``KEEP_DAYS`` are dropped,
hours and days are kept for good.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, astuple
from math import isfinite
from pathlib import Path
from typing import Any
from urllib.parse import quote

from controller import Alarm, ControllerSettings, Decision, Measurements

from . import ledger_rollups as rollups
from .heat_book import Booked
from .ledger_schema import COLUMNS, READINGS, VERSION, bring_up_to_date, version_of

KEEP_DAYS = 400.0
BUSY_S = 5.0
_TICK = f"INSERT INTO ticks ({', '.join(COLUMNS)}) VALUES ({', '.join('?' * len(COLUMNS))})"  # noqa: S608 - our own names
LAST_TICK = "(SELECT coalesce(max(id), 0) FROM ticks)"

Statement = tuple[str, tuple[Any, ...]]


class LedgerError(Exception):
    """The ledger cannot be written now; the text says why."""


def tick_row(wall_s: float, m: Measurements, d: Decision, late_s: float, heat: Booked | None = None) -> Statement:
    """One tick as a statement; what is not a finite number becomes NULL. ``heat``: what was booked since the tick before."""
    e = d.estimate
    numbers = [wall_s, m.time_s, *(getattr(m, name) for name in READINGS), d.commands.pump_duty, d.commands.fan_duty]
    estimate = [e.core_c, e.core_sd_c, e.heat_made_w, e.sustainable_w, e.stored_j, d.next_s, late_s]
    forecast = [e.left_days, e.left_low_days, e.left_high_days]
    booked = [value or 0 for value in astuple(heat or Booked())]  # a whole 0 takes no byte in the file
    return _TICK, (*map(_plain, numbers), d.phase, d.limit, *map(_plain, estimate), *map(_plain, forecast), *booked)


def alarm_row(wall_s: float, time_s: float, alarm: Alarm, begins: bool) -> Statement:
    """One alarm that began or ended."""
    sql = "INSERT INTO alarms (wall_s, time_s, code, severity, begins, seen, advice, cause) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
    return sql, (wall_s, _plain(time_s), alarm.code, alarm.severity, int(begins), alarm.seen, alarm.do, alarm.cause)


def change_row(wall_s: float, time_s: float, kind: str, name: str, was: str, now: str, why: str = "") -> Statement:
    """Something that is otherwise now: ``kind`` is "phase", "limit" or "setting"; ``name`` says which setting."""
    sql = "INSERT INTO changes (wall_s, time_s, kind, name, was, now, why) VALUES (?, ?, ?, ?, ?, ?, ?)"
    return sql, (wall_s, _plain(time_s), kind, name, was, now, why)


def command_row(
    wall_s: float, time_s: float, verb: str, arguments: Sequence[Any], source: str = "", outcome: str = "done"
) -> Statement:
    """Something the grower told the controller between two ticks: ``verb`` is a method of `Controller`.

    ``source`` is where it came from, ``outcome`` "done" or why it was refused.
    """
    sql = f"INSERT INTO commands (wall_s, time_s, after_tick, verb, arguments, source, outcome) VALUES (?, ?, {LAST_TICK}, ?, ?, ?, ?)"  # noqa: S608, E501
    return sql, (wall_s, _plain(time_s), verb, json.dumps(list(arguments)), source, outcome)


def start_row(
    wall_s: float, time_s: float, kind: str, program: str, settings: ControllerSettings, snapshot: Mapping[str, Any]
) -> Statement:
    """The controller as it stood before the next tick: what a replay begins with. ``kind``: "start" or "checkpoint"."""
    sql = f"INSERT INTO starts (wall_s, time_s, after_tick, kind, version, settings, snapshot) VALUES (?, ?, {LAST_TICK}, ?, ?, ?, ?)"  # noqa: S608, E501
    return sql, (wall_s, _plain(time_s), kind, program, json.dumps(asdict(settings)), json.dumps(snapshot))


def event_row(wall_s: float, time_s: float, kind: str, text: str) -> Statement:
    """Something that happened: a start, a stop, a sensor lost."""
    return "INSERT INTO events (wall_s, time_s, kind, text) VALUES (?, ?, ?, ?)", (wall_s, _plain(time_s), kind, text)


def _plain(value: float) -> float | None:
    return value if isfinite(value) else None


class Ledger:
    """The file. It opens when first written to, and again after an error; every method may raise ``LedgerError``."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._db: sqlite3.Connection | None = None

    def write(self, statements: Sequence[Statement]) -> None:
        """Write all in one transaction, on the disk when it returns."""
        try:
            db = self._open()
            with db:
                for sql, values in statements:
                    db.execute(sql, values)
        except (sqlite3.Error, OSError) as wrong:
            self.close()
            raise LedgerError(f"cannot write {self.path.name}: {wrong}") from None

    def prune(self, before_wall_s: float) -> None:
        """Drop what is older but hours and days; the space is used again."""
        dated = ("ticks", "alarms", "events", "changes", "commands", "starts")
        drop = [(f"DELETE FROM {t} WHERE wall_s < ?", (before_wall_s,)) for t in dated]  # noqa: S608 - our own names
        # by the ticks that are left, not by the wall clock: periods are of the loop's own time
        minutes = "DELETE FROM minutes WHERE start_s < (SELECT min(time_s) FROM ticks) - 60.0"
        self.write([*drop, (minutes, ())])

    def roll_up(self, to_the_end: bool = False) -> None:
        """Bring minutes, hours and days up to the last tick; those that have begun only if ``to_the_end``."""
        try:
            db = self._open()
            with db:
                rollups.roll_up(db, to_the_end)
        except (sqlite3.Error, OSError) as wrong:
            self.close()
            raise LedgerError(f"cannot sum up {self.path.name}: {wrong}") from None

    def close(self) -> None:
        """Let go of the file."""
        if self._db is not None:
            try:
                self._db.close()
            except sqlite3.Error:
                pass
            self._db = None

    def _open(self) -> sqlite3.Connection:
        if self._db is None:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._db = _connected(self.path)
        return self._db


def _connected(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, timeout=BUSY_S, check_same_thread=False)
    try:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        bring_up_to_date(db)
    except sqlite3.DatabaseError:
        db.close()
        raise
    return db


def set_aside(path: Path) -> Path | None:
    """Move a ledger out of the way that is no database any more, or of a later version; None if it is sound or not there."""
    if not path.exists() or _sound(path):
        return None
    aside = next(p for n in range(1, 1000) if not (p := path.with_name(f"{path.name}.damaged-{n}")).exists())
    path.rename(aside)
    for rest in ("-wal", "-shm"):
        path.with_name(path.name + rest).unlink(missing_ok=True)
    return aside


def _sound(path: Path) -> bool:
    try:
        db = sqlite3.connect(path, timeout=BUSY_S)
        try:
            whole = db.execute("PRAGMA quick_check(1)").fetchone() == ("ok",)
            return whole and version_of(db) <= VERSION
        finally:
            db.close()
    except sqlite3.OperationalError:
        return True  # locked or full: not damaged
    except sqlite3.DatabaseError:
        return False


def opened(path: Path, immutable: bool = False) -> sqlite3.Connection:
    """A ledger to read from while the loop may be writing it; nothing in it is ever changed.

    ``immutable``: nobody can be writing it, and nothing can be written beside it.
    """
    how = "mode=ro&immutable=1" if immutable else "mode=ro"
    db = sqlite3.connect(f"file:{quote(os.fsencode(path))}?{how}", uri=True, timeout=BUSY_S)
    db.row_factory = sqlite3.Row
    return db


def rows(path: Path, table: str = "ticks") -> Iterator[dict[str, Any]]:
    """Every row of a table as a dictionary, oldest first."""
    db = opened(path)
    try:
        yield from (dict(row) for row in db.execute(f"SELECT * FROM {table} ORDER BY 1, 2"))  # noqa: S608
    finally:
        db.close()
