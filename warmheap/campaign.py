"""``warmheap campaign``: many random seasons on all cores or a cluster, in one file that a kill does not hurt."""

from __future__ import annotations

import argparse
from importlib import import_module
from typing import Any

from .simulate import count, number, seed

DOERS = {"seasons": "campaign_seasons", "faults": "campaign_faults", "replay": "campaign_replay"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    kinds = parser.add_subparsers(dest="kind", metavar="KIND", required=True)
    _add_seasons(kinds.add_parser("seasons", help="random plants around a scenario, each under one or more policies"))
    _add_replay(kinds.add_parser("replay", help="run one run of a campaign again, alone, with its picture"))
    _add_faults(kinds.add_parser("faults", help="short stretches of winter in which things break, judged by rules"))


def run(args: argparse.Namespace) -> None:
    """Do what ``args`` asks for."""
    import_module(f".{DOERS[args.kind]}", __package__).run(args)


def _add_seasons(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("scenario", nargs="?", help="scenario file, or the name of one in ./scenarios")
    parser.add_argument("--seasons", type=_whole(1, 1_000_000), default=20, metavar="N", help="how many (20)")
    first_help = "seed of the first season; the next ones count up from it (0)"
    parser.add_argument("--first", type=seed, default=0, metavar="K", help=first_help)
    parser.add_argument("--days", type=number(0.01, 730, "days"), default=120, metavar="D", help="how long each (120)")
    policy_help = "warmheap (default), off, full, steady, thermostat, demand, timer: one or more"
    parser.add_argument("--policy", nargs="+", default=["warmheap"], metavar="P", help=policy_help)
    out_help = "results; the same command on the same file goes on where it was stopped"
    parser.add_argument("--out", required=True, metavar="FILE.sqlite", help=out_help)
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--workers", type=count, metavar="W", help="processes on this machine (one a core)")
    where.add_argument("--dask", metavar="ADDRESS", help="scheduler of a Dask cluster, like tcp://10.0.0.5:8786")
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")


def _add_faults(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("scenario", nargs="?", help="scenario file, or the name of one in ./scenarios")
    parser.add_argument("--episodes", type=_whole(1, 1_000_000), default=200, metavar="N", help="how many (200)")
    parser.add_argument("--seed", type=seed, default=0, metavar="S", help="draws plants, faults and times (0)")
    faultless_help = "as many stretches of two weeks without a fault: false trips and notices"
    parser.add_argument("--faultless", action="store_true", help=faultless_help)
    shrink_help = "make the episodes of so many broken rules as small as they go (5)"
    parser.add_argument("--shrink", type=_whole(0, 1000), default=5, metavar="K", help=shrink_help)
    out_help = "results; the same command on the same file goes on where it was stopped. With --episode: a folder"
    parser.add_argument("--out", required=True, metavar="FILE.sqlite", help=out_help)
    parser.add_argument(
        "--episode", metavar="TEXT", help="play this one episode, as the table names it, with its picture"
    )
    parser.add_argument("--workers", type=count, metavar="W", help="processes on this machine (one a core)")
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")


def _add_replay(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE.sqlite", help="results of a campaign")
    parser.add_argument("--run", type=seed, required=True, metavar="R", help="number of the run")
    parser.add_argument("--out", metavar="DIR", help="folder for picture and season.json (out/run-R)")
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")


def _whole(low: int, high: int) -> Any:
    def read(text: str) -> int:
        if not (text.isascii() and text.isdecimal()) or len(text) > 12 or not low <= int(text) <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from {low} to {high}")
        return int(text)

    return read
