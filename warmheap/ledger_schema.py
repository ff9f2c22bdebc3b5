"""The ledger's tables, and the way from an older file to this version."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import fields

from controller import Measurements

from .heat_book import BOOKED

VERSION = 3
READINGS = tuple(f.name for f in fields(Measurements) if f.name != "time_s")
DECIDED = (
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
FORECAST = ("left_days", "left_low_days", "left_high_days")
COLUMNS = ("wall_s", "time_s", *READINGS, *DECIDED, "next_s", "late_s", *FORECAST, *BOOKED)
NEW_IN_2 = (*FORECAST, *BOOKED)
NEW_IN_3 = ("back_j",)

PERIODS_S = {"minute": 60.0, "hour": 3600.0, "day": 86400.0}
MEANS = ("pile_core_c", "water_supply_c", "water_return_c", "water_flow_kg_s", "greenhouse_c", "outdoor_c", "tank_c",
         "core_c", "core_sd_c", "heat_made_w", "sustainable_w")  # fmt: skip
EXTREMES = ("pile_core_c", "greenhouse_c", "pump_battery_v", "fan_battery_v", "core_c")
ROLLED = (
    "ticks", *BOOKED, *(f"{n}_mean" for n in MEANS), *(f"{n}_{e}" for n in EXTREMES for e in ("min", "max")), *FORECAST,
)  # fmt: skip

TABLES = {
    "ticks": ", ".join(COLUMNS),
    "alarms": "wall_s, time_s, code, severity, begins INTEGER, seen, advice, cause",
    "events": "wall_s, time_s, kind, text",
    "changes": "wall_s, time_s, kind, name, was, now, why",
    "commands": "wall_s, time_s, after_tick INTEGER, verb, arguments, source, outcome",
    "starts": "wall_s, time_s, after_tick INTEGER, kind, version, settings, snapshot",
}


def _sql() -> str:
    made = [
        f"CREATE TABLE IF NOT EXISTS {name} (id INTEGER PRIMARY KEY, {columns})" for name, columns in TABLES.items()
    ]
    rolled = ", ".join(ROLLED)
    made += [f"CREATE TABLE IF NOT EXISTS {name}s (start_s REAL PRIMARY KEY, {rolled})" for name in PERIODS_S]
    limits = "start_s REAL, limited_by, span_s, PRIMARY KEY (start_s, limited_by)"
    made.append(f"CREATE TABLE IF NOT EXISTS hour_limits ({limits})")
    made.append("CREATE TABLE IF NOT EXISTS rolled (period PRIMARY KEY, tick_id INTEGER)")
    made.append("CREATE INDEX IF NOT EXISTS ticks_by_time ON ticks (time_s)")
    return ";\n".join(made)


SCHEMA = _sql()


def version_of(db: sqlite3.Connection) -> int:
    """The version that a file says it is of; 0 for a new one."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def bring_up_to_date(db: sqlite3.Connection) -> None:
    """Make the tables of this version, whatever older version the file is of, all or nothing.

    Rows of version 1 keep what they say; they have no heat, since what the meter was is not known any more. Those of
    version 2 do not say apart what was given back.
    ``sqlite3.DatabaseError`` when the file is of a later version: it is left as it is.
    """
    found = version_of(db)
    if found == VERSION:
        return
    if found > VERSION:
        raise sqlite3.DatabaseError(f"it is of version {found}, this program knows {VERSION}")
    db.execute("BEGIN IMMEDIATE")
    try:
        if found == 1:
            _add(db, "ticks", NEW_IN_2)
            _add(db, "alarms", ("cause",))
        if found == 2:
            _add(db, "ticks", NEW_IN_3)
            for table in (f"{period}s" for period in PERIODS_S):
                _add(db, table, NEW_IN_3, "DEFAULT 0")  # what a sum over rows without it gives
        for statement in SCHEMA.split(";\n"):
            db.execute(statement)
        db.execute(f"PRAGMA user_version = {VERSION}")
        db.execute("COMMIT")
    except BaseException:
        db.execute("ROLLBACK")
        raise


def _add(db: sqlite3.Connection, table: str, columns: Iterable[str], rest: str = "") -> None:
    there = {row[1] for row in db.execute(f"PRAGMA table_info({table})")}
    for column in columns:
        if column not in there:
            db.execute(f"ALTER TABLE {table} ADD COLUMN {column} {rest}")
