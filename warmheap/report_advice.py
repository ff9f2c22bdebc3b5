"""What to do next, in plain words, from the figures of a report. At most a handful, the most urgent first."""

from __future__ import annotations

from typing import Any

MOST = 6
GAP_TOLD_H = 1.0
NEAR_FLOOR_K = 2.0
ENDING_DAYS = 21.0
WIDE_SHARE = 0.15
NEAR_FLOOR = (
    "The core is close to its floor. Let it rest; if it does not recover in two days, try a few pulses of air, then look "
    "at moisture."
)
ENDING = (
    "The pile may make useful heat for about {:.0f} days more. Look for material to feed or rebuild it, or plan the backup "
    "heater in."
)
LOW_BATTERY = (
    "The {}'s battery has been below {:.1f} V. Clean the panel, check the fuse; a lead-acid battery that is often that low "
    "does not last, and a flat one freezes."
)
ROUGH = (
    "The heat is known only roughly. Match the supply and return probes at standstill, check the meter with bucket and "
    "watch, and say so with --matched and --bucket."
)


def advice(f: dict[str, Any]) -> list[str]:
    """Sentences; "Nothing to do" is an answer."""
    found = [*_alarms(f), *_pile(f), *_power(f), *_record(f)][:MOST]
    return found or ["Nothing to do: no alarm stands, the pile is well above its floor, and the record has no gap."]


def _alarms(f: dict[str, Any]) -> list[str]:
    return [f"{a['seen']} {a['do']}" for a in f["alarms"] if a["open"]]


def _pile(f: dict[str, Any]) -> list[str]:
    p, found = f["pile"], []
    if p["core_c"] - p["floor_c"] < NEAR_FLOOR_K:
        found.append(NEAR_FLOOR)
    if p["left_days"] < ENDING_DAYS:
        found.append(ENDING.format(p["left_days"]))
    return found


def _power(f: dict[str, Any]) -> list[str]:
    p = f["power"]
    low = [n for n in ("pump", "fan") if p[f"{n}_battery_v_min"] < p[f"{n}_battery_low_v"]]
    return [LOW_BATTERY.format(name, p[f"{name}_battery_low_v"]) for name in low]


def _record(f: dict[str, Any]) -> list[str]:
    n, found = f["not_counted"], []
    if n["gap_h"] > GAP_TOLD_H:
        found.append(
            f"{n['gap_h']:.0f} hours have no record; their heat is not counted. See that the board has power at all times."
        )
    if n["dead_meter_kwh"] > 1.0:
        found.append("The flow meter stood still while the pump ran: nothing was credited then. Clean or replace it.")
    useful = f["heat"]["useful"]
    if useful["kwh"] > 10.0 and useful["half_kwh"] > WIDE_SHARE * useful["kwh"]:
        found.append(ROUGH)
    return found
