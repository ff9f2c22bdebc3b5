"""``warmheap commission``: the guided session, on the simulator; found beside true."""

from __future__ import annotations

import argparse
import json
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
LEAST_CORE_K, MOST_CORE_K = 0.2, 5.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument("--plant", metavar="SCENARIO", help="run against the simulated plant of this scenario file")
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="chance; same seed, same session (1)")
    help_text = "how far the core of the pile may be cooled, in kelvin (1); the coil of most piles needs 2"
    parser.add_argument("--core-k", type=float, default=1.0, metavar="K", help=help_text)
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")


def run(args: argparse.Namespace) -> None:
    """Run the session that ``args`` asks for."""
    if args.plant is None:
        raise UsageError("commission runs only against the simulator in this version: add --plant scenarios/NAME.toml")
    if not LEAST_CORE_K <= args.core_k <= MOST_CORE_K:
        raise UsageError(f"--core-k {args.core_k}: must be {LEAST_CORE_K:g}..{MOST_CORE_K:g} kelvin")
    if args.seed < 0:
        raise UsageError(f"--seed {args.seed}: must be 0 or more")
    scenario = load_scenario(args.plant)
    from .commission_sim import commission

    try:
        settings = scenario.controller_settings()
    except ValueError as wrong:
        raise UsageError(wrong) from None
    done = commission(scenario, settings, args.seed, core_k=args.core_k)
    if args.json:
        print(json.dumps(finite(report(done)), indent=2, allow_nan=False, ensure_ascii=False))
    else:
        _show(done, scenario.title)


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
