"""``warmheap tune``: gains for a scenario's plant with their trade and margins, and ``--prove`` that a rule is safe."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .errors import Stopped, UsageError
from .files import all_whole
from .simulate import DEFAULT_OUT, cannot_write, finite, load_scenario, out_folder

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from sim.scenario import Scenario
    from sim.tuning_plants import Design
    from sim.tuning_proof import Proof
    from sim.tuning_search import Found

Told = Callable[[str, int, int], None]
MISSED = 1  # exit code: the figures stand, a goal is not met
PROOF_PLANTS, SEARCH_PLANTS = 2000, 40
MOST_PLANTS = {True: 100_000, False: 500}
MOST_WORKERS = 64


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument("scenario", nargs="?", help="scenario file, or the name of one in ./scenarios")
    prove_help = "try the rule on random plants, known as commissioning knows them; exit code 1 if a goal is missed"
    parser.add_argument("--prove", action="store_true", help=prove_help)
    plants_help = f"random plants ({PROOF_PLANTS} with --prove, else {SEARCH_PLANTS})"
    parser.add_argument("--plants", type=int, metavar="N", help=plants_help)
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="chance; same seed, same result (1)")
    parser.add_argument(
        "--closed-loop", type=float, metavar="R", help="with --prove: wanted closed loop, in dead times (3); 1 is tight"
    )
    parser.add_argument(
        "--caution", type=float, metavar="C", help="with --prove: standard uncertainties kept as reserve (1)"
    )
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--workers", type=int, metavar="N", help="processes (one a core); the result is the same")
    cluster_help = "scheduler of a Dask cluster, like tcp://10.0.0.5:8786; the result is the same"
    where.add_argument("--cluster", metavar="ADDRESS", help=cluster_help)
    parser.add_argument(
        "--settings", metavar="FILE", help="tune for this settings file, not for the scenario's own settings"
    )
    parser.add_argument("--state", metavar="DIR", help="with what 'warmheap commission' learned in this state folder")
    parser.add_argument("--write", metavar="FILE", help="write a settings file with the gains that the search chose")
    parser.add_argument(
        "--out", metavar="DIR", help=f"folder for picture and tuning.json ({DEFAULT_OUT}; none with --json)"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")


def run(args: argparse.Namespace) -> None:
    """Search gains, or prove the rule, as ``args`` asks for."""
    plants = _checked(args)
    scenario = load_scenario(args.scenario)
    out = None if args.prove and args.out is None else out_folder(args)
    from sim.tuning_plants import designs

    from .tune_file import settings_of

    settings = settings_of(args, scenario)
    began_s = time.perf_counter()
    try:
        loops = designs(scenario, settings, args.seed)
    except ValueError as wrong:
        raise UsageError(wrong) from None
    work = _prove if args.prove else _search
    try:
        with _executor(args.workers, args.cluster) as executor, _progress() as told:
            done = work(args, loops, plants, executor, told)
    except KeyboardInterrupt:
        raise Stopped("stopped; nothing was kept: half a search or half a proof shows nothing") from None
    said = _said(args, scenario, plants, done, time.perf_counter() - began_s)
    _deliver(args, said, scenario, done, plants, out)
    if args.write:
        from .tune_file import with_gains, write_settings

        found = {one.design.name: one.gains for one in done}
        write_settings(Path(args.write), with_gains(settings, found["flow"], found["supply"]), scenario.title)
        if not args.json:
            print(f"wrote {args.write}")
    if not said["goals_met"] and args.prove:
        raise SystemExit(MISSED)


def _checked(args: argparse.Namespace) -> int:
    """Refuse what cannot be done; returns the number of plants."""
    plants = args.plants if args.plants is not None else PROOF_PLANTS if args.prove else SEARCH_PLANTS
    most = MOST_PLANTS[args.prove]
    if not 2 <= plants <= most:
        raise UsageError(f"--plants {plants}: must be 2 to {most}")
    if not 0 <= args.seed < 2**63:
        raise UsageError(f"--seed {args.seed}: must be a whole number from 0 up")
    if args.workers is not None and not 1 <= args.workers <= MOST_WORKERS:
        raise UsageError(f"--workers {args.workers}: must be 1 to {MOST_WORKERS}")
    if args.write and args.prove:
        raise UsageError("--write goes with the search: --prove tries a rule and finds no gains of its own")
    if args.write and Path(args.write).exists():
        raise UsageError(f"{args.write} is there already and is not overwritten: name another file or move it away")
    for name, value, low, high in (
        ("--closed-loop", args.closed_loop, 0.2, 20.0),
        ("--caution", args.caution, 0.0, 4.0),
    ):
        if value is not None and not args.prove:
            raise UsageError(f"{name} goes with --prove: the search finds its own gains")
        if value is not None and not low <= value <= high:
            raise UsageError(f"{name} {value}: must be {low:g} to {high:g}")
    return int(plants)


@contextmanager
def _executor(workers: int | None, cluster: str | None) -> Iterator[Executor | None]:
    """A cluster, or processes that load afresh (a fork beside a display's thread may hang); for one worker none at all."""
    import multiprocessing as mp
    import os
    from concurrent.futures import ProcessPoolExecutor

    if cluster is not None:
        with _of_cluster(cluster) as executor:
            yield executor
        return
    count = workers or min(os.cpu_count() or 1, MOST_WORKERS)
    if count == 1:
        yield None
        return
    with ProcessPoolExecutor(count, mp.get_context("spawn"), _deaf_to_ctrl_c) as pool:
        try:
            yield pool
        except KeyboardInterrupt:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


@contextmanager
def _of_cluster(address: str) -> Iterator[Executor]:
    """The workers of a Dask cluster."""
    from .campaign_cluster import dask_crew

    try:
        with dask_crew(address) as crew:
            yield crew.executor
    except UsageError as wrong:
        raise UsageError(str(wrong).replace("--dask", "--cluster", 1)) from None


def _deaf_to_ctrl_c() -> None:
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent hears it and calls the work off


@contextmanager
def _progress() -> Iterator[Told]:
    """Bars with time left on a terminal; elsewhere a line for each quarter."""
    if not sys.stderr.isatty():
        yield _Lines().told
        return
    from rich.console import Console
    from rich.progress import Progress

    tasks: dict[str, Any] = {}
    with Progress(console=Console(stderr=True)) as bars:

        def told(loop: str, done: int, total: int) -> None:
            if loop not in tasks:
                tasks[loop] = bars.add_task(f"{loop} loop", total=total)
            bars.update(tasks[loop], completed=done)

        yield told


class _Lines:
    def __init__(self) -> None:
        self._quarter: dict[str, int] = {}

    def told(self, loop: str, done: int, total: int) -> None:
        quarter = 4 * done // total
        if quarter > self._quarter.get(loop, 0):
            print(f"{loop} loop: {done} of {total}", file=sys.stderr, flush=True)
        self._quarter[loop] = quarter


def _prove(
    args: argparse.Namespace, loops: tuple[Design, ...], plants: int, executor: Executor | None, told: Told
) -> list[Proof]:
    from sim.tuning_proof import prove

    return [prove(design, plants, args.seed, _rule(args), executor, told) for design in loops]


def _rule(args: argparse.Namespace) -> Any:
    from controller.tuning_choice import Rule

    wanted = {"closed_loop_delays": args.closed_loop, "caution_sd": args.caution}
    return Rule()._replace(**{name: value for name, value in wanted.items() if value is not None})


def _search(
    args: argparse.Namespace, loops: tuple[Design, ...], plants: int, executor: Executor | None, told: Told
) -> list[Found]:
    from sim.tuning_search import searched

    return [searched(design, plants, args.seed, executor, told) for design in loops]


def _said(
    args: argparse.Namespace, scenario: Scenario, plants: int, done: list[Any], wall_seconds: float
) -> dict[str, Any]:
    met = [all(goal.met for goal in one.goals()) if args.prove else one.goals_met for one in done]
    said: dict[str, Any] = {"scenario": scenario.title, "seed": args.seed, "plants": plants, "goals_met": all(met)}
    if args.prove:
        said["rule"] = _rule(args)._asdict()
    said["loops"] = {
        one.design.name: {
            "process": one.design.process._asdict(),
            "tick_s": one.design.tick_s,
            "gains_in_use": one.design.old._asdict(),
        }
        | one.summary()
        for one in done
    }
    return said | {"wall_seconds": wall_seconds}


def _deliver(
    args: argparse.Namespace, said: dict[str, Any], scenario: Scenario, done: list[Any], plants: int, out: Path | None
) -> None:
    text = json.dumps(finite(said), indent=2, allow_nan=False, ensure_ascii=False)
    files = _write(args, out, text, scenario, done, plants) if out else []
    if args.json:
        print(text)
        return
    from .tune_tables import show_proof, show_search

    (show_proof if args.prove else show_search)(said)
    for path in files:
        print(f"wrote {path}")


def _write(
    args: argparse.Namespace, out: Path, text: str, scenario: Scenario, done: list[Any], plants: int
) -> list[Path]:
    files = [out / name for name in ("tuning.json", "tuning.png")[: 1 if args.prove else 2]]
    try:
        with all_whole(files) as beside:
            beside[0].write_text(text + "\n", encoding="utf-8")
            if not args.prove:
                from sim.tuning_picture import draw_tuning

                draw_tuning(done, plants, args.seed, scenario.title, beside[1])
    except OSError as wrong:
        raise cannot_write(out, wrong) from None
    return files
