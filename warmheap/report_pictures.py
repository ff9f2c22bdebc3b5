"""The report's pictures, from its figures."""

from __future__ import annotations

from datetime import date
from typing import Any

from . import report_svg as svg
from .report_figures import GROUPS
from .report_units import Shown

Figures = dict[str, Any]
GAP_SHOWN_H = 0.5


def pictures(f: Figures, units: Shown) -> dict[str, str]:
    """SVG by name: season, heat, limits, power, ledgers, forecast."""
    return {
        "season": season(f, units),
        "heat": heat(f, units),
        "limits": limits(f),
        "power": power(f),
        "ledgers": ledgers(f, units),
        "forecast": forecast(f),
    }


def _dates(f: Figures) -> list[date]:
    return [date.fromisoformat(d["day"]) for d in f["days"]]


def _readings(f: Figures, kind: str, name: str, units: Shown) -> list[float | None]:
    found = (d[kind].get(name) for d in f["days"])
    return [None if v is None else units.temperature(v) for v in found]


def season(f: Figures, units: Shown) -> str:
    """Core, greenhouse and outdoors, a bar or a point a day."""
    core_low, core_high = (_readings(f, k, "core_c", units) for k in ("low", "high"))
    house_low, house_high = (_readings(f, k, "greenhouse_c", units) for k in ("low", "high"))
    core, outdoor = _readings(f, "mean", "core_c", units), _readings(f, "mean", "outdoor_c", units)
    floor = units.temperature(f["pile"]["floor_c"])
    every = [*core_low, *core_high, *house_low, *house_high, *outdoor, floor]
    frame = svg.frame_for(len(f["days"]), every, units.degree, height=260)
    return svg.picture(
        frame,
        "Temperatures of the season: core of the pile, greenhouse, outdoors",
        svg.axes(frame, _dates(f)),
        svg.band(frame, house_low, house_high, "house"),
        svg.band(frame, core_low, core_high, "core"),
        svg.line(frame, core, "core"),
        svg.line(frame, outdoor, "outdoor"),
        svg.level(frame, floor, f"pile's floor {floor:.0f} {units.degree}"),
    )


def heat(f: Figures, units: Shown) -> str:
    """Delivered heat a day, by water and by air; days with gaps are marked."""
    water = [units.heat(d["water"]["kwh"]) for d in f["days"]]
    air = [units.heat(d["air"]["kwh"]) for d in f["days"]]
    tops = [max(w, 0.0) + max(a, 0.0) for w, a in zip(water, air, strict=True)]
    frame = svg.frame_for(len(f["days"]), [*tops, *water, *air], f"{units.heat_unit} a day", zero=True)
    gaps = [frame.high if d["gap_h"] > GAP_SHOWN_H else None for d in f["days"]]
    return svg.picture(
        frame,
        "Heat delivered each day, by water and by air",
        svg.stacked(frame, [("gap", gaps)]),
        svg.axes(frame, _dates(f)),
        svg.stacked(frame, [("water", water), ("air", air)]),
    )


def limits(f: Figures) -> str:
    """Hours of each day by what limited the draw."""
    groups = (*GROUPS, "other")
    layers = [(f"l-{g}", [d["limits_h"][g] for d in f["days"]]) for g in groups]
    frame = svg.Frame(len(f["days"]), 0.0, 24.0, 170, "hours a day", 6.0)
    bars = svg.stacked(frame, layers)
    return svg.picture(frame, "What limited the draw, hours of each day", svg.axes(frame, _dates(f)), bars)


def power(f: Figures) -> str:
    """The lowest volts of each day."""
    pump, fan = ([d["low"].get(f"{n}_battery_v") for d in f["days"]] for n in ("pump", "fan"))
    low_v = {f["power"][f"{n}_battery_low_v"]: n for n in ("fan", "pump")}  # one line where both rest below the same
    name = "{} rests" if len(low_v) > 1 else "rests"
    frame = svg.frame_for(len(f["days"]), [*pump, *fan, *low_v], "V", height=150)
    return svg.picture(
        frame,
        "Lowest battery volts of each day, pump and fan",
        svg.axes(frame, _dates(f)),
        svg.line(frame, pump, "core"),
        svg.line(frame, fan, "outdoor"),
        *(svg.level(frame, v, f"{name.format(n)} below {v:.1f} V") for v, n in low_v.items()),
    )


def ledgers(f: Figures, units: Shown) -> str:
    """The three ledgers of heat, with whiskers; fuel and money are another unit and stand in the table."""
    rows = [
        (r["name"], units.heat(r["value"]), units.heat(r["half"]), amount(units, r["value"], r["half"]))
        for r in f["ledgers"]
        if r["unit"] == "kWh" and r["value"] is not None and r["name"] != "fuel avoided"
    ]
    return svg.whiskers(rows, units.heat_unit)


def amount(units: Shown, kwh: float, half_kwh: float) -> str:
    """An amount of heat in words, in the grower's unit."""
    from .heat_error import plus_minus

    return f"{plus_minus(units.heat(kwh), units.heat(half_kwh))} {units.heat_unit}"


def forecast(f: Figures) -> str:
    """How long the pile may still make useful heat: the expected end as a point, the 90 % interval as a bar."""
    p = f["pile"]
    low, likely, high = p["left_low_days"], p["left_days"], p["left_high_days"]
    if not likely == likely or not low == low or not high == high:
        return ""
    frame = svg.Frame(max(1, round(max(high, likely) * 1.1)), 0.0, 1.0, 64)
    x = [svg.LEFT + (svg.WIDTH - svg.LEFT - svg.RIGHT) * d / frame.days for d in (low, likely, high)]
    step = max(1, round(svg.round_step(frame.days, 6)))
    ticks = "".join(
        f'<text class="tick" x="{frame.x(d):.1f}" y="58" text-anchor="middle">{d} d</text>'
        for d in range(0, frame.days + 1, step)
    )
    bar = f'<rect class="fill core" x="{x[0]:.1f}" y="14" width="{max(x[2] - x[0], 2):.1f}" height="16"/>'
    point = f'<circle class="dot" cx="{x[1]:.1f}" cy="22" r="6"/>'
    return svg.picture(
        frame, f"Useful heat for about {likely:.0f} days more, {low:.0f} to {high:.0f} likely", bar, point, ticks
    )
