"""Turns ticks into the ledger's rows: ticks with their heat, alarms that come and go, changes, starts of a replay."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import fields
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from controller import Alarm, Controller, ControllerSettings, Decision

from .heat_book import HeatBook
from .ledger import Statement, alarm_row, change_row, command_row, start_row, tick_row
from .loop import Tick

CHECKPOINT_EVERY_S = 86400.0  # of plant time


def program_version() -> str:
    """As installed; "unknown" when it runs from a folder."""
    try:
        return version("warmheap")
    except PackageNotFoundError:
        return "unknown"


class Clerk:
    """Knows what the tick before was like. Pure but for its own memory; ``wall_s`` comes from outside."""

    def __init__(self) -> None:
        self._heat = HeatBook(ControllerSettings())
        self._controller: Controller | None = None
        self._settings: ControllerSettings | None = None
        self._phase = self._limit = ""
        self._alarms: tuple[Alarm, ...] = ()
        self._checkpoint_s = float("nan")
        self._lost = False
        self.time_s = float("nan")

    def begins(self, controller: Controller, wall_s: float) -> list[Statement]:
        """Rows for a controller that the coming ticks are of: its settings, what changed in them, and its memory."""
        before, self._controller, self._settings = self._settings, controller, controller.settings
        self._heat = HeatBook(controller.settings)
        changed = self._settings_changed(before, controller.settings, wall_s) if before else []
        return [*changed, self._snapshot(controller, wall_s, "start")]

    def rows_were_lost(self) -> None:
        """A replay cannot bridge lost rows: the next tick notes the controller anew."""
        self._lost = True

    def tick(self, tick: Tick, wall_s: float) -> list[Statement]:
        """Rows for one turn of the loop."""
        m, d = tick.measurements, tick.decision
        self.time_s = m.time_s
        if self._checkpoint_s != self._checkpoint_s:
            self._checkpoint_s = m.time_s  # the start itself was noted before there was a time
        heat = self._heat.book(m, d.commands.pump_duty, d.commands.fan_duty)
        found = [tick_row(wall_s, m, d, tick.late_s, heat)]
        if d.phase != self._phase or d.limit != self._limit:
            found += self._changes(wall_s, d)
        if self._controller and (self._lost or abs(m.time_s - self._checkpoint_s) >= CHECKPOINT_EVERY_S):
            found.append(self._snapshot(self._controller, wall_s, "resync" if self._lost else "checkpoint"))
        return found

    def alarms(self, now: tuple[Alarm, ...], wall_s: float) -> tuple[list[Statement], list[Alarm]]:
        """Rows for what began and what ended, and the alarms that began."""
        if now == self._alarms:
            return [], []
        before, after = {a.code: a for a in self._alarms}, {a.code: a for a in now}
        self._alarms = now
        begun = [after[code] for code in after if code not in before]
        ended = [before[code] for code in before if code not in after]
        rows = [alarm_row(wall_s, self.time_s, a, True) for a in begun]
        return rows + [alarm_row(wall_s, self.time_s, a, False) for a in ended], begun

    def command(self, verb: str, arguments: Sequence[Any], source: str, outcome: str, wall_s: float) -> Statement:
        """The row for what the grower told the controller."""
        return command_row(wall_s, self.time_s, verb, arguments, source, outcome)

    def _snapshot(self, controller: Controller, wall_s: float, kind: str) -> Statement:
        self._checkpoint_s = self.time_s
        self._lost = False
        return start_row(wall_s, self.time_s, kind, program_version(), controller.settings, controller.snapshot())

    def _settings_changed(self, before: ControllerSettings, now: ControllerSettings, wall_s: float) -> list[Statement]:
        pairs = [(f.name, getattr(before, f.name), getattr(now, f.name)) for f in fields(now)]
        return [
            change_row(wall_s, self.time_s, "setting", name, json.dumps(was), json.dumps(is_now))
            for name, was, is_now in pairs
            if was != is_now
        ]

    def _changes(self, wall_s: float, d: Decision) -> list[Statement]:
        found = []
        if d.phase != self._phase:
            found.append(change_row(wall_s, self.time_s, "phase", "", self._phase, d.phase, d.cause))
        if d.limit != self._limit:
            found.append(change_row(wall_s, self.time_s, "limit", "", self._limit, d.limit, d.reason))
        self._phase, self._limit = d.phase, d.limit
        return found
