"""What the page says: from the loop's last word and the past, in the user's words and units. No HTML, no decisions."""

from __future__ import annotations

import time
from collections.abc import Mapping
from datetime import date
from typing import Any

from ..fuel_choice import Choice
from .past import Past, Season
from .picture import day
from .show import Units, together

STALE_S = 90.0
SIGNS = {"critical": "Danger", "warning": "Warning", "notice": "Note"}
HOUR_S, DAY_S = 3600.0, 86400.0
ENDLESS_DAYS = 400.0
SILENT = {"kind": "critical", "text": "No word from the controller."}  # then nobody may be told that all is well
TARGET_WORDS = {
    "supply_target_c": "Supply temperature",
    "flow_target_kg_s": "Flow of water",
    "greenhouse_min_c": "Least for the crop",
    "greenhouse_ceiling_c": "No heat above",
}

Row = tuple[str, str]


def front(
    now: Mapping[str, Any] | None, age_s: float, past: Past, units: Units, simulated: bool, fuel: Choice | None = None
) -> dict[str, Any]:
    """Everything that the front page shows."""
    if now is None:
        return {"now": None, "simulated": simulated}
    return {
        "now": now,
        "simulated": simulated,
        "stale": f"{age_s / 60.0:.0f} min" if age_s > STALE_S else "",
        "clock": _moment(now["time_s"]),
        "verdict": verdict(now) if age_s <= STALE_S else SILENT,
        "big": big(now, units),
        "reason": together(units.text(now["reason"])),
        "cause": together(units.text(now["cause"])),
        "phase": now["phase"],
        "small": small(now, units),
        "picture": day(past.curves(), units),
        "tonight": tonight(now, units),
        "season": season(past.season(), units, fuel),
        "alarms": [alarm(a, now, units) for a in now["alarms"]],
        "past_alarms": [alarm(a, now, units) for a in now["past_alarms"]],
        "targets": targets(now, units),
        "hand_left": f"{now['hand_left_s'] / 60.0:.0f} min" if now["hand_left_s"] > 0.0 else "",
    }


def verdict(now: Mapping[str, Any]) -> dict[str, str]:
    """The answer to "is there anything to do?", with the gravest alarm's severity."""
    alarms = now["alarms"]
    if not alarms:
        return {"kind": "well", "text": "All is well. Nothing to do."}
    worst = next(s for s in SIGNS if s in {a["severity"] for a in alarms})
    many = "One thing wants" if len(alarms) == 1 else f"{len(alarms)} things want"
    return {"kind": worst, "text": f"{SIGNS[worst]}. {many} your attention."}


def big(now: Mapping[str, Any], units: Units) -> list[Row]:
    """The figures to be read at arm's length."""
    r = now["readings"]
    return [
        ("Pile core", units.temp(r["pile_core_c"])),
        ("Supply", units.temp(r["water_supply_c"])),
        ("Greenhouse", units.temp(r["greenhouse_c"])),
        ("Outdoors", units.temp(r["outdoor_c"])),
    ]


def small(now: Mapping[str, Any], units: Units) -> list[Row]:
    """The rest; sensors that give nothing are left out."""
    r = now["readings"]
    rows = [
        ("Pump", f"{now['pump_duty']:.0%}"),
        ("Fan", f"{now['fan_duty']:.0%}"),
        ("Flow of water", units.water(r["water_flow_kg_s"])),
        ("Return", units.temp(r["water_return_c"])),
        ("Pile edge", units.temp(r["pile_edge_c"])),
        ("Pile air, at the greenhouse", units.temp(r["air_supply_c"])),
        ("Tank", units.temp(r["tank_c"])),
        ("Pump's battery", _form(r["pump_battery_v"], "{:.2f} V")),
        ("Fan's battery", _form(r["fan_battery_v"], "{:.2f} V")),
        ("Greenhouse humidity", _form(r["greenhouse_rh"], "{:.0%}")),
        ("CO2 in the greenhouse", _form(r["greenhouse_co2"], "{:.0f} ppm", 1e6)),
        ("Oxygen in the pile", _form(r["pile_o2"], "{:.1%}")),
    ]
    return [(name, value) for name, value in rows if value and value != "no reading"]


def tonight(now: Mapping[str, Any], units: Units) -> list[Row]:
    """What stands between the crop and the night. There is no weather forecast in it, and it does not pretend to one."""
    e, s = now["estimate"], now["settings"]
    rows = [
        ("The crop needs", units.temp(s["greenhouse_min_c"])),
        ("The pile can give for days", units.power(e["sustainable_w"])),
        ("Stored above the floor", units.energy(e["stored_j"])),
    ]
    if e["draw_left_h"] is not None:
        rows.append(("Full flow from what is stored", f"{e['draw_left_h']:.1f} h"))
    if e["core_c"] is not None:
        above_k = e["core_c"] - s["pile_floor_c"]
        rows.append((f"Core {'above' if above_k >= 0.0 else 'below'} its floor", units.difference(abs(above_k))))
    if now["readings"]["pump_battery_v"] is not None:
        v = now["readings"]["pump_battery_v"]
        rows.append(("Pump's battery", f"{v:.2f} V; it rests below {s['battery_low_v']:.1f} V"))
    return rows


def season(found: Season, units: Units, fuel: Choice | None = None) -> list[Row]:
    """What the record holds, summed up without an interval and so not sold as exact."""
    if not found.days:
        return []
    t = found.total
    rows = [
        ("On record", f"{t.seen_s / DAY_S:.1f} days"),
        ("Since", found.since),
        ("Heat by water, about", units.energy(t.water_j)),
        ("Heat by air, about", units.energy(t.air_j)),
        ("Useful of both, about", units.energy(t.useful_j)),
        *(_not_burnt(t.useful_j, fuel) if fuel else ()),
        ("Pump, as if at full", f"{t.pump_s / HOUR_S:.0f} h"),
        ("Coldest core", units.temp(t.core_min_c)),
        ("Coldest greenhouse", units.temp(t.greenhouse_min_c)),
    ]
    return [row for row in rows if row[1] != "no reading"]


def _not_burnt(useful_j: float, fuel: Choice) -> list[Row]:
    """Nothing is told of fuel while the sum is below nothing: a young record, of pipes that were warmed."""
    units = max(0.0, useful_j) / 3.6e6 / fuel.fuel.useful_kwh(fuel.efficiency_factor)
    rows = [(f"{fuel.fuel.name.capitalize()} not burnt, about", f"{units:,.3g} {fuel.fuel.unit}")]
    if fuel.price is not None:
        money = units * fuel.price.per_unit
        old = fuel.price.warning(date.fromtimestamp(time.time()))
        rows.append(("Worth about", f"{money:,.0f} {fuel.price.currency}".strip() + (f" ({old})" if old else "")))
    return rows


def life(now: Mapping[str, Any]) -> str:
    """How long the pile will last, as far as that is known."""
    e = now["estimate"]
    left, low, high = e["left_days"], e["left_low_days"], e["left_high_days"]
    if left is None or left > ENDLESS_DAYS:
        return ""
    between = f", likely between {low:.0f} and {high:.0f}" if low is not None and high is not None else ""
    return f"Useful heat for about {left:.0f} more days{between}."


def alarm(a: Mapping[str, Any], now: Mapping[str, Any], units: Units) -> dict[str, Any]:
    """One alarm in words."""
    since = "" if a["since_s"] is None else _moment(a["since_s"])
    words = {name: together(units.text(a[name])) for name in ("seen", "do", "cause", "clears")}
    return {**words, "code": a["code"], "kind": a["severity"], "sign": SIGNS.get(a["severity"], "Note"), "since": since,
            "acknowledged": a["acknowledged"], "count": a["count"]}  # fmt: skip


def targets(now: Mapping[str, Any], units: Units) -> list[dict[str, str]]:
    """What may be set, as it stands, in the user's units."""
    shown = []
    for name, label in TARGET_WORDS.items():
        value = now["settings"][name]
        text = units.water(value) if name.endswith("kg_s") else units.temp(value)
        shown.append({"name": name, "label": label, "value": text})
    return shown


def _form(value: float | None, form: str, factor: float = 1.0) -> str:
    return "" if value is None else form.format(value * factor)


def _moment(time_s: float | None) -> str:
    """By the board's clock and zone."""
    if time_s is None:
        return "at an unknown time"
    return time.strftime("%Y-%m-%d %H:%M %Z", time.localtime(time_s))
