"""What a season came to, in tables that need no manual."""

from __future__ import annotations

from typing import Any

from rich.table import Table

from sim.limits import limit_words

GALLON_A_MINUTE_KG_S = 0.0631
LIMITS_SHOWN = 3


def season_table(s: dict[str, Any]) -> Table:
    """One season: a line a figure. ``s`` is ``SeasonResult.summary()``."""
    table = Table(title=f"{s['scenario']}: {s['days']:g} days under '{s['policy']}'", show_header=False)
    for name, value in season_lines(s):
        table.add_row(name, value)
    return table


def season_lines(s: dict[str, Any]) -> list[tuple[str, str]]:
    """The lines of ``season_table`` as (what, how much)."""
    rmse = s["supply_rmse_c"]
    return [
        *([("Rule found", s["rule"])] if "rule" in s else []),
        ("Useful heat brought in", f"{s['heat_useful_kwh']:,.0f} kWh"),
        ("  by water / by air", f"{s['heat_water_kwh']:,.0f} / {s['heat_air_kwh']:,.0f} kWh"),
        ("Backup heat avoided", backup_text(s)),
        ("Hours cold because of the draw", f"{s['cold_hours_from_draw']:,.0f} h"),
        ("Coldest core once hot", f"{s['core_min_c']:.1f} °C (left alone {s['twin_core_min_c']:.1f} °C)"),
        ("Heat the pile made / was drawn", f"{s['heat_made_kwh']:,.0f} / {s['drawn_kwh']:,.0f} kWh"),
        ("Supply off target in steady flow, rms", "never in steady flow" if rmse is None else f"{rmse:.1f} K"),
        ("Flow while pumping, mean", flow_text(s["flow_mean_kg_s"], s["pump_hours"])),
        ("Electricity, pump / fan", f"{s['pump_wh']:,.0f} / {s['fan_wh']:,.0f} Wh"),
        ("Hours with a battery cut off", f"{s['battery_outage_h']:,.0f} h"),
        ("Hours with the line frozen", f"{s['line_frozen_h']:,.1f} h"),
        ("Coldest greenhouse", f"{s['greenhouse_min_c']:.1f} °C, {s['hours_below_minimum']:,.0f} h below its minimum"),
        ("What held the draw back most", limits_text(s["limited_by_h"])),
        ("Alarms", ", ".join(f"{a['code']} ({a['count']})" for a in s["alarms"]) or "none"),
        ("Computed in", f"{s['wall_seconds']:.1f} s"),
    ]


def backup_text(s: dict[str, Any]) -> str:
    """Backup avoided with what would have been needed: "820 of 1,900 kWh (43 %)"."""
    avoided, needed = s["backup_avoided_kwh"], s["backup_without_pile_kwh"]
    if avoided is None:
        return "no backup heater in this scenario"
    share = f" ({avoided / needed:.0%})" if needed > 0.0 else ""
    return f"{avoided:,.0f} of {needed:,.0f} kWh{share}"


def flow_text(flow_kg_s: float, pump_hours: float) -> str:
    """A flow in both units, with the hours that it ran."""
    return f"{flow_kg_s:.3f} kg/s ({flow_kg_s / GALLON_A_MINUTE_KG_S:.1f} US gal/min), {pump_hours:,.0f} h"


def limits_text(limited_by_h: dict[str, float]) -> str:
    """The limits that ruled longest, with their hours."""
    most = sorted(limited_by_h.items(), key=lambda item: -item[1])[:LIMITS_SHOWN]
    return ", ".join(f"{limit_words(code)} {hours:,.0f} h" for code, hours in most) or "nothing"


def comparison_table(summary: dict[str, Any]) -> Table:
    """All policies, a line each; heat and cold hours stand together because neither means anything alone."""
    policies = summary["policies"]
    table = Table(title=f"{summary['scenario']}: {summary['days']:g} days, every policy on the same pile and weather")
    table.add_column("Policy")
    for heading in (
        "Backup avoided kWh", "Cold hours from draw", "Coldest core °C", "Useful heat kWh", "Pump + fan Wh",
        "Battery out h", "Line frozen h",
    ):  # fmt: skip
        table.add_column(heading, justify="right")
    for name, s in policies.items():
        table.add_row(*comparison_row(name, s), style="bold" if name == "warmheap" else "")
    table.caption = caption(summary)
    return table


def comparison_row(name: str, s: dict[str, Any]) -> list[str]:
    """One policy's cells."""
    avoided = s["backup_avoided_kwh"]
    return [
        name + (" (stopped)" if s["interrupted"] else ""),
        "-" if avoided is None else f"{avoided:,.0f}",
        f"{s['cold_hours_from_draw']:,.0f}",
        f"{s['core_min_c']:.1f}",
        f"{s['heat_useful_kwh']:,.0f}",
        f"{s['pump_wh'] + s['fan_wh']:,.0f}",
        f"{s['battery_outage_h']:,.0f}",
        f"{s['line_frozen_h']:,.0f}",
    ]


def caption(summary: dict[str, Any]) -> str:
    """What the columns are measured against."""
    first = next(iter(summary["policies"].values()))
    needed = first["backup_without_pile_kwh"]
    heater = "" if needed is None else f"Without the pile the backup heater needs {needed:,.0f} kWh. "
    rule = f" Tuned: {summary['tuned_rule']}." if "tuned_rule" in summary else ""
    alone = f"Left alone, the core stays above {first['twin_core_min_c']:.1f} °C once hot."
    return heater + alone + rule + " Cold hours: core under 45 °C because heat was drawn."
