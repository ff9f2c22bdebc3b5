"""Writes ledger, memory and status line in a thread of its own.

A slow card, a full disk or a stopped terminal never hold up control.
"""

from __future__ import annotations

import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from itertools import islice
from pathlib import Path
from typing import Any

from controller import Controller

from .ledger import KEEP_DAYS, Ledger, LedgerError, Statement, event_row, set_aside
from .ledger_clerk import Clerk
from .loop import Tick
from .settings_store import TwoCopies
from .status import Status

MOST_WAITING = 5000  # rows kept in memory while the disk does not take them: more than half a day
RETRY_S = 30.0
MEMORY_EVERY_S = 60.0
PRUNE_EVERY_S = 86400.0
ROLL_UP_EVERY_S = 60.0  # of plant time
BATCH = 500


class Scribe:
    """Takes ticks at once and writes them later. ``remember`` gives the text that a restart goes on from."""

    def __init__(
        self, state: Path, status: Status, remember: Callable[[], str], wall: Callable[[], float] = time.time
    ) -> None:
        self._ledger, self._memory = Ledger(state / "ledger.sqlite"), TwoCopies(state, "memory")
        self._status, self._remember, self._wall = status, remember, wall
        self._rows: deque[Statement] = deque()
        self._lines: deque[str] = deque(maxlen=20)
        self._text: str | None = None
        self._remembered_s = time.monotonic()
        self._clerk = Clerk()
        self._rolled_s = float("-inf")
        self._lost = self._dropped = 0
        self._retry_s = 0.0
        self._pruned_s = -PRUNE_EVERY_S
        self._wake, self._ending = threading.Event(), False
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._write, name="scribe", daemon=True)
        self._thread.start()

    def tick(self, tick: Tick, shown: Tick | None = None) -> None:
        """Note a turn of the loop, and ``shown`` on the screen. Called from the loop; never blocks, never raises."""
        wall_s, clerk = self._wall(), self._clerk
        rows = clerk.tick(tick, wall_s)
        alarm_rows, begun = clerk.alarms(tick.decision.alarms, wall_s)
        for row in (*rows, *alarm_rows):
            self._put(row)
        self._lines.extend(self._status.alarm(alarm) for alarm in begun)
        line = self._status.line(shown or tick)
        if line:
            self._lines.append(line)
        if time.monotonic() - self._remembered_s >= MEMORY_EVERY_S:
            self.remember_now()
        self._wake.set()

    def begins(self, controller: Controller) -> None:
        """Note the controller that the coming ticks are of: its settings, and its memory for a replay.

        Called before the first tick, and again whenever another controller takes over.
        """
        for row in self._clerk.begins(controller, self._wall()):
            self._put(row)
        self._wake.set()

    def command(self, verb: str, arguments: Sequence[Any], source: str = "", outcome: str = "done") -> None:
        """Note what the grower told the controller, ``verb`` being the method called. Called from the loop's thread."""
        self._put(self._clerk.command(verb, arguments, source, outcome, self._wall()))
        self._wake.set()

    def remember_now(self) -> None:
        """Keep the controller's memory, soon. Called from the loop, between its ticks."""
        self._remembered_s = time.monotonic()
        self._text = self._remember()
        self._wake.set()

    def event(self, kind: str, text: str) -> None:
        """Note that something happened, in the ledger and on the screen."""
        self._put(event_row(self._wall(), self._clerk.time_s, kind, text))
        self._lines.append(self._status.event(text))
        self._wake.set()

    def close(self, timeout_s: float = 5.0) -> None:
        """Write what is left; what a stuck disk does not take in time is let go."""
        self._ending = True
        self._wake.set()
        self._thread.join(timeout_s)

    def _put(self, row: Statement) -> None:
        with self._lock:
            if len(self._rows) >= MOST_WAITING:
                self._rows.popleft()
                self._lost += 1
                self._dropped += 1
                self._clerk.rows_were_lost()
            self._rows.append(row)

    def _write(self) -> None:
        self._guarded(self._check_ledger)
        while True:
            self._wake.wait()
            self._wake.clear()
            ending = self._ending
            for work in (self._print, self._write_memory, self._write_rows, self._roll_up, self._prune):
                self._guarded(work)
            if ending:
                self._ledger.close()
                return

    def _guarded(self, work: Callable[[], None]) -> None:
        try:
            work()
        except Exception as wrong:  # whatever goes wrong with the log, the log goes on
            with suppress(Exception):
                print(f"warmheap: log: {wrong}", file=sys.stderr, flush=True)

    def _check_ledger(self) -> None:
        aside = set_aside(self._ledger.path)
        if aside:
            self.event("ledger", f"the ledger was damaged; it is kept as {aside.name} and a new one begun")

    def _print(self) -> None:
        while self._lines:
            self._status.show(self._lines.popleft())

    def _write_memory(self) -> None:
        text, self._text = self._text, None
        if text is not None:
            self._memory.save(text)

    def _write_rows(self) -> None:
        if time.monotonic() < self._retry_s and not self._ending:
            return
        while self._rows:
            self._write_batch()

    def _write_batch(self) -> None:
        with self._lock:
            batch = list(islice(self._rows, BATCH))
            lost, self._lost, dropped = self._lost, 0, self._dropped
        note = (
            [event_row(self._wall(), self._clerk.time_s, "ledger", f"{lost} rows were lost before this one")]
            if lost
            else []
        )
        try:
            self._ledger.write([*batch, *note])
        except LedgerError as wrong:
            self._lost += lost
            self._retry_s = time.monotonic() + RETRY_S
            raise LedgerError(f"{wrong}; control goes on, {len(self._rows)} rows wait in memory") from None
        with self._lock:  # rows that were dropped meanwhile were the first of this batch
            for _ in range(len(batch) - (self._dropped - dropped)):
                self._rows.popleft()

    def _roll_up(self) -> None:
        """Once a minute of plant time; never while rows wait for a disk that does not take them."""
        time_s = self._clerk.time_s
        if self._rows or not (self._ending or abs(time_s - self._rolled_s) >= ROLL_UP_EVERY_S) or time_s != time_s:
            return
        self._rolled_s = time_s
        self._ledger.roll_up(to_the_end=self._ending)

    def _prune(self) -> None:
        if time.monotonic() - self._pruned_s >= PRUNE_EVERY_S:
            self._pruned_s = time.monotonic()
            self._ledger.prune(self._wall() - KEEP_DAYS * 86400.0)
