"""One cause, one notice: an alarm that only follows from another one is not told while that one stands.

It is hidden from the active list and the summary, keeps its delays, and comes up again by itself if it outlasts its cause.
An alarm that names a danger beyond its cause (frost on the line, a freezing battery, foul air) is never hidden by it, save
by one that gives the same warning.
"""

from __future__ import annotations

from controller.alarm_kinds import KINDS

_NOTHING = ("all-silent",)
_WIRE = ("all-silent", "probes-wire")
_DEAD_PUMP = ("line-frozen", "no-flow", "no-heat", "pump-supply-cut", "pump-battery-flat", "pump-battery-worn")
_PILE_TOLD = ("pile-airless", "pile-dry", "pile-spent")
_TEMPERATURES = ("edge-silent", "return-silent", "house-silent", "outdoor-silent", "tank-silent")
_OTHERS = (
    "meter-silent",
    "fan-speed-silent",
    "house-humidity-silent",
    "duct-air-silent",
    "duct-humidity-silent",
    "oxygen-silent",
    "co2-probe",
    "pump-battery",
    "fan-battery",
)

FOLLOWS: dict[str, tuple[str, ...]] = {
    "pile-probe": (*_WIRE, "core-pulled"),
    "core-probe": (*_WIRE, "core-pulled"),
    "supply-probe": _WIRE,
    "scald": (*_WIRE, "supply-probe"),  # then it is only feared, and that alarm says so
    **dict.fromkeys(_TEMPERATURES, _WIRE),
    "probes-wire": _NOTHING,
    **dict.fromkeys(_OTHERS, _NOTHING),
    "no-flow": ("line-frozen",),
    "no-heat": ("line-frozen", "supply-stuck"),
    "frost": ("line-frozen",),
    "frost-cost": ("frost-drain",),
    "flow-meter": ("no-flow", "line-frozen"),
    "flow-while-off": ("thermosiphon", "pump-runs-on"),
    "flow-low": _DEAD_PUMP,
    "fan-changed": ("fan-stalled", "fan-speed", "fan-speed-silent"),
    "no-pile-air": ("fan-stalled", "fan-speed"),
    "pump-battery-falling": ("pump-battery", "pump-battery-flat", "pump-battery-worn", "pump-runs-on", "panels-dark"),
    "fan-battery-falling": ("fan-battery", "fan-battery-flat", "fan-battery-worn", "fan-runs-on", "panels-dark"),
    "panels-dark": ("pump-battery-flat", "fan-battery-flat"),
    "pile-cold": ("core-pulled", "pump-runs-on", "fan-runs-on", *_PILE_TOLD),
    "pile-ending": _PILE_TOLD,
    "core-edge": ("core-pulled",),
    "probe-leapt": ("core-pulled", "core-edge", "probes-swapped", "thermosiphon", "pump-runs-on", "flow-while-off"),
    "edge-cools": ("air-shortcut",),
}


def causes_of(codes: tuple[str, ...]) -> tuple[tuple[int, ...], ...]:
    """Return for each alarm the places of those it follows from. ``KeyError`` for a code that does not exist."""
    place = {code: i for i, code in enumerate(codes)}
    unknown = set(FOLLOWS) - set(codes)
    if unknown:
        raise KeyError(f"{sorted(unknown)} are no alarms")
    return tuple(tuple(place[cause] for cause in FOLLOWS.get(code, ())) for code in codes)


CAUSES = causes_of(tuple(kind.code for kind in KINDS))
