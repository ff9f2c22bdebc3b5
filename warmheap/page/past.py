"""What was, from the ledger's sums: the last day for the picture, and every day for the season.

The minutes, hours and days of the ledger are summed by the loop anyway, by the same rules as the report; nothing is worked
out anew here, so a winter is read in no time and the page can say nothing that the report does not.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote

from ..wanted import wanted_j

PICTURE_S = 24 * 3600.0
SLOT_S = 600.0
HOUR_S = 3600.0
CURVES = ("pile_core_c", "water_supply_c")
_SUMS = "span_s, gap_s, blind_s, pump_s, water_j + water_est_j, water_useful_j, line_loss_j, air_j, air_useful_j"
_LEAST = "pile_core_c_min, greenhouse_c_min"


@dataclass(slots=True)
class Day:
    """Sums of one day, or of more. ``pump_s`` are seconds at full duty; heat is what was measured and credited."""

    seen_s: float = 0.0
    gap_s: float = 0.0
    blind_s: float = 0.0
    pump_s: float = 0.0
    water_j: float = 0.0
    water_useful_j: float = 0.0
    line_loss_j: float = 0.0
    air_j: float = 0.0
    air_useful_j: float = 0.0
    core_min_c: float | None = None
    greenhouse_min_c: float | None = None

    def take(self, other: Day) -> None:
        """Add another one."""
        for name in _ADDED:
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.core_min_c = _least(self.core_min_c, other.core_min_c)
        self.greenhouse_min_c = _least(self.greenhouse_min_c, other.greenhouse_min_c)

    @property
    def useful_j(self) -> float:
        """Delivered while the house was below its ceiling, by water and air."""
        return wanted_j(self.water_useful_j, self.water_j, self.line_loss_j) + self.air_useful_j


_ADDED = (
    "seen_s", "gap_s", "blind_s", "pump_s", "water_j", "water_useful_j", "line_loss_j", "air_j", "air_useful_j",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Season:
    """All days together."""

    since: str
    days: int
    total: Day


@dataclass(slots=True)
class Past:
    """Follows a ledger. ``refresh`` belongs in a thread; the rest is quick."""

    ledger: Path
    _inode: int = -1
    _hours_to_s: float = float("-inf")
    _days: dict[str, Day] = field(default_factory=dict)
    _open: Day = field(default_factory=Day)
    _open_since: str = ""
    _curves: dict[str, list[tuple[float, float]]] = field(default_factory=dict)

    def refresh(self) -> None:
        """Read what the loop has summed since."""
        try:
            inode = self.ledger.stat().st_ino
            if inode != self._inode:  # another ledger took its place
                self.__init__(self.ledger, inode)  # type: ignore[misc]
            uri = f"file:{quote(str(self.ledger))}?mode=ro"
            with closing(sqlite3.connect(uri, uri=True, timeout=1.0)) as db:
                db.execute("BEGIN")
                self._read_hours(db)
                self._read_minutes(db)
        except (sqlite3.Error, OSError):
            return

    def curves(self) -> dict[str, list[tuple[float, float]]]:
        """The last day in means of ten minutes: (time [s], °C) by reading."""
        return {name: list(self._curves.get(name, [])) for name in CURVES}

    def season(self) -> Season:
        """What the ledger holds, summed."""
        total = Day()
        for day in (*self._days.values(), self._open):
            total.take(day)
        since = next(iter(self._days), self._open_since)
        return Season(since, len(self._days) + (not self._days and bool(self._open_since)), total)

    def _read_hours(self, db: sqlite3.Connection) -> None:
        """Hours are never changed once they are there, but for the last one of a run that was stopped and goes on."""
        asked = f"SELECT start_s, {_SUMS}, {_LEAST} FROM hours WHERE start_s > ? ORDER BY start_s"  # noqa: S608 - our own
        last = db.execute("SELECT max(start_s) FROM hours").fetchone()[0]
        for row in db.execute(asked, (self._hours_to_s,)).fetchall():
            if row[0] < last:
                self._days.setdefault(_date(row[0]), Day()).take(Day(*row[1:]))
                self._hours_to_s = row[0]

    def _read_minutes(self, db: sqlite3.Connection) -> None:
        """Everything since the last whole hour, and the curves."""
        since_s = self._hours_to_s + HOUR_S
        self._open, self._open_since = Day(), ""
        for row in db.execute(f"SELECT start_s, {_SUMS}, {_LEAST} FROM minutes WHERE start_s >= ?", (since_s,)):  # noqa: S608
            self._open_since = self._open_since or _date(row[0])
            self._open.take(Day(*row[1:]))
        self._curves = {name: list(_curve(db, name)) for name in CURVES}


def _curve(db: sqlite3.Connection, name: str) -> Iterator[tuple[float, float]]:
    asked = (
        f"SELECT CAST(start_s / {SLOT_S} AS INTEGER) AS slot, avg({name}_mean) FROM minutes "  # noqa: S608 - our own names
        f"WHERE start_s > (SELECT max(start_s) FROM minutes) - {PICTURE_S} AND {name}_mean IS NOT NULL GROUP BY slot"
    )
    for slot, mean_c in db.execute(asked):
        yield (slot + 0.5) * SLOT_S, mean_c


def _date(time_s: float) -> str:
    """The day of a moment, by the board's clock: days of 23 and 25 hours are what they are."""
    return time.strftime("%Y-%m-%d", time.localtime(time_s))


def _least(one: float | None, other: float | None) -> float | None:
    return other if one is None else one if other is None else min(one, other)
