"""What ``warmheap tune`` prints for people: one table a loop."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

NAME_OF = {"flow": "flow loop (pump duty to flow)", "supply": "supply loop (flow to supply temperature)"}
PRICES = (
    ("integral_of_error_to_load_step_over_tight_simc", "integral of the error"),
    ("integral_of_absolute_error_over_tight_simc", "integral of the absolute error"),
)
FIGURES = (
    ("tracking", "tracking error", 2), ("travel", "duty travel", 2), ("stops", "starts", 1),
    ("pump_duty", "mean duty change", 3), ("ms_share", "Ms of 95 %", 2), ("ms_most", "Ms largest", 2),
    ("gain_margin", "least gain margin", 2), ("phase_margin_deg", "least phase margin [deg]", 0),
)  # fmt: skip


def show_proof(said: dict[str, Any]) -> None:
    """Print goals, price and worst plant of each loop, and one line on whether all goals are met."""
    console = _console()
    rule = said["rule"]
    console.print(
        f"{said['scenario']}: {said['plants']} random plants, seed {said['seed']}; closed loop"
        f" {rule['closed_loop_delays']:g} dead times, caution {rule['caution_sd']:g}; {said['wall_seconds']:.0f} s"
    )
    for name, loop in said["loops"].items():
        _goals(console, name, loop)
    missed = [f"{name}: {g['text']}" for name, loop in said["loops"].items() for g in loop["goals"] if not g["met"]]
    console.print(f"Missed: {'; '.join(missed)}." if missed else "All goals are met.")


def _goals(console: Console, name: str, loop: dict[str, Any]) -> None:
    from rich.table import Table

    table = Table(title=NAME_OF[name], title_justify="left")
    table.add_column("Goal, on the true plant")
    table.add_column("Found", justify="right")
    table.add_column("")
    for goal in loop["goals"]:
        figure = f"{goal['found']:.2%}" if goal["text"].startswith("share") else f"{goal['found']:.2f}"
        table.add_row(goal["text"], figure, "met" if goal["met"] else "MISSED")
    console.print(table)
    old = loop["peak_sensitivity_old_gains"]
    kept = f", largest maximum sensitivity there {old['largest']:.2f}" if old else ""
    console.print(f"{loop['kept_old_gains']} spoiled sessions kept the old gains{kept}.")
    for key, text in PRICES:
        price = loop["price"][key]
        if price:
            console.print(
                f"Price: after a step of the load the {text} is {price['median']:.2f} times that of tight SIMC on the"
                f" perfectly known plant (5 % to 95 %: {price['p05']:.2f} to {price['p95']:.2f})."
            )
    worst = loop["worst_plant"]
    console.print(f"Worst plant: number {worst['number']:.0f}, maximum sensitivity {worst['peak_sensitivity']:.2f}.")


def show_search(said: dict[str, Any]) -> None:
    """Print gains by rule, in use and chosen, with their figures, for each loop."""
    console = _console()
    console.print(
        f"{said['scenario']}: one set of gains for {said['plants']} plants up to 50 % off, seed {said['seed']};"
        f" {said['wall_seconds']:.0f} s"
    )
    for name, loop in said["loops"].items():
        _rows(console, name, loop)
        if not loop["goals_met_on_all_plants"]:
            console.print(f"No gains of the {name} loop keep every goal on all plants; the calmest were chosen.")
    console.print("Tracking error and travel: 1 is tight SIMC on each plant as if it were known.")


def _rows(console: Console, name: str, loop: dict[str, Any]) -> None:
    from rich.table import Table

    p = loop["process"]
    lag2 = f" and {p['lag2_s']:.0f}" if p["lag2_s"] else ""
    title = f"{NAME_OF[name]}: gain {p['gain']:.3g}, lag {p['lag_s']:.0f}{lag2} s, dead time {p['delay_s']:.0f} s"
    table = Table(title=f"{title}, called every {loop['tick_s']:.0f} s", title_justify="left")
    table.add_column("Gains")
    for heading in ("gain", "integral time [s]", *(text for _, text, _ in FIGURES)):
        table.add_column(heading, justify="right")
    for row, figures in loop["figures"].items():
        gains = loop["gains"][row]
        cells = [f"{figures[key]:.{digits}f}" for key, _, digits in FIGURES]
        table.add_row(row, f"{gains['gain']:.4g}", f"{gains['integral_s']:.4g}", *cells)
    console.print(table)


def _console() -> Console:
    from rich.console import Console

    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=140)
