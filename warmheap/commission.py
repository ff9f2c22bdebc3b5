"""``warmheap commission``: the guided session, on the board or on the simulator; there found stands beside true."""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .errors import UsageError
from .simulate import finite, load_scenario

if TYPE_CHECKING:
    from rich.table import Table

    from .commission_sim import Session

UNITS = {
    "pump_start_duty": "1", "pump_run_duty": "1", "fan_start_duty": "1", "fan_run_duty": "1", "supply_delay_s": "s",
    "supply_lag_s": "s", "coil_ua_w_k": "W/K", "return_offset_k": "K",
}  # fmt: skip
PART_OF = {
    "pump_start_duty": "pump", "pump_run_duty": "pump", "fan_start_duty": "fan", "fan_run_duty": "fan",
    "supply_delay_s": "start", "supply_lag_s": "start", "coil_ua_w_k": "coil", "return_offset_k": "probes",
}  # fmt: skip
LEAST_CORE_K, MOST_CORE_K, USUAL_CORE_K = 0.2, 5.0, 1.0
LEAST_SPEED, MOST_SPEED = 0.1, 1e6


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    add = parser.add_argument
    add("file", nargs="?", help="settings file (greenhouse.toml; with --plant: the scenario's own settings)")
    add("--plant", metavar="SCENARIO", help="against the simulated plant of this scenario file, not the board")
    add("--seed", type=int, default=1, metavar="S", help="with --plant: chance; same seed, same session (1)")
    help_text = "with --plant: with guardian and memory as on the board, X times as fast as real time"
    add("--speed", type=float, metavar="X", help=help_text)
    add("--core-k", type=float, metavar="K", help="how far the core may be cooled, in kelvin (1); most coils need 2")
    add("--answers", metavar="FILE", help='TOML file with answers (coil = "48 L"); what is not in it is left out')
    add("--coil", metavar="VOLUME", help='litres of water in the coil, such as "48 L", instead of being asked')
    add("--no-questions", action="store_true", help="ask nothing; what no sensor sees is left out")
    add("--state", metavar="DIR", help="state folder, the one that run has ($STATE_DIRECTORY or ~/.local/state)")
    add("--fresh", action="store_true", help="do not take up a session that was cut")
    add(
        "--picture",
        metavar="FILE",
        help="with --plant and without --speed: write a picture of the session (PNG, SVG, PDF)",
    )
    add("--show", action="store_true", help="print what was learned and is used; nothing moves")
    add("--forget", action="store_true", help="drop what was learned: the settings file's values count again")
    add("--json", action="store_true", help="print one JSON object and nothing else (the rest goes to stderr)")
    add("--guardian-fd", type=int, help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> None:
    """Run the session that ``args`` asks for."""
    from . import commission_live as live

    _check(args)
    if args.guardian_fd is not None:
        raise SystemExit(live.control(args))
    if args.show or args.forget:
        _kept(args)
    elif args.plant and args.speed is None:
        _at_once(args)
    else:
        live.start(args)


def _check(args: argparse.Namespace) -> None:
    if args.core_k is not None and not LEAST_CORE_K <= args.core_k <= MOST_CORE_K:
        raise UsageError(f"--core-k {args.core_k}: must be {LEAST_CORE_K:g}..{MOST_CORE_K:g} kelvin")
    if args.seed < 0:
        raise UsageError(f"--seed {args.seed}: must be 0 or more")
    if args.speed is not None and not args.plant:
        raise UsageError("--speed is for --plant: real time cannot be hurried")
    if args.picture is not None and (not args.plant or args.speed is not None):
        raise UsageError("--picture is for --plant without --speed: only there the truth is known")
    if args.speed is not None and not LEAST_SPEED <= args.speed <= MOST_SPEED:
        raise UsageError(f"--speed {args.speed}: must be {LEAST_SPEED:g}..{MOST_SPEED:g}")


def _kept(args: argparse.Namespace) -> None:
    """``--show`` and ``--forget``."""
    from . import commission_tell as tell
    from .narrow import wrapped
    from .run import state_folder
    from .settings_store import SettingsStore

    state = state_folder(args)
    if os.path.lexists(state) and not os.path.isdir(state):
        raise UsageError(f"{state} is no folder: give the state folder, the one that run has")
    store = SettingsStore(state)
    if args.forget:
        dropped = store.forget_learned()
        print("Forgotten; the settings file's own values count." if dropped else f"Nothing was learned in {state}.")
        return
    document, doubt = store.learned(), store.doubt()
    if doubt:
        print(f"warmheap: {doubt}", file=sys.stderr)
    if args.json:
        print(json.dumps(document.as_json() if document else None, indent=2))
        return
    for line in tell.what_is_kept(document):
        print(wrapped(line))


def _at_once(args: argparse.Namespace) -> None:
    """The whole session on the simulator, as fast as it goes; found beside true."""
    from .commission_live import settings_of, today
    from .commission_sim import commission
    from .learned import taken
    from .run import state_folder
    from .settings_store import SettingsStore

    scenario, file = load_scenario(args.plant), settings_of(args)
    done = commission(scenario, file.controller, args.seed, core_k=args.core_k or USUAL_CORE_K)
    kept, state = taken(done.learned, file, today()), state_folder(args)
    try:
        SettingsStore(state).save_learned(kept.document)
    except (OSError, ValueError) as wrong:
        raise UsageError(f"what was learned cannot be kept in {state} ({wrong}); the old values stay") from None
    if args.picture:
        _draw(done, scenario.title, args.picture)
    if args.json:
        said = report(done) | {"kept": sorted(kept.document.settings), "not_kept": list(kept.left)}
        print(json.dumps(finite(said), indent=2, allow_nan=False, ensure_ascii=False))
    else:
        _show(done, scenario.title)
        print(
            f"Kept: {', '.join(sorted(kept.document.settings)) or 'nothing'}. 'warmheap run --plant' uses it ({state})."
        )


def _draw(done: Session, title: str, picture: str) -> None:
    from .commission_picture import draw_session

    try:
        draw_session(done, title, Path(picture))
    except (OSError, ValueError) as wrong:
        raise UsageError(f"--picture {picture}: cannot be written ({wrong}); end it in .png, .svg or .pdf") from None


def report(done: Session) -> dict[str, Any]:
    """The session as one JSON-able object: found, uncertainty, truth and verdict of everything, and the raw findings."""
    from controller.commissioning_results import as_json

    from .commission_sim import compared

    found, beside = done.learned, compared(done)
    sds = {
        "pump_start_duty": found.pump.start_sd_duty, "pump_run_duty": found.pump.run_sd_duty,
        "fan_start_duty": found.fan.start_sd_duty, "fan_run_duty": found.fan.run_sd_duty,
        "supply_delay_s": found.start.delay_sd_s, "supply_lag_s": found.start.lag_sd_s,
        "coil_ua_w_k": found.coil.ua_sd_w_k, "return_offset_k": found.probes.offset_sd_k,
    }  # fmt: skip
    verdicts = found.verdicts()
    rows = {
        name: {
            "value": beside[name][0],
            "sd": sd,
            "true": beside[name][1],
            "unit": UNITS[name],
            "verdict": verdicts[PART_OF[name]].kind,
            "reason": verdicts[PART_OF[name]].reason,
        }
        for name, sd in sds.items()
    }
    return {
        "minutes": done.lasted_s / 60.0,
        "core_cooled_k": done.core_drop_k,
        "core_cooled_estimate_k": found.cooled_k,
        "guards_tripped": list(done.guards),
        "left_out": done.session.given_up,
        "pump_curve_worst_error": beside["pump_curve_error"],
        "values": rows,
        "verdicts": {name: verdict.reason for name, verdict in verdicts.items()},
        "findings": as_json(found),
    }


def _show(done: Session, title: str) -> None:
    from rich.console import Console

    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=140)
    said = report(done)
    console.print(_table(said, title))
    for name, reason in said["verdicts"].items():
        console.print(f"{name.replace('_', ' ')}: {reason}")


def _table(said: dict[str, Any], title: str) -> Table:
    from rich.table import Table

    table = Table(title=f"{title}: {said['minutes']:.0f} minutes, core cooled by {said['core_cooled_k']:.1f} K")
    table.add_column("What")
    for heading in ("Found", "± (1 sd)", "True", "Unit"):
        table.add_column(heading, justify="right")
    table.add_column("Verdict")
    for name, row in said["values"].items():
        cells = [_cell(row[key]) for key in ("value", "sd", "true")]
        table.add_row(name.replace("_", " "), *cells, row["unit"], row["verdict"])
    tripped = "; ".join(said["guards_tripped"]) or "none"
    worst = said["pump_curve_worst_error"]
    curve = f"Pump curve within {100.0 * worst:.1f} %. " if worst == worst else ""
    table.caption = f"{curve}Guards that held the session back: {tripped}."
    return table


def _cell(value: float) -> str:
    if value != value:
        return "-"
    return f"{value:.0f}" if abs(value) >= 100.0 else f"{value:.1f}" if abs(value) >= 5.0 else f"{value:.3f}"
