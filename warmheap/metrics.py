"""How things stand in the text format of Prometheus: units in the names, base units, a missing reading has no line.

The format (version 0.0.4) is small enough to write by hand; a test reads it back with the reference parser.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"

_READINGS = {  # reading: metric, what it is
    "pile_core_c": ("pile_core_celsius", "Probe in the core of the pile"),
    "pile_edge_c": ("pile_edge_celsius", "Probe near the edge of the pile"),
    "water_supply_c": ("water_supply_celsius", "Water leaving the pile"),
    "water_return_c": ("water_return_celsius", "Water entering the pile"),
    "water_flow_kg_s": ("water_flow_kilograms_per_second", "Flow of water, by the meter as corrected at commissioning"),
    "air_supply_c": ("air_supply_celsius", "Pile air at the greenhouse end of the duct"),
    "air_supply_rh": ("air_supply_humidity_ratio", "Relative humidity there, 0 to 1"),
    "fan_speed_hz": ("fan_speed_hertz", "Turns of the fan per second"),
    "greenhouse_c": ("greenhouse_celsius", "Greenhouse air"),
    "greenhouse_rh": ("greenhouse_humidity_ratio", "Relative humidity of greenhouse air, 0 to 1"),
    "outdoor_c": ("outdoor_celsius", "Outdoor air"),
    "tank_c": ("tank_celsius", "Tank or pond in the greenhouse"),
    "pump_battery_v": ("pump_battery_volts", "Battery of the pump"),
    "fan_battery_v": ("fan_battery_volts", "Battery of the fan"),
    "pile_o2": ("pile_oxygen_ratio", "Mole fraction of oxygen in pile air, 0 to 1"),
    "greenhouse_co2": ("greenhouse_co2_ratio", "Mole fraction of CO2 in greenhouse air, 0 to 1"),
}
_ESTIMATES = {
    "core_c": ("estimate_core_celsius", "Core temperature as the controller believes it"),
    "core_sd_c": ("estimate_core_sd_celsius", "One standard deviation of it"),
    "heat_made_w": ("estimate_heat_made_watts", "Heat that the pile makes"),
    "sustainable_w": ("estimate_sustainable_watts", "Draw that the pile can keep up for days"),
    "stored_j": ("estimate_stored_joules", "Heat stored above the floor"),
}
_TARGETS = {
    "supply_target_c": ("target_supply_celsius", "Supply temperature that is aimed at"),
    "flow_target_kg_s": ("target_flow_kilograms_per_second", "Flow that is aimed at"),
    "greenhouse_min_c": ("target_greenhouse_min_celsius", "Least the crop needs"),
    "greenhouse_ceiling_c": ("target_greenhouse_ceiling_celsius", "Above this no heat is wanted"),
    "pile_floor_c": ("pile_floor_celsius", "The draw never takes the core below this"),
}


def text(now: Mapping[str, Any] | None, age_s: float, refused: Mapping[int, int] | None = None) -> str:
    """All metrics. ``now`` as `warmheap.now.as_now` gives it, or None before the first turn; ``age_s`` its age [s]."""
    lines = list(_metric("up", "gauge", "1 if the controller was heard of lately", [("", float(_lively(now, age_s)))]))
    if refused is not None:
        samples = [(f'{{status="{status}"}}', float(n)) for status, n in sorted(refused.items())]
        lines += _metric("page_refused_total", "counter", "Requests that the status page refused", samples)
    if now is not None:
        lines += _of_a_turn(now, age_s)
    return "\n".join(lines) + "\n"


def _lively(now: Mapping[str, Any] | None, age_s: float) -> bool:
    return now is not None and age_s < 90.0


def _of_a_turn(now: Mapping[str, Any], age_s: float) -> Iterable[str]:
    for group, table in (("readings", _READINGS), ("estimate", _ESTIMATES), ("settings", _TARGETS)):
        for field, (name, what) in table.items():
            value = now[group].get(field)
            yield from _metric(name, "gauge", what, [("", value)] if value is not None else [])
    yield from _metric("pump_duty_ratio", "gauge", "Duty of the pump, 0 to 1", [("", now["pump_duty"])])
    yield from _metric("fan_duty_ratio", "gauge", "Duty of the fan, 0 to 1", [("", now["fan_duty"])])
    yield from _metric("news_age_seconds", "gauge", "Age of these values", [("", age_s)])
    yield from _metric("turn_late_seconds", "gauge", "How late the last turn of the loop began", [("", now["late_s"])])
    yield from _metric("turns_total", "counter", "Turns of the loop since it began", [("", now["turns"])])
    yield from _metric("phase_info", "gauge", "The phase and what limits the draw, as labels", [
        (_labels(phase=now["phase"], limit=now["limit"]), 1.0)])  # fmt: skip
    alarms = [(_labels(code=a["code"], severity=a["severity"]), 1.0) for a in now["alarms"]]
    yield from _metric("alarm_active", "gauge", "1 for every alarm that stands", alarms)


def _metric(name: str, kind: str, what: str, samples: Iterable[tuple[str, float]]) -> Iterable[str]:
    found = list(samples)
    if found:
        yield f"# HELP warmheap_{name} {what}"
        yield f"# TYPE warmheap_{name} {kind}"
        for labels, value in found:
            yield f"warmheap_{name}{labels} {float(value)!r}"


def _labels(**named: str) -> str:
    inside = ",".join(f'{name}="{_escaped(value)}"' for name, value in named.items())
    return f"{{{inside}}}"


def _escaped(value: str) -> str:
    return value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
