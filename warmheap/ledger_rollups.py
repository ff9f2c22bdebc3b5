"""Minutes, hours and days, worked out from the ticks.

A period is always worked out anew from all its ticks, in one transaction with the note of how far that was done: doing it
twice changes nothing, and after a kill in between the next run does what is missing. Periods are of the loop's own time
(``time_s``, UTC), which never jumps with the wall clock.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

from controller.checks import SENSORS

from .heat_book import BOOKED
from .ledger_schema import EXTREMES, FORECAST, MEANS, PERIODS_S, ROLLED


def _plausible(name: str) -> str:
    """A column without what no such sensor can read: a probe's false codes must not be the warmest hour of the winter."""
    kind = SENSORS.get(name)
    return f"iif({name} BETWEEN {kind.low} AND {kind.high}, {name}, NULL)" if kind else name


_SUMS = ["count(*)", *(f"coalesce(sum({name}), 0)" for name in BOOKED)]
_OTHERS = [
    *(f"avg({_plausible(name)})" for name in MEANS),
    *(f"{how}({_plausible(name)})" for name in EXTREMES for how in ("min", "max")),
    *(f"avg({name})" for name in FORECAST),
]
_WITHIN = "FROM (SELECT * FROM ticks WHERE time_s >= :start AND time_s < :end ORDER BY id)"
_AGGREGATE = f"SELECT {', '.join(_SUMS + _OTHERS)} {_WITHIN}"  # noqa: S608 - our own names throughout
_LIMITS = f"SELECT limited_by, total(span_s) {_WITHIN} GROUP BY limited_by"  # noqa: S608


def roll_up(db: sqlite3.Connection, to_the_end: bool) -> None:
    """Bring every table of periods up to the last tick, within the caller's transaction.

    A period is done once a tick lies in a later one; with ``to_the_end`` those that have only begun as well.
    """
    for period, length_s in PERIODS_S.items():
        last = db.execute("SELECT id, time_s FROM ticks ORDER BY id DESC LIMIT 1").fetchone()
        if last is None or last[1] is None:
            return
        done = done_to(db, period)
        open_s = float("nan") if to_the_end else last[1] // length_s * length_s
        if not to_the_end and _first_undone_s(db, done) // length_s * length_s == open_s:
            continue  # the usual case, told without looking at all the ticks of the period
        for start_s in touched(db, done, length_s):
            if start_s != open_s:
                _write(db, period, start_s, length_s)
        _note(db, period, _newest_done(db, open_s, length_s, last[0]))


def done_to(db: sqlite3.Connection, period: str) -> int:
    """The tick up to which a table of periods is done."""
    row = db.execute("SELECT tick_id FROM rolled WHERE period = ?", (period,)).fetchone()
    return int(row[0]) if row else 0


def _first_undone_s(db: sqlite3.Connection, done: int) -> float:
    row = db.execute("SELECT time_s FROM ticks WHERE id > ? ORDER BY id LIMIT 1", (done,)).fetchone()
    return float(row[0]) if row and row[0] is not None else float("nan")


def _note(db: sqlite3.Connection, period: str, tick_id: int) -> None:
    db.execute("INSERT OR REPLACE INTO rolled VALUES (?, ?)", (period, tick_id))


def touched(db: sqlite3.Connection, done: int, length_s: float) -> list[float]:
    """Starts of the periods that have ticks after ``done``."""
    asked = "SELECT DISTINCT CAST(time_s / :len AS INTEGER) * :len FROM ticks WHERE id > :done AND time_s IS NOT NULL"
    return [float(row[0]) for row in db.execute(asked, {"len": length_s, "done": done})]


def _newest_done(db: sqlite3.Connection, open_s: float, length_s: float, last: int) -> int:
    """The last tick before the first one of the open period; ``last`` when no period is open."""
    if open_s != open_s:
        return last
    asked = "SELECT min(id) FROM ticks WHERE time_s >= ? AND time_s < ?"
    return int(db.execute(asked, (open_s, open_s + length_s)).fetchone()[0]) - 1


def _write(db: sqlite3.Connection, period: str, start_s: float, length_s: float) -> None:
    places = ", ".join("?" * (1 + len(ROLLED)))
    found = worked_out(db, start_s, length_s)
    names = ", ".join(("start_s", *ROLLED))  # by name: in a file that was brought up to date new columns come last
    db.execute(f"INSERT OR REPLACE INTO {period}s ({names}) VALUES ({places})", (start_s, *found))  # noqa: S608
    if period == "hour":
        db.execute("DELETE FROM hour_limits WHERE start_s = ?", (start_s,))
        db.executemany("INSERT INTO hour_limits VALUES (?, ?, ?)", limits(db, start_s, length_s))


def worked_out(db: sqlite3.Connection, start_s: float, length_s: float) -> tuple[float, ...]:
    """The columns ``ROLLED`` of one period from its ticks."""
    return tuple(db.execute(_AGGREGATE, {"start": start_s, "end": start_s + length_s}).fetchone())


def limits(db: sqlite3.Connection, start_s: float, length_s: float) -> Iterator[tuple[float, str, float]]:
    """What limited the draw in one period: (start, code, seconds)."""
    for limit, span_s in db.execute(_LIMITS, {"start": start_s, "end": start_s + length_s}):
        yield start_s, limit, span_s


def differences(db: sqlite3.Connection) -> list[str]:
    """Every period of the file that is not what its ticks give; empty when all is well. Those without ticks are passed."""
    found = []
    for period, length_s in PERIODS_S.items():
        for row in db.execute(f"SELECT start_s, {', '.join(ROLLED)} FROM {period}s"):  # noqa: S608
            anew = worked_out(db, row[0], length_s)
            if anew[0] and tuple(row)[1:] != anew:
                found.append(f"{period} {row[0]:.0f}")
    return found
