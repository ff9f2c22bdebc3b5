"""What was, from the ledger: the last day for the picture, and every day for the season. Read only what is new."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

BATCH = 5000
PICTURE_S = 24 * 3600.0
SLOT_S = 600.0
LONGEST_GAP_S = 180.0  # a row stands for the time to the next one, but never for longer: a gap is not filled
WATER_J_KG_K = 4186.0
_WANTED = "id, time_s, pile_core_c, water_supply_c, water_return_c, water_flow_kg_s, greenhouse_c, pump_duty"
CURVES = ("pile_core_c", "water_supply_c")


@dataclass(slots=True)
class Day:
    """One day. Heat is by water only, while flow, supply and return are measured and the pump is on."""

    heat_j: float = 0.0
    pump_s: float = 0.0
    seen_s: float = 0.0
    core_min_c: float | None = None
    greenhouse_min_c: float | None = None

    def take(self, row: sqlite3.Row, dt_s: float) -> None:
        """Add a row that stands for ``dt_s``."""
        self.seen_s += dt_s
        self.core_min_c = _least(self.core_min_c, row["pile_core_c"])
        self.greenhouse_min_c = _least(self.greenhouse_min_c, row["greenhouse_c"])
        if (row["pump_duty"] or 0.0) > 0.0:
            self.pump_s += dt_s
            self.heat_j += _heat_w(row) * dt_s


@dataclass(frozen=True, slots=True)
class Season:
    """All days together."""

    since: str
    days: int
    total: Day
    last: tuple[tuple[str, Day], ...]


@dataclass(slots=True)
class Past:
    """Follows a ledger. ``refresh`` may take a while and belongs in a thread; the rest is quick."""

    ledger: Path
    _inode: int = -1
    _last_id: int = 0
    _before: tuple[float, sqlite3.Row | None] = (0.0, None)
    _days: dict[str, Day] = field(default_factory=dict)
    _slots: dict[int, dict[str, tuple[float, int]]] = field(default_factory=dict)
    _names: dict[int, str] = field(default_factory=dict)

    def refresh(self) -> bool:
        """Read one batch of new rows; whether there may be more."""
        try:
            inode = self.ledger.stat().st_ino
            if inode != self._inode:  # another ledger took its place
                self.__init__(self.ledger, inode)  # type: ignore[misc]
            found = list(self._read())
        except (sqlite3.Error, OSError):
            return False
        for row in found:
            self._take(row)
        return len(found) == BATCH

    def curves(self) -> dict[str, list[tuple[float, float]]]:
        """The last day in means of ten minutes: (time [s], °C) by reading."""
        first = max(self._slots, default=0) - PICTURE_S / SLOT_S
        found: dict[str, list[tuple[float, float]]] = {name: [] for name in CURVES}
        for slot in sorted(s for s in self._slots if s > first):
            for name, (total, n) in self._slots[slot].items():
                found[name].append(((slot + 0.5) * SLOT_S, total / n))
        return found

    def season(self) -> Season:
        """What the ledger holds, summed."""
        days = dict(self._days)
        total = Day()
        for day in days.values():
            total.heat_j += day.heat_j
            total.pump_s += day.pump_s
            total.seen_s += day.seen_s
            total.core_min_c = _least(total.core_min_c, day.core_min_c)
            total.greenhouse_min_c = _least(total.greenhouse_min_c, day.greenhouse_min_c)
        return Season(next(iter(days), ""), len(days), total, tuple(list(days.items())[-7:]))

    def _read(self) -> Iterator[sqlite3.Row]:
        with closing(sqlite3.connect(f"file:{self.ledger}?mode=ro", uri=True, timeout=1.0)) as db:
            db.row_factory = sqlite3.Row
            wanted = f"SELECT {_WANTED} FROM ticks WHERE id > ? ORDER BY id LIMIT {BATCH}"  # noqa: S608 - our own names
            yield from db.execute(wanted, (self._last_id,)).fetchall()

    def _take(self, row: sqlite3.Row) -> None:
        self._last_id = row["id"]
        time_s, (before_s, before) = float(row["time_s"]), self._before
        if before is not None and 0.0 < time_s - before_s <= LONGEST_GAP_S:
            self._day(before_s).take(before, time_s - before_s)
        self._before = time_s, row
        slot = self._slots.setdefault(int(time_s // SLOT_S), {})
        for name in CURVES:
            if row[name] is not None:
                total, n = slot.get(name, (0.0, 0))
                slot[name] = total + row[name], n + 1
        if len(self._slots) > 2 * PICTURE_S / SLOT_S:
            self._slots.pop(min(self._slots))

    def _day(self, time_s: float) -> Day:
        """The day of a moment, by the board's clock: days of 23 and 25 hours are what they are."""
        quarter = int(time_s // 900)  # time zones differ by quarters of an hour
        name = self._names.get(quarter)
        if name is None:
            self._names = {quarter: (name := time.strftime("%Y-%m-%d", time.localtime(time_s)))}
        return self._days.setdefault(name, Day())


def _heat_w(row: Any) -> float:
    flow, supply, back = row["water_flow_kg_s"], row["water_supply_c"], row["water_return_c"]
    if flow is None or supply is None or back is None:
        return 0.0
    return float(flow * WATER_J_KG_K * max(0.0, supply - back))


def _least(one: float | None, other: float | None) -> float | None:
    return other if one is None else one if other is None else min(one, other)
