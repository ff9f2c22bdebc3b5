"""``warmheap simulate``: a season on the simulator, with table, picture and JSON."""

from __future__ import annotations

import argparse
import json
from functools import partial
from math import isfinite
from os.path import isfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .errors import Stopped, UsageError
from .files import all_whole

if TYPE_CHECKING:
    from sim.policies import Rule
    from sim.scenario import Scenario
    from sim.season import SeasonResult

    from .progress import Display

DEFAULT_OUT = "out"
FOLDER = Path("scenarios")
NEEDS_SIM = "simulate needs the simulator's packages, {name} is missing: pip install 'warmheap[sim]'"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument("scenario", nargs="?", help="scenario file, or the name of one in ./scenarios")
    parser.add_argument("--days", type=number(0.01, 730, "days"), default=120, metavar="N", help="how long (120)")
    parser.add_argument("--seed", type=seed, default=1, metavar="S", help="chance; same seed, same season (1)")
    parser.add_argument(
        "--policy",
        default="warmheap",
        metavar="P",
        help="warmheap (default), off, full, steady, thermostat, demand, timer, or tuned (searched, takes minutes)",
    )
    tick_help = "call the controller every S seconds, not when it asks"
    parser.add_argument("--tick", type=number(1, 60, "seconds"), metavar="S", help=tick_help)
    parser.add_argument(
        "--compare",
        nargs="?",
        const="",
        metavar="all",
        help="every policy side by side; 'all' adds tuned, which takes some minutes more",
    )
    parser.add_argument("--workers", type=count, metavar="N", help="processes to use with --compare (one a core)")
    out_help = f"folder for picture and season.json ({DEFAULT_OUT}; none with --json)"
    parser.add_argument("--out", metavar="DIR", help=out_help)
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")


def run(args: argparse.Namespace) -> None:
    """Run the season or the comparison that ``args`` asks for."""
    if args.scenario is None and args.compare not in (None, "", "all"):
        args.scenario, args.compare = args.compare, ""
    if args.compare not in (None, "", "all"):
        raise UsageError(f"--compare {args.compare!r}: only 'all' or nothing may follow --compare")
    scenario = load_scenario(args.scenario)
    out = out_folder(args)
    if args.compare is None:
        _one(args, scenario, out)
    else:
        _side_by_side(args, scenario, out)


def load_scenario(name: str | None) -> Scenario:
    """Read the scenario called ``name``: a path, or the bare name of a file in ./scenarios."""
    path = _find(name)
    try:
        from sim import Scenario
        from sim.weather import load_weather
    except ModuleNotFoundError as missing:
        raise UsageError(NEEDS_SIM.format(name=missing.name)) from None
    try:
        scenario = Scenario.load(path)
        load_weather(scenario)
    except (ValueError, OSError) as wrong:
        raise UsageError(wrong) from None
    return scenario


def _find(name: str | None) -> Path:
    there = sorted(p.stem for p in FOLDER.glob("*.toml"))
    known = f"in {FOLDER}/ there are: {', '.join(there)}" if there else f"there is no {FOLDER}/ folder here"
    if name is None:
        raise UsageError(f"name a scenario file; {known}")
    for path in (Path(name), FOLDER / name, FOLDER / f"{name}.toml"):
        if isfile(path):
            return path
    raise UsageError(f"scenario {name!r} is not a file; {known}")


def out_folder(args: argparse.Namespace) -> Path | None:
    """Make the folder that ``--out`` names, or the usual one; None where ``--json`` alone writes nothing."""
    if args.out is None and args.json:
        return None
    out = Path(args.out or DEFAULT_OUT)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as wrong:
        raise UsageError(f"--out {out}: {wrong.strerror}; name a folder that can be written") from None
    return out


def _one(args: argparse.Namespace, scenario: Scenario, out: Path | None) -> None:
    from sim.policies import make_policy
    from sim.season import run_season

    from .progress import display

    try:
        if args.policy != "tuned":
            make_policy(args.policy, scenario)  # a wrong name is refused before anything is shown
    except ValueError as wrong:
        raise UsageError(wrong) from None
    with display(args.days) as shown:
        rule = _searched(args, scenario, shown) if args.policy == "tuned" else None
        policy = make_policy(args.policy, scenario, rule)
        told = partial(shown.told, args.policy)
        result = run_season(scenario, policy, args.days, args.seed, args.tick, told)
    summary = result.summary() | ({"rule": str(rule)} if rule else {})
    _deliver(args, summary, out, {result.policy: result})


def _side_by_side(args: argparse.Namespace, scenario: Scenario, out: Path | None) -> None:
    from sim.compare import WITHOUT_SEARCH, compare
    from sim.policies import POLICIES

    from .progress import display

    names = POLICIES if args.compare == "all" else WITHOUT_SEARCH
    with display(args.days) as shown:
        rule = _searched(args, scenario, shown) if args.compare == "all" else None
        results = compare(scenario, names, args.days, args.seed, args.tick, args.workers, shown.told, rule)
    if not results:
        raise KeyboardInterrupt
    summary: dict[str, Any] = {
        "scenario": scenario.title,
        "seed": args.seed,
        "days": args.days,
        "policies": {name: result.summary() for name, result in results.items()},
    }
    if rule:
        summary["tuned_rule"] = str(rule)
    _deliver(args, summary, out, results)


def _searched(args: argparse.Namespace, scenario: Scenario, shown: Display) -> Rule:
    from sim.search import best_rule

    return best_rule(scenario, args.days, args.seed, args.workers, shown.searched).rule


def _deliver(
    args: argparse.Namespace, summary: dict[str, Any], out: Path | None, results: dict[str, SeasonResult]
) -> None:
    text = json.dumps(finite(summary), indent=2, allow_nan=False, ensure_ascii=False)
    files = _write(out, text, results) if out else []
    if args.json:
        print(text)
    else:
        _show(summary, results, files)
    cut = [r for r in results.values() if r.interrupted]
    if cut:
        days = max(r.history.elapsed_s[-1] for r in cut) / 86400.0
        kept = f"; kept in {out}/" if out else ""
        raise Stopped(f"stopped after {days:.1f} of {args.days:g} days; what was computed stands{kept}")


def _write(out: Path, text: str, results: dict[str, SeasonResult]) -> list[Path]:
    from sim.picture import draw_comparison, draw_season

    names = ("season.json", "season.png", "compare.png")[: 3 if len(results) > 1 else 2]
    files = [out / name for name in names]
    try:
        with all_whole(files) as beside:
            beside[0].write_text(text + "\n", encoding="utf-8")
            draw_season(next(iter(results.values())), beside[1])
            if len(results) > 1:
                draw_comparison(results, beside[2])
    except OSError as wrong:
        raise cannot_write(out, wrong) from None
    return files


def cannot_write(out: Path, wrong: OSError) -> UsageError:
    """What is said where results cannot be written."""
    return UsageError(f"cannot write to {out}: {wrong.strerror or wrong}; what was there before is unharmed")


def _show(summary: dict[str, Any], results: dict[str, SeasonResult], files: list[Path]) -> None:
    from rich.console import Console

    from .tables import comparison_table, season_table

    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=110)
    table = comparison_table(summary) if "policies" in summary else season_table(summary)
    console.print(table)
    for path in files:
        console.print(f"wrote {path}")


def finite(value: Any) -> Any:
    """The same JSON-able value with every NaN and infinity replaced by None, which JSON can say."""
    if isinstance(value, dict):
        return {k: finite(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [finite(v) for v in value]
    if isinstance(value, float):
        return value if isfinite(value) else None
    return value


def number(low: float, high: float, unit: str) -> Any:
    """Return a reader of an option: a number of ``unit`` from ``low`` to ``high``."""

    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is not a number of {unit} between {low:g} and {high:g}")
        return int(value) if value.is_integer() else value

    return read


def seed(text: str) -> int:
    """Read an option that is a seed."""
    if not text.isdecimal() or int(text) >= 2**63:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 0 up")
    return int(text)


def count(text: str) -> int:
    """Read an option that is a number of processes."""
    if not text.isdecimal() or not 1 <= int(text) <= 1024:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of processes, 1 to 1024")
    return int(text)
