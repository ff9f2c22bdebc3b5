"""How far a run is, on stderr: live bars on a terminal, an occasional plain line elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol, TextIO

if TYPE_CHECKING:
    from rich.progress import TaskID

PREPARING = "preparing (the first run compiles the simulator, about 20 s)"
ROW_DAYS = 0.02  # progress comes up to this much before the round number
PLAIN_LINES = 4  # a season without a terminal says this many lines


class Display(Protocol):
    """Hears how far the seasons are."""

    def told(self, label: str, days_done: float, core_c: float) -> None:
        """Season ``label`` has done ``days_done``; its core is at ``core_c``."""
        ...

    def searched(self, done: int, total: int) -> None:
        """The search for the best fixed rule has done ``done`` seasons of ``total``."""
        ...


class PlainDisplay:
    """Lines of text for a log or a pipe."""

    def __init__(self, days: float, stream: TextIO) -> None:
        self._days = days
        self._stream = stream
        self._said: dict[str, int] = {}
        self._say(PREPARING)

    def told(self, label: str, days_done: float, core_c: float) -> None:
        """Say a line each time another quarter of the season is done."""
        if self._due(label, (days_done + ROW_DAYS) / self._days):
            self._say(f"{label}: {days_done:.0f} of {self._days:g} days, core {core_c:.0f} °C")

    def searched(self, done: int, total: int) -> None:
        """Say a line each time another quarter of the search is done."""
        if self._due("search", done / total):
            self._say(f"search: {done} of {total} seasons")

    def _due(self, label: str, share: float) -> bool:
        quarter = int(share * PLAIN_LINES)
        due = quarter > self._said.get(label, 0)
        self._said[label] = quarter
        return due

    def _say(self, text: str) -> None:
        print(text, file=self._stream, flush=True)


class LiveDisplay:
    """One bar a season: days done, core temperature now, time left."""

    def __init__(self, days: float, stream: TextIO) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        self._days = days
        self.bars = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TextColumn("{task.fields[now]}"),
            TimeRemainingColumn(),
            console=Console(file=stream),
        )
        self._preparing = self.bars.add_task(PREPARING, total=None, now="")
        self._tasks: dict[str, TaskID] = {}

    def told(self, label: str, days_done: float, core_c: float) -> None:
        """Move the bar of ``label``."""
        self._move(label, days_done, self._days, f"{days_done:.0f} of {self._days:g} days, core {core_c:.0f} °C")

    def searched(self, done: int, total: int) -> None:
        """Move the bar of the search."""
        self._move("searching the best fixed rule", done, total, f"{done} of {total} seasons")

    def _move(self, label: str, done: float, total: float, now: str) -> None:
        self.bars.update(self._preparing, visible=False)
        if label not in self._tasks:
            self._tasks[label] = self.bars.add_task(label, total=total, now="")
        self.bars.update(self._tasks[label], completed=done if done < total - 0.3 else total, now=now)


@contextmanager
def display(days: float, stream: TextIO | None = None) -> Iterator[Display]:
    """Show progress of seasons of ``days`` for as long as the block runs."""
    stream = stream or sys.stderr
    if stream.isatty():
        live = LiveDisplay(days, stream)
        with live.bars:
            yield live
    else:
        yield PlainDisplay(days, stream)
