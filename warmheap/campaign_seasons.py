"""``warmheap campaign seasons``: the runs, their table and their picture."""

from __future__ import annotations

import argparse
import json
import os
import shlex
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .errors import Stopped, UsageError
from .files import whole
from .simulate import finite, load_scenario

if TYPE_CHECKING:
    from sim.campaign import Crew, Row, Run, Seasons
    from sim.campaign_book import Book

ENDING = ".sqlite"


def run(args: argparse.Namespace) -> None:
    """Do the runs that the file lacks, then show what all of them came to."""
    path = Path(args.out)
    if path.suffix != ENDING:
        raise UsageError(f"--out {args.out}: name a file that ends in {ENDING}")
    try:
        _campaign(args, path)
    except KeyboardInterrupt:  # outside the runs: while loading, or a second time while the workers finish
        raise Stopped(f"stopped; what {path} holds is kept: repeat the command to go on") from None


def _campaign(args: argparse.Namespace, path: Path) -> None:
    scenario = load_scenario(args.scenario)
    from sim.campaign import CampaignError, CrewError, Seasons, as_text
    from sim.campaign_book import open_book

    try:
        plan = Seasons(as_text(scenario), args.first, args.seasons, float(args.days), tuple(args.policy))
        with open_book(path, plan) as book:
            missing = book.missing(plan)
            stopped = bool(missing) and not _work(args, book, plan, missing)
            told = _deliver(args, scenario.title, plan, book.rows(), path)
    except CampaignError as wrong:
        raise UsageError(wrong) from None
    except CrewError as lost:
        raise UsageError(f"{lost}; what is done is kept in {path}: repeat the command to go on") from None
    if stopped:
        done = f"{told['done']} of {told['runs']} runs"
        raise Stopped(f"stopped after {done}, all kept in {path}; repeat the command to go on")


def _work(args: argparse.Namespace, book: Book, plan: Seasons, missing: list[Run]) -> bool:
    """Do the missing runs; False after Ctrl-C."""
    from sim.campaign import run_all

    from .campaign_progress import shown

    workers = min(args.workers or os.cpu_count() or 1, len(missing))
    where = (
        f"Dask cluster at {args.dask}" if args.dask else f"{workers} worker{'s' if workers > 1 else ''} on this machine"
    )
    total = plan.seasons * len(plan.policies)
    try:
        with _crew(args, workers) as crew, shown(total, total - len(missing), where) as display:

            def keep(row: Row, wall_s: float) -> None:
                book.add(row, wall_s)
                display.done(row)

            run_all(crew, plan, missing, keep)
    except KeyboardInterrupt:
        return False
    return True


def _crew(args: argparse.Namespace, workers: int) -> AbstractContextManager[Crew]:
    if args.dask:
        from .campaign_cluster import dask_crew

        return dask_crew(args.dask)
    from sim.campaign_workers import local_crew

    return local_crew(workers)


def _deliver(args: argparse.Namespace, title: str, plan: Seasons, rows: list[Row], path: Path) -> dict[str, Any]:
    """Draw, then print the tables or the JSON object, which is returned."""
    told = summary(title, plan, rows, path)
    told["picture"] = _drawn(told, rows, path)
    if args.json:
        print(json.dumps(finite(told), indent=2, allow_nan=False, ensure_ascii=False))
    else:
        _show(told)
    return told


def summary(title: str, plan: Seasons, rows: list[Row], path: Path) -> dict[str, Any]:
    """The campaign in one JSON-able object."""
    from sim.campaign_figures import brief, by_policy, worst

    return {
        "scenario": title,
        "first": plan.first,
        "seasons": plan.seasons,
        "days": plan.days,
        "runs": plan.seasons * len(plan.policies),
        "done": len(rows),
        "policies": by_policy(rows),
        "worst": [brief(row) | {"replay": replay_command(path, row["run"])} for row in worst(rows)],
        "failed": [{name: row[name] for name in ("run", "seed", "policy", "error")} for row in rows if row["error"]],
        "file": str(path),
        "picture": None,
    }


def replay_command(path: Path, number: int) -> str:
    """The one command that runs a run again alone."""
    return f"warmheap campaign replay {shlex.quote(str(path))} --run {number} --out {replay_folder(number)}"


def replay_folder(number: int) -> str:
    """Where a replay goes unless told otherwise."""
    return f"out/run-{number}"


def _drawn(told: dict[str, Any], rows: list[Row], path: Path) -> str | None:
    from sim.campaign_figures import sound
    from sim.campaign_picture import draw_campaign

    if not sound(rows):
        return None
    picture = path.with_suffix(".png")
    title = f"{told['scenario']}\n{told['done']} of {told['runs']} runs: random plants, {told['days']:g} days each"
    try:
        with whole(picture) as beside:
            draw_campaign(rows, title, beside)
    except OSError as wrong:
        raise UsageError(f"cannot write {picture}: {wrong.strerror}; the results are in {path}") from None
    return str(picture)


def _show(told: dict[str, Any]) -> None:
    from rich.console import Console

    from .campaign_tables import closing_lines, policies_table, worst_table

    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=120)
    if told["policies"]:
        console.print(policies_table(told))
        console.print(worst_table(told))
    for line in closing_lines(told):
        console.print(line, soft_wrap=True, markup=False)
