"""``warmheap check``: the roll-call of a board: sensors read, outputs moved once, what is wrong and how to mend it."""

from __future__ import annotations

import argparse

from .errors import UsageError

# What can be checked, in this order, and what it is.
NAMES: dict[str, str] = {
    "clock": "wall time, the clock of control, time service",
    "disk": "writable, fast enough, room for a winter",
    "permissions": "GPIO, PWM, 1-wire, I2C",
    "service": "starts at boot, with guardian",
    "watchdog": "restarts a board that hangs",
    "sensors": "each there, plausible, fitting the others",
    "hold": "each probe warmed in your hand",
    "pump": "starts, moves water, stops",
    "bucket": "the pump's curve, where no meter is",
    "fan": "starts, turns, stops; its direction",
    "battery": "volts at rest and under load",
    "swap": "warm water comes to the supply probe",
}
ON_BOARD_ONLY = ("permissions", "service", "watchdog", "hold")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    add = parser.add_argument
    add("file", nargs="?", help="settings file (greenhouse.toml; with --plant: the scenario's own settings)")
    add("--plant", metavar="SCENARIO", help="check this simulated greenhouse, not the board: to see how it goes")
    add("--seed", type=int, default=1, metavar="S", help="with --plant: chance (1)")
    add("--yes", action="store_true", help="move without asking, and ask nothing: what only a person sees is left out")
    add("--only", nargs="+", action="extend", metavar="NAME", help=f"only these: {', '.join(NAMES)}")
    add("--state", metavar="DIR", help="state folder, the one that run has ($STATE_DIRECTORY or ~/.local/state)")
    add("--json", action="store_true", help="print one JSON object and nothing else (the rest goes to stderr)")
    add("--guardian-fd", type=int, help=argparse.SUPPRESS)
    add("--door", help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> None:
    """Check what ``args`` asks for; ends in the exit code: 0 nothing is wrong, 1 something is."""
    from . import check_front, check_live

    for name in args.only or ():
        if name not in NAMES:
            raise UsageError(
                f"--only {name}: no such check; there are {', '.join(NAMES)} (the settings file goes first)"
            )
        if args.plant and name in ON_BOARD_ONLY:
            raise UsageError(f"--only {name}: a simulated greenhouse has no such thing; leave --plant or {name} out")
    if args.seed < 0:
        raise UsageError(f"--seed {args.seed}: must be 0 or more")
    raise SystemExit(check_live.control(args) if args.guardian_fd is not None else check_front.start(args))


def chosen(args: argparse.Namespace) -> list[str]:
    """The checks to make, in their order."""
    there = [name for name in NAMES if not (args.plant and name in ON_BOARD_ONLY)]
    return [name for name in there if not args.only or name in args.only]
