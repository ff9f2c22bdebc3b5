"""A plan in tables that need no manual."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .units import GALLON_M3, HOUR_S

if TYPE_CHECKING:
    from rich.table import Table

    from sim.plan import Plan
    from sim.plan_parts import PowerParts

    from .savings import Avoided

LEVELS = ("p10", "p50", "p90")
FOOT_M, INCH_MM = 0.3048, 25.4
BTU_H_W = HOUR_S / 1055.05585262


def season_table(plan: Plan, saved: dict[str, Avoided]) -> Table:
    """The season: what is needed, and what the pile gives in a poor, a middling and a good one."""
    from rich.table import Table

    table = Table(title=f"{plan.title}: {plan.days} days")
    for name in ("", "P10 (poor)", "P50", "P90 (good)"):
        table.add_column(name, justify="left" if not name else "right")
    for name, values in season_rows(plan, saved):
        table.add_row(name, *values)
    return table


def season_rows(plan: Plan, saved: dict[str, Avoided]) -> list[tuple[str, list[str]]]:
    """Rows of ``season_table`` as (what, three texts)."""
    fuel = saved["p50"].fuel
    rows = [
        ("Useful heat from the pile, kWh a day", [f"{plan.useful_kwh[x] / plan.days:,.1f}" for x in LEVELS]),
        ("Useful heat in the season, kWh", [f"{plan.useful_kwh[x]:,.0f}" for x in LEVELS]),
        (f"Backup avoided of {plan.need_kwh:,.0f} kWh", [f"{plan.backup_avoided_kwh[x]:,.0f}" for x in LEVELS]),
        ("Share of January's heating", [_share(plan.january_share[x]) for x in LEVELS]),
        ("Nights the pile alone does not hold", [f"{plan.nights_not_held[x]}" for x in LEVELS]),
        (f"{fuel.name} avoided, {fuel.unit}", [f"{saved[x].units:,.3g}" for x in LEVELS]),
    ]
    price = saved["p50"].price
    if price:
        rows.append((f"Money avoided, {price.currency}", [f"{saved[x].money or 0.0:,.0f}" for x in LEVELS]))
    return rows


def parts_table(plan: Plan) -> Table:
    """Loads and parts, a line each."""
    from rich.table import Table

    table = Table(title="Loads and parts", show_header=False)
    for name, value in parts_rows(plan):
        table.add_row(name, value)
    return table


def parts_rows(plan: Plan) -> list[tuple[str, str]]:
    """Rows of ``parts_table`` as (what, how much)."""
    loads, air = plan.loads, plan.air
    return [
        ("House loses", f"{loads.total_w_k:,.0f} W/K (cover {loads.cover_w_k:,.0f}, air {loads.air_w_k:,.0f})"),
        ("Design load", f"{loads.design_w / 1000:,.1f} kW ({loads.design_w * BTU_H_W:,.0f} Btu/h) "
                        f"at {loads.outdoor_design_c:.0f} °C outside, no sun"),
        ("Pile makes, left alone", f"{plan.made_kwh / plan.days:,.0f} kWh a day, hot on {plan.hot_days:.0f} days"),
        ("Rule of the trade, at best", f"{plan.mound_rule_w / 1000:,.1f} kW"),
        *_water_rows(plan),
        ("Air into the house at full fan", f"{air.delivered_m3_s * 60 / FOOT_M**3:,.0f} cfm"),
        ("Duct", f"at least {air.duct_bore_m * 1000:,.0f} mm ({air.duct_bore_m * 1000 / INCH_MM:.1f} in) bore"),
        ("Pump supply", _power(plan.pump_power)),
        ("Fan supply, a tenth of the day", _power(plan.fan_power)),
    ]  # fmt: skip


def sentences(plan: Plan, middle: Avoided, mix_warnings: tuple[str, ...]) -> list[str]:
    """The verdict, what it rests on, and what is wrong."""
    return [
        plan.verdict,
        middle.counterfactual,
        middle.efficiency_effect,
        "The range is that of simulated seasons on piles up to 50 % off their design, not of measured ones. What matters "
        "most: how well the material rots and how much wind gets through it.",
        *(f"Mind: {warning}" for warning in (*plan.warnings, *mix_warnings)),
        "Hot water scalds, batteries give off gas, standing lines freeze: local codes and licensed trades rank above this.",
    ]


def _water_rows(plan: Plan) -> list[tuple[str, str]]:
    water = plan.water
    wanted = "no length is enough" if water.coil_wanted_m is None else f"{water.coil_wanted_m:,.0f} m is enough"
    duty = "out of reach" if water.duty_for_gallon is None else f"at {water.duty_for_gallon:.0%} duty"
    return [
        ("Coil", f"{water.coil_m:,.0f} m ({water.coil_m / FOOT_M:,.0f} ft): {wanted} for half the way at 1 gal/min"),
        ("1 gal/min from a 55 °C core, 20 °C back",
         f"{water.coil_outlet_c:.0f} °C, {water.coil_heat_w / 1000:.1f} kW, for as long as the core's store lasts"),
        ("Drum", f"{water.drum_m3 * 1000:,.0f} L: {water.drum_s / 60.0:.0f} min at 1 gal/min"),
        ("Pump", f"{_gpm(water.full_flow_kg_s)} at full; 1 gal/min {duty}, {water.speed_m_s:.2f} m/s in the pipe; "
                 f"bubbles need {_gpm(water.purge_kg_s)}"),
    ]  # fmt: skip


def _power(power: PowerParts) -> str:
    wanted = f"{power.panel_wanted_w:,.0f} W" if power.panel_wanted_w < 1e5 else "no panel is enough"
    return (
        f"{24.0 * power.used_w:,.0f} Wh a day; panel gives {24.0 * power.darkest_w:,.0f} in the darkest five days "
        f"({wanted} to keep up); battery alone {power.battery_days:.1f} days"
    )


def _gpm(flow_kg_s: float) -> str:
    return f"{flow_kg_s / 1000.0 / GALLON_M3 * 60.0:.1f} gal/min"


def _share(share: float | None) -> str:
    return "none needed" if share is None else f"{share:.0%}"
