"""How far a campaign is and how long it still takes, on stderr: a bar on a terminal, now and then a line elsewhere."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Protocol, TextIO

LINE_EVERY_S = 10.0
Told = Callable[[dict[str, Any]], str]


class Shown(Protocol):
    """Hears of each run that is done."""

    def done(self, row: dict[str, Any]) -> None:
        """A run came in."""
        ...


class Count:
    """Runs done and the time that the others will take at the pace since the start of this command."""

    def __init__(self, total: int, before: int, now_s: float) -> None:
        self.total, self.finished = total, before
        self._before, self._began_s = before, now_s

    def left_s(self, now_s: float) -> float:
        """Time left, s; needs one run done."""
        return (now_s - self._began_s) / (self.finished - self._before) * (self.total - self.finished)

    def text(self, now_s: float) -> str:
        """Like "12 of 24 runs, about 3 min left"."""
        left = f", about {span_text(self.left_s(now_s))} left" if self.finished < self.total else ""
        return f"{self.finished} of {self.total} runs{left}"


class PlainShown:
    """Lines of text for a log or a pipe."""

    def __init__(self, count: Count, stream: TextIO, told: Told | None = None) -> None:
        self._count, self._stream = count, stream
        self._told = told or run_text
        self._next_s = 0.0

    def done(self, row: dict[str, Any]) -> None:
        """Say a line every ten seconds, and for the last run."""
        self._count.finished += 1
        now_s = time.monotonic()
        if now_s >= self._next_s or self._count.finished == self._count.total:
            print(f"{self._count.text(now_s)}; {self._told(row)}", file=self._stream, flush=True)
            self._next_s = now_s + LINE_EVERY_S


class LiveShown:
    """One bar."""

    def __init__(self, count: Count, stream: TextIO, told: Told | None = None) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn

        self._count = count
        self._told = told or run_text
        self.bars = Progress(BarColumn(), TextColumn("{task.description}"), console=Console(file=stream))
        text = f"{count.finished} of {count.total} runs"
        self._task = self.bars.add_task(text, total=count.total, completed=count.finished)

    def done(self, row: dict[str, Any]) -> None:
        """Move the bar."""
        self._count.finished += 1
        text = f"{self._count.text(time.monotonic())}; {self._told(row)}"
        self.bars.update(self._task, completed=self._count.finished, description=text)


@contextmanager
def shown(
    total: int, before: int, where: str, stream: TextIO | None = None, told: Told | None = None
) -> Iterator[Shown]:
    """Show progress for as long as the block runs: ``before`` of ``total`` runs are done already.

    ``told`` puts a row in a few words; None: as ``run_text`` does.
    """
    stream = stream or sys.stderr
    already = f", {before} of them already there" if before else ""
    print(f"{total} runs{already}; {where}; Ctrl-C keeps what is done", file=stream, flush=True)
    count = Count(total, before, time.monotonic())
    if stream.isatty():
        live = LiveShown(count, stream, told)
        with live.bars:
            yield live
    else:
        yield PlainShown(count, stream, told)


def run_text(row: dict[str, Any]) -> str:
    """A run in a few words: heat and cold hours together."""
    name = f"run {row['run']} (seed {row['seed']}, {row['policy']})"
    if row["error"] is not None:
        return f"{name} broke down: {row['error']}"
    avoided = row["backup_avoided_kwh"]
    heat = f"{row['heat_useful_kwh']:,.0f} kWh useful" if avoided is None else f"{avoided:,.0f} kWh avoided"
    return f"{name}: {heat}, {row['cold_hours_from_draw']:,.0f} cold h"


def span_text(span_s: float) -> str:
    """A time left in the unit that suits it."""
    if span_s < 90.0:
        return f"{span_s:.0f} s"
    return f"{span_s / 60.0:.0f} min" if span_s < 5400.0 else f"{span_s / 3600.0:.1f} h"
