"""The ledger: a row for every tick, alarms and events, in SQLite that survives a power cut.

WAL with ``synchronous=FULL``: after a commit the row is on the card. (With NORMAL, cuts lost hundreds of rows, back to
the last checkpoint.) A row takes about 250 bytes: 0.4 MB a day at a tick a minute, 2 MB at one in ten seconds; rows
older than ``KEEP_DAYS`` are dropped.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import fields
from math import isfinite
from pathlib import Path
from typing import Any

from controller import Alarm, Decision, Measurements

VERSION = 1
KEEP_DAYS = 400.0
BUSY_S = 5.0
_READINGS = tuple(f.name for f in fields(Measurements) if f.name != "time_s")
_DECIDED = (
    "pump_duty",
    "fan_duty",
    "phase",
    "limited_by",
    "core_c",
    "core_sd_c",
    "heat_made_w",
    "sustainable_w",
    "stored_j",
)
COLUMNS = ("wall_s", "time_s", *_READINGS, *_DECIDED, "next_s", "late_s")

_SCHEMA = f"""
CREATE TABLE IF NOT EXISTS ticks (id INTEGER PRIMARY KEY, {", ".join(COLUMNS)});
CREATE TABLE IF NOT EXISTS alarms (
    id INTEGER PRIMARY KEY, wall_s, time_s, code, severity, begins INTEGER, seen, advice);
CREATE TABLE IF NOT EXISTS events (id INTEGER PRIMARY KEY, wall_s, time_s, kind, text);
PRAGMA user_version = {VERSION};
"""
_ROW = f"INSERT INTO ticks ({', '.join(COLUMNS)}) VALUES ({', '.join('?' * len(COLUMNS))})"  # noqa: S608 - our own names

Statement = tuple[str, tuple[Any, ...]]


class LedgerError(Exception):
    """The ledger cannot be written now; the text says why."""


def tick_row(wall_s: float, m: Measurements, d: Decision, late_s: float) -> Statement:
    """One tick as a statement; what is not a finite number becomes NULL."""
    e = d.estimate
    numbers = [wall_s, m.time_s, *(getattr(m, name) for name in _READINGS), d.commands.pump_duty, d.commands.fan_duty]
    estimate = [e.core_c, e.core_sd_c, e.heat_made_w, e.sustainable_w, e.stored_j, d.next_s, late_s]
    return _ROW, (*map(_plain, numbers), d.phase, d.limit, *map(_plain, estimate))


def alarm_row(wall_s: float, time_s: float, alarm: Alarm, begins: bool) -> Statement:
    """One alarm that began or ended."""
    sql = "INSERT INTO alarms (wall_s, time_s, code, severity, begins, seen, advice) VALUES (?, ?, ?, ?, ?, ?, ?)"
    return sql, (wall_s, time_s, alarm.code, alarm.severity, int(begins), alarm.seen, alarm.do)


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
        """Drop what is older; the space is used again."""
        self.write([(f"DELETE FROM {t} WHERE wall_s < ?", (before_wall_s,)) for t in ("ticks", "alarms", "events")])  # noqa: S608

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
        db.executescript(_SCHEMA)
    except sqlite3.DatabaseError:
        db.close()
        raise
    return db


def set_aside(path: Path) -> Path | None:
    """Move a ledger that is no database any more out of the way; None if it is sound or not there."""
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
            return bool(db.execute("PRAGMA quick_check(1)").fetchone() == ("ok",))
        finally:
            db.close()
    except sqlite3.OperationalError:
        return True  # locked or full: not damaged
    except sqlite3.DatabaseError:
        return False


def rows(path: Path, table: str = "ticks") -> Iterable[dict[str, Any]]:
    """Every row of a table as a dictionary, oldest first."""
    db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    db.row_factory = sqlite3.Row
    try:
        yield from (dict(row) for row in db.execute(f"SELECT * FROM {table} ORDER BY id"))  # noqa: S608
    finally:
        db.close()
