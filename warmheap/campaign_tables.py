"""What a campaign came to, as text: heat and cold hours always side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.table import Table

NO_HEATER = "no heater"


def policies_table(told: dict[str, Any]) -> Table:
    """A line a policy."""
    from rich.table import Table

    table = Table(title=f"{told['scenario']}: {told['seasons']} random seasons of {told['days']:g} days")
    table.add_column("Policy")
    for heading in (
        "Runs", "Backup avoided kWh, mean", "One season in ten under", "Cold hours from draw, all runs",
        "Runs with any", "Coldest core °C", "Useful heat kWh, mean",
    ):  # fmt: skip
        table.add_column(heading, justify="right")
    for name, figures in told["policies"].items():
        table.add_row(*policy_cells(name, figures), style="bold" if name == "warmheap" else "")
    table.caption = (
        "Cold hours: core under 45 °C because heat was drawn. Every season is a plant up to 50 % off its design."
    )
    return table


def policy_cells(name: str, figures: dict[str, Any]) -> list[str]:
    """One policy's cells."""
    avoided = figures["backup_avoided_kwh"]
    return [
        name,
        f"{figures['runs']:,}",
        NO_HEATER if avoided is None else f"{avoided['mean']:,.0f}",
        NO_HEATER if avoided is None else f"{avoided['worst_tenth']:,.0f}",
        f"{figures['cold_hours_from_draw']:,.0f}",
        f"{figures['seasons_with_cold_hours']:,} of {figures['runs']:,}",
        f"{figures['core_min_c']:.1f}",
        f"{figures['heat_useful_kwh']['mean']:,.0f}",
    ]


def worst_table(told: dict[str, Any]) -> Table:
    """The worst runs of every policy, with the seed of each."""
    from rich.table import Table

    table = Table(title="Worst runs of each policy (most cold hours, then least heat)")
    for heading in ("Run", "Seed", "Policy", "Backup avoided kWh", "Cold hours from draw", "Coldest core °C"):
        table.add_column(heading, justify="left" if heading == "Policy" else "right")
    for row in told["worst"]:
        avoided = row["backup_avoided_kwh"]
        table.add_row(
            str(row["run"]), str(row["seed"]), row["policy"], NO_HEATER if avoided is None else f"{avoided:,.0f}",
            f"{row['cold_hours_from_draw']:,.0f}", f"{row['core_min_c']:.1f}",
        )  # fmt: skip
    return table


def closing_lines(told: dict[str, Any]) -> list[str]:
    """What comes under the tables: how to replay, what broke down, which files there are."""
    lines = ["Run one of them again alone, with its picture:"] if told["worst"] else []
    lines += [f"  {row['replay']}" for row in told["worst"]]
    lines += [
        f"run {row['run']} (seed {row['seed']}, {row['policy']}) broke down: {row['error']}" for row in told["failed"]
    ]
    return lines + [f"wrote {path}" for path in (told["file"], told["picture"]) if path]
