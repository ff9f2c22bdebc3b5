"""``warmheap plan``: what a pile can do for a greenhouse, and the parts it needs, before anything is built."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from datetime import date
from os.path import isfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .errors import UsageError
from .files import whole
from .fuel_choice import Choice, FuelSettings, chosen, overridden, read_price
from .fuels import FUELS
from .plan_file import FLAGS, read_raw, scenario_of, with_flags, write_scenario
from .savings import Avoided, avoided
from .simulate import FOLDER, NEEDS_SIM

if TYPE_CHECKING:
    from sim.plan import Plan

MOST_DAYS = 365
USUAL_FUEL = "propane"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument("file", nargs="?", help="plan or scenario file, or the name of one in ./scenarios")
    parser.add_argument("--scenario", metavar="FILE", help="the same, by name")
    for flag, (_, _, what) in FLAGS.items():
        parser.add_argument(f"--{flag}", metavar="X", help=what.replace("%", "%%"))
    parser.add_argument("--recipe", metavar="MIX", help='parts by volume: "straw=1, horse manure=2"')
    parser.add_argument("--days", type=_days, default=120, metavar="N", help="length of the season (120)")
    parser.add_argument("--settings", metavar="FILE", help="take [fuel] from this settings file")
    parser.add_argument("--fuel", choices=sorted(FUELS), help=f"what would heat otherwise ({USUAL_FUEL})")
    parser.add_argument("--efficiency", type=float, metavar="E", help="of that heater, 0..1, against gross energy")
    parser.add_argument("--price", metavar="P", help='what you pay for one unit of it today, "2.66" or "2.66 USD/gal"')
    parser.add_argument("--currency", default="USD", metavar="C", help="of the price (USD)")
    parser.add_argument("--write-scenario", metavar="FILE", help="write a scenario file for warmheap simulate")
    parser.add_argument("--picture", metavar="PNG", help="write a picture of the season")
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")


def run(args: argparse.Namespace) -> None:
    """Make the plan that ``args`` asks for and show it."""
    if args.file and args.scenario:
        raise UsageError("name one file, either alone or after --scenario")
    path = _find(args.scenario or args.file)
    try:
        from sim.plan import make_plan
    except ModuleNotFoundError as missing:
        raise UsageError(NEEDS_SIM.format(name=missing.name).replace("simulate", "plan", 1)) from None
    choice = _fuel(args)
    source, folder = (str(path), path.parent) if path else ("plan", Path())
    scenario, made, mix_warnings = scenario_of(
        with_flags(read_raw(path), args), source, folder, grow=path is None or args.pile_volume is not None
    )
    plan = make_plan(scenario, args.days)
    saved = {level: _saved(plan, level, choice) for level in plan.useful_kwh}
    if args.write_scenario:
        write_scenario(made, scenario, Path(args.write_scenario))
    if args.picture:
        _draw(plan, Path(args.picture))
    if args.json:
        print(json.dumps(_as_json(plan, saved, mix_warnings), allow_nan=False))
    else:
        _show(plan, saved, mix_warnings)


def _fuel(args: argparse.Namespace) -> Choice:
    """The fuel of the command line, of [fuel] in the settings file, or the usual one; a price typed here is today's."""
    from .settings_file import load

    kept = FuelSettings() if args.settings is None else load(args.settings).outside.fuel
    told = overridden(kept, args.fuel or kept.kind or USUAL_FUEL, args.efficiency, None, None)
    choice = chosen(told)
    assert choice is not None  # noqa: S101 - a kind is always named
    if args.price is None:
        return choice
    return replace(choice, price=read_price(args.price, choice.fuel, date.today(), args.currency))


def _saved(plan: Plan, level: str, choice: Choice) -> Avoided:
    kwh = plan.backup_avoided_kwh[level]
    return avoided(kwh, kwh, kwh, choice.fuel, choice.efficiency_factor, choice.price)


def _as_json(plan: Plan, saved: dict[str, Avoided], mix_warnings: tuple[str, ...]) -> dict[str, Any]:
    middle = saved["p50"]
    return plan.as_json() | {
        "warnings": [*plan.warnings, *mix_warnings],
        "fuel": middle.fuel.key,
        "fuel_unit": middle.fuel.unit,
        "fuel_efficiency": middle.efficiency,
        "fuel_avoided": {level: s.units for level, s in saved.items()},
        "money": {level: s.money for level, s in saved.items()},
        "counterfactual": middle.counterfactual,
        "efficiency_effect": middle.efficiency_effect,
    }


def _show(plan: Plan, saved: dict[str, Avoided], mix_warnings: tuple[str, ...]) -> None:
    from rich.console import Console

    from .plan_tables import parts_table, season_table, sentences

    console = Console()
    console.print(season_table(plan, saved))
    console.print(parts_table(plan))
    for line in sentences(plan, saved["p50"], mix_warnings):
        console.print(line, highlight=False)


def _draw(plan: Plan, path: Path) -> None:
    from sim.plan_picture import draw_plan

    try:
        with whole(path) as beside:
            draw_plan(plan, beside)
    except (OSError, ValueError) as wrong:
        raise UsageError(
            f"--picture {path}: {getattr(wrong, 'strerror', None) or wrong}; name a .png that can be written"
        ) from None


def _find(name: str | None) -> Path | None:
    if name is None:
        return None
    for path in (Path(name), FOLDER / name, FOLDER / f"{name}.toml"):
        if isfile(path):
            return path
    raise UsageError(f"plan file {name!r} is not a file; write one, or use flags (see warmheap plan --help)")


def _days(text: str) -> int:
    if text.isdecimal() and 1 <= int(text) <= MOST_DAYS:
        return int(text)
    raise argparse.ArgumentTypeError(f"{text!r}: whole days from 1 to {MOST_DAYS}")
