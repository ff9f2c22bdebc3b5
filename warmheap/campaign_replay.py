"""``warmheap campaign replay``: one run of a campaign again, alone, with its picture."""

from __future__ import annotations

import argparse
import json
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .campaign_seasons import replay_folder
from .errors import Stopped, UsageError
from .files import all_whole
from .simulate import NEEDS_SIM, cannot_write, finite

if TYPE_CHECKING:
    from sim.campaign import Row, Run, Seasons
    from sim.season import SeasonResult

SAME = "The figures are those of the file, to the last digit."
NOT_YET = "The file has no figures of this run yet."
OTHER = "The figures are not those of the file: {names} differ{why}."


def run(args: argparse.Namespace) -> None:
    """Run it, compare it with the file, and draw it."""
    path = Path(args.file)
    plan, wanted, kept, same_program = _looked_up(path, args.run)
    out = _folder(args.out or replay_folder(args.run))
    result = _played(plan, wanted)
    if result.interrupted:
        raise Stopped("stopped; nothing was written, the file is as it was")
    verdict = _compared(plan, wanted, result, kept, same_program)
    _deliver(args, wanted, result, out, verdict)


def _looked_up(path: Path, number: int) -> tuple[Seasons, Run, Row | None, bool]:
    """The campaign, the run, its row if there is one, and whether the file is this program's."""
    try:
        from sim.campaign import CampaignError, program
        from sim.campaign_book import read_book
    except ModuleNotFoundError as missing:
        raise UsageError(NEEDS_SIM.format(name=missing.name).replace("simulate", "campaign", 1)) from None
    try:
        with read_book(path) as book:
            plan, same_program = book.plan(), book.program() == program()
            rows = {row["run"]: row for row in book.rows()}
    except CampaignError as wrong:
        raise UsageError(wrong) from None
    runs = plan.runs()
    if number >= len(runs):
        raise UsageError(f"--run {number}: {path} has the runs 0 to {len(runs) - 1}")
    return plan, runs[number], rows.get(number), same_program


def _folder(name: str) -> Path:
    out = Path(name)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as wrong:
        raise UsageError(f"--out {out}: {wrong.strerror}; name a folder that can be written") from None
    return out


def _played(plan: Seasons, wanted: Run) -> SeasonResult:
    from sim.campaign import play

    from .progress import display

    with display(plan.days) as shown:
        return play(plan, wanted, partial(shown.told, f"run {wanted.number}"))


def _compared(plan: Seasons, wanted: Run, result: SeasonResult, kept: Row | None, same_program: bool) -> str:
    from sim.campaign import plant_of, row_of

    if kept is None:
        return NOT_YET
    again = row_of(wanted, plant_of(plan, wanted), result)
    names = [name for name in again if again[name] != kept[name]]
    why = (
        " (another machine or other packages)"
        if same_program
        else " (the file was made by another version of warmheap)"
    )
    return OTHER.format(names=", ".join(names), why=why) if names else SAME


def _deliver(args: argparse.Namespace, wanted: Run, result: SeasonResult, out: Path, verdict: str) -> None:
    from sim.picture import draw_season

    summary: dict[str, Any] = {"run": wanted.number, **result.summary(), "compared": verdict}
    text = json.dumps(finite(summary), indent=2, allow_nan=False, ensure_ascii=False)
    files = [out / "season.json", out / "season.png"]
    try:
        with all_whole(files) as beside:
            beside[0].write_text(text + "\n", encoding="utf-8")
            draw_season(result, beside[1])
    except OSError as wrong:
        raise cannot_write(out, wrong) from None
    if args.json:
        print(text)
    else:
        _show(summary, [verdict, *(f"wrote {path}" for path in files)])


def _show(summary: dict[str, Any], lines: list[str]) -> None:
    from rich.console import Console

    from .tables import season_table

    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=110)
    console.print(f"Run {summary['run']}, seed {summary['seed']}")
    console.print(season_table(summary))
    for line in lines:
        console.print(line, soft_wrap=True, markup=False)
