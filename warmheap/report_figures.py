"""The figures of a report from a ledger's record: what `warmheap report --json` prints and the page shows."""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, date, datetime
from typing import Any

from controller.reasons import LIMITS

from . import heat_error as error
from .heat_error import J_PER_KWH, Accuracy, Heat
from .report_data import Day, Record
from .report_fuel import Avoided, Wanted, avoided

HOUR_S, DAY_S = 3600.0, 86400.0
GROUPS: dict[str, tuple[str, tuple[str, ...]]] = {
    "drawing": ("drawing heat", ("flow", "supply", "start", "none", "crop")),
    "warm": ("greenhouse warm enough", ("demand", "ceiling", "tank", "off-time")),
    "pile": ("sparing the pile", ("heat-budget", "pile-floor", "hold-off", "spent")),
    "guard": ("protecting pipe, battery, people", ("frost", "scald", "battery", "no-flow", "sensor")),
    "hand": ("by hand or drained", ("manual", "drained")),
}

GIVEN_BACK = (
    "Heat that went back into the pile while the pump ran, or out of the greenhouse with the fan, is taken off; water that "
    "flowed by itself while the pump stood, either way, is neither credited nor charged."
)


def figures(record: Record, accuracy: Accuracy, wanted: Wanted | None, today: date) -> dict[str, Any]:
    """Everything, in SI and kWh; NaN where nothing is known."""
    sums = record.sums()
    useful = error.useful(sums, accuracy)
    fuel = avoided(useful, wanted, today) if wanted else None
    return {
        "from": _day_of(record.begun_s),
        "to": _day_of(record.ended_s),
        "days": [_day(day, accuracy) for day in record.days],
        "hours": sums["span_s"] / HOUR_S,
        "heat": _heat(sums, accuracy),
        "ledgers": ledgers(sums, accuracy, wanted, fuel),
        "not_counted": not_counted(sums),
        "estimated_share": _share(sums["water_est_j"], sums["water_j"] + sums["water_est_j"]),
        "limited_by_h": limits_h(record.days),
        "pile": _pile(record),
        "power": _power(record, sums),
        "alarms": [_alarm(a) for a in record.alarms],
        "phases": [_change(c) for c in record.changes if c["kind"] == "phase"],
        "settings_changed": [_change(c) for c in record.changes if c["kind"] == "setting"],
        "fuel": _fuel(wanted, fuel),
        "older_ticks": record.older_ticks,
    }


def _day_of(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).isoformat(timespec="minutes")


def _heat(sums: dict[str, float], a: Accuracy) -> dict[str, Any]:
    parts = {
        "out_of_pile_by_water": error.water_out(sums, a),
        "delivered_by_water": error.water_delivered(sums, a),
        "delivered_by_air": error.air_delivered(sums, a),
        "useful_by_water": error.water_useful(sums, a),
        "useful_by_air": error.air_useful(sums, a),
        "useful": error.useful(sums, a),
    }
    return {name: _as_dict(heat) for name, heat in parts.items()} | {
        "first_coil_kwh": sums["first_j"] / J_PER_KWH,
        "line_loss_kwh": sums["line_loss_j"] / J_PER_KWH,
    }


def _as_dict(heat: Heat) -> dict[str, float | str]:
    return {"kwh": heat.kwh, "half_kwh": heat.half_kwh, "text": str(heat)}


def ledgers(sums: dict[str, float], a: Accuracy, wanted: Wanted | None, fuel: Avoided | None) -> list[dict[str, Any]]:
    """Five ledgers side by side, none netted into another: (name, value, half, unit, what it counts)."""
    out = error.water_out(sums, a).plus(error.air_delivered(sums, a))
    delivered = error.water_delivered(sums, a).plus(error.air_delivered(sums, a))
    heats = (
        (
            "out of the pile",
            out,
            "by water at the pile's probes, by air at the duct's end; the duct's own loss is not in it",
        ),
        ("delivered", delivered, "less what the water line loses on the way, which is estimated"),
        ("useful", error.useful(sums, a), "delivered while the greenhouse was below its ceiling"),
    )
    found = [{"name": n, "value": h.kwh, "half": h.half_kwh, "unit": "kWh", "counts": counts} for n, h, counts in heats]
    return found + _fuel_ledgers(wanted, fuel)


def _fuel_ledgers(wanted: Wanted | None, fuel: Avoided | None) -> list[dict[str, Any]]:
    if wanted is None or fuel is None:
        unsaid = "say --fuel, and --price with its date: nothing is assumed"
        rows = (("fuel avoided", unsaid), ("money less costs", unsaid))
        return [{"name": n, "value": None, "half": None, "unit": "", "counts": c} for n, c in rows]
    kind = wanted.fuel
    how = f"{kind.name} for the useful heat, at {wanted.efficiency_factor:.0%} of {kind.content_kwh:.2f} kWh a {kind.unit}"
    first = {"name": "fuel avoided", "value": fuel.units, "half": fuel.half_units, "unit": kind.unit, "counts": how}
    price, counts, currency = wanted.price, "say --price with its date: nothing is assumed", ""
    if price is not None:
        currency = price.currency
        paid = f"{price.per_unit:g} {currency} a {kind.unit} of {price.as_of}, less {wanted.costs:g} of costs"
        counts = f"{paid}. {fuel.warning}" if fuel.warning else paid
    money = {"name": "money less costs", "value": fuel.left, "half": fuel.half_money, "unit": currency}
    return [first, money | {"counts": counts}]


def not_counted(sums: dict[str, float]) -> dict[str, float]:
    """What was left out, so that no gap is filled silently; and what was given back, which is taken off already."""
    came_j = sums["water_j"] + sums["water_est_j"] + sums["air_j"]
    return {
        "gap_h": sums["gap_s"] / HOUR_S,
        "no_reading_h": sums["blind_s"] / HOUR_S,
        "bridged_h": sums["bridged_s"] / HOUR_S,
        "dead_meter_kwh": sums["water_dead_j"] / J_PER_KWH,
        "given_back_kwh": sums["back_j"] / J_PER_KWH,
        "not_wanted_kwh": max(0.0, came_j - sums["water_useful_j"] - sums["air_useful_j"]) / J_PER_KWH,
    }


def limits_h(days: list[Day]) -> dict[str, float]:
    """Hours by what limited the draw, the longest first."""
    found: dict[str, float] = defaultdict(float)
    for day in days:
        for limit, span_s in day.limits.items():
            found[limit] += span_s / HOUR_S
    return dict(sorted(found.items(), key=lambda item: -item[1]))


def grouped_h(limits_s: dict[str, float]) -> dict[str, float]:
    """Hours by group of limits; what belongs to none is "other"."""
    found = dict.fromkeys((*GROUPS, "other"), 0.0)
    for limit, span_s in limits_s.items():
        group = next((g for g, (_, members) in GROUPS.items() if limit in members), "other")
        found[group] += span_s / HOUR_S
    return found


def limit_words(code: str) -> str:
    """A limit in plain words."""
    return LIMITS.get(code, code.replace("-", " "))


def _day(day: Day, a: Accuracy) -> dict[str, Any]:
    return {
        "day": day.day.isoformat(),
        "hours": day.sums["span_s"] / HOUR_S,
        "gap_h": day.sums["gap_s"] / HOUR_S,
        "water": _as_dict(error.water_delivered(day.sums, a)),
        "air": _as_dict(error.air_delivered(day.sums, a)),
        "useful_kwh": error.useful(day.sums, a).kwh,
        "limits_h": grouped_h(day.limits),
        "mean": {name: mean for name, mean in day.means.items() if name != "water_flow_kg_s"},  # as the meter read it
        "flow_mean_kg_s": _share(day.sums["water_kg"] + day.sums["water_est_kg"], day.sums["span_s"]),
        "low": dict(day.low),
        "high": dict(day.high),
    }


def _pile(record: Record) -> dict[str, Any]:
    s, last = record.settings, record.last
    return {
        "core_c": last["core_c_mean"],
        "core_sd_c": last["core_sd_c_mean"],
        "heat_made_w": last["heat_made_w_mean"],
        "sustainable_w": last["sustainable_w_mean"],
        "left_days": last["left_days"],
        "left_low_days": last["left_low_days"],
        "left_high_days": last["left_high_days"],
        "floor_c": s.pile_floor_c,
        "coldest_c": _coldest_once_hot_c(record),
    }


def _coldest_once_hot_c(record: Record) -> float:
    """Coldest core since it was first hot enough to draw from; unknown before."""
    known = [d for d in record.days if "core_c" in d.low]
    hot = next((k for k, d in enumerate(known) if d.high["core_c"] >= record.settings.start_core_c), len(known))
    return min((d.low["core_c"] for d in known[hot + 1 :]), default=float("nan"))


def _power(record: Record, sums: dict[str, float]) -> dict[str, Any]:
    s, days = record.settings, record.days
    return {
        "pump_h": sums["pump_s"] / HOUR_S,
        "fan_h": sums["fan_s"] / HOUR_S,
        "pump_wh_at_most": sums["pump_s"] / HOUR_S * s.pump_power_w,
        "fan_wh_at_most": sums["fan_s"] / HOUR_S * s.fan_power_w,
        "pump_battery_low_v": s.pump_battery.low_v,
        "fan_battery_low_v": s.fan_battery.low_v,
        **{
            f"{name}_min": min((d.low[name] for d in days if name in d.low), default=float("nan"))
            for name in ("pump_battery_v", "fan_battery_v")
        },
    }


def _alarm(a: Any) -> dict[str, Any]:
    return {
        "code": a.code, "severity": a.severity, "times": a.times, "hours": a.hours, "open": a.open,
        "last": _day_of(a.last_s) if a.last_s == a.last_s else "", "seen": a.seen, "do": a.advice, "cause": a.cause,
    }  # fmt: skip


def _change(c: dict[str, Any]) -> dict[str, Any]:
    when_s = c["time_s"] if c["time_s"] is not None else c["wall_s"]
    return {"when": _day_of(when_s), "name": c["name"], "was": c["was"], "now": c["now"], "why": c["why"]}


def _fuel(wanted: Wanted | None, fuel: Avoided | None) -> dict[str, Any] | None:
    if wanted is None or fuel is None:
        return None
    return {
        "fuel": wanted.fuel.key, "unit": wanted.fuel.unit, "efficiency": wanted.efficiency_factor,
        "units": fuel.units, "half_units": fuel.half_units, "money": fuel.money, "half_money": fuel.half_money,
        "costs": wanted.costs, "price_warning": fuel.warning,
        "counterfactual": f"{fuel.counterfactual} {GIVEN_BACK} The greenhouse may at times have been "
        f"warmer than the crop needs: the true saving can be less. {fuel.efficiency_effect}",
    }  # fmt: skip


def _share(part: float, whole: float) -> float:
    return part / whole if whole else 0.0
