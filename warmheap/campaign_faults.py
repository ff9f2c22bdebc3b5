"""``warmheap campaign faults``: many short stretches of winter in which things break, or none, judged by the rules."""

from __future__ import annotations

import argparse
import json
import os
import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .campaign_seasons import ENDING
from .errors import Stopped, UsageError
from .simulate import finite, load_scenario

if TYPE_CHECKING:
    from sim.campaign import Row
    from sim.campaign_book import Book
    from sim.fault_campaign import Episodes, Numbered


def run(args: argparse.Namespace) -> None:
    """Play one episode, or those that the file lacks, and say what they came to."""
    if args.episode is not None:
        from .campaign_episode import run as play_one

        play_one(args)
        return
    path = Path(args.out)
    if path.suffix != ENDING:
        raise UsageError(f"--out {args.out}: name a file that ends in {ENDING}")
    try:
        _campaign(args, path)
    except KeyboardInterrupt:
        raise Stopped(f"stopped; what {path} holds is kept: repeat the command to go on") from None


def _campaign(args: argparse.Namespace, path: Path) -> None:
    scenario = load_scenario(args.scenario)
    from sim.campaign import CampaignError, CrewError, as_text
    from sim.campaign_book import open_book
    from sim.fault_campaign import KIND, Episodes

    try:
        plan = Episodes(as_text(scenario), args.seed, args.episodes, args.faultless)
        with open_book(path, plan, KIND) as book:
            missing = book.missing(plan)
            stopped = bool(missing) and not _work(args, book, plan, missing)
            rows = book.rows()
            told = summary(args, scenario.title, plan, rows, path, stopped)
            _deliver(args, told)
    except CampaignError as wrong:
        raise UsageError(wrong) from None
    except CrewError as lost:
        raise UsageError(f"{lost}; what is done is kept in {path}: repeat the command to go on") from None
    if stopped:
        raise Stopped(
            f"stopped after {len(rows)} of {plan.total} runs, all kept in {path}; repeat the command to go on"
        )


def _work(args: argparse.Namespace, book: Book, plan: Episodes, missing: list[Numbered]) -> bool:
    """Do the missing episodes; False after Ctrl-C."""
    from sim.campaign import run_all
    from sim.campaign_workers import local_crew
    from sim.fault_campaign import task

    from .campaign_progress import shown

    workers = min(args.workers or os.cpu_count() or 1, len(missing))
    where = f"{workers} worker{'s' if workers > 1 else ''} on this machine"
    try:
        with local_crew(workers) as crew, shown(plan.total, plan.total - len(missing), where, told=row_text) as display:

            def keep(row: Row, wall_s: float) -> None:
                book.add(row, wall_s)
                display.done(row)

            run_all(crew, plan, missing, keep, task)
    except KeyboardInterrupt:
        return False
    return True


def row_text(row: dict[str, Any]) -> str:
    """An episode in a few words."""
    if row["error"] is not None:
        return f"episode {row['run']} broke down: {row['error']}"
    broken = ", ".join(json.loads(row["unsafe"])) or "safe"
    return f"episode {row['run']}: {broken}"


def summary(
    args: argparse.Namespace, title: str, plan: Episodes, rows: list[Row], path: Path, stopped: bool
) -> dict[str, Any]:
    """The campaign in one JSON-able object."""
    from sim.campaign_fault_figures import by_fault, by_rule, faultless_figures, totals

    told: dict[str, Any] = {
        "scenario": title,
        "seed": plan.seed,
        "runs": plan.total,
        "done": len(rows),
        "file": str(path),
    }
    told["failed"] = [{"run": row["run"], "error": row["error"]} for row in rows if row["error"]]
    if plan.faultless:
        told["faultless"] = faultless_figures(rows)
        for entry in told["faultless"]["worst"]:
            entry["replay"] = replay_command(args.scenario, entry["episode"], entry["run"])
        return told
    rules = by_rule(rows)
    for code, line in rules.items():
        smallest = (
            line["episode"] if stopped else _smallest(args.shrink, plan, list(rules).index(code), line["episode"], code)
        )
        line |= {"smallest": smallest, "replay": replay_command(args.scenario, smallest, line["run"])}
    return told | {"totals": totals(rows), "rules": rules, "faults": by_fault(rows)}


def _smallest(most: int, plan: Episodes, place: int, episode: str, code: str) -> str:
    """The smallest form of an episode, for the ``most`` rules that were broken most often."""
    if place >= most:
        return episode
    from sim.fault_campaign import smallest

    return smallest(plan.scenario, episode, code)[0].text


def replay_command(scenario: str | None, episode: str, number: int) -> str:
    """The one command that plays an episode again, with its picture."""
    where = shlex.quote(scenario or "")
    return f"warmheap campaign faults {where} --episode {shlex.quote(episode)} --out out/episode-{number}".replace(
        "  ", " "
    )


def _deliver(args: argparse.Namespace, told: dict[str, Any]) -> None:
    if args.json:
        print(json.dumps(finite(told), indent=2, allow_nan=False, ensure_ascii=False))
        return
    from rich.console import Console

    from .campaign_fault_tables import fault_lines, faults_table, rules_table

    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=130)
    if "faults" in told:
        console.print(faults_table(told))
        console.print(rules_table(told))
    for line in fault_lines(told):
        console.print(line, soft_wrap=True, markup=False)
