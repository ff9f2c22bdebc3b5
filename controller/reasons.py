"""One sentence on why the outputs are what they are, with the numbers a grower needs.

``LIMITS`` lists every value of ``Decision.limit`` with its meaning.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from controller.draw import START_FULL

LIMITS = {
    "sensor": "no reading to decide by",
    "battery": "the pump's battery is low",
    "frost": "a pulse keeps the line from freezing",
    "hold-off": "the pile is not yet hot for long enough",
    "pile-floor": "the core is near its floor",
    "spent": "the pile is ending",
    "no-flow": "the pump turns but no water moves",
    "ceiling": "the greenhouse is at its ceiling",
    "demand": "the greenhouse wants no heat",
    "scald": "the water is above the scald limit",
    "heat-budget": "the pile's ration of heat is used up for now",
    "start": "the pump is starting",
    "supply": "the supply temperature sets the flow",
    "flow": "the flow is at its target",
}


@dataclass(slots=True)
class Story:
    """The numbers that reasons may quote, SI units as named."""

    core_c: float
    zero_c: float
    floor_c: float
    resume_c: float
    start_core_c: float
    hot_s: float
    start_hold_s: float
    greenhouse_c: float
    greenhouse_min_c: float
    ceiling_c: float
    outdoor_c: float
    supply_c: float
    supply_target_c: float
    supply_max_c: float
    flow_kg_s: float
    saved: float
    drawn_day_w: float
    battery_v: float
    battery_ok_v: float
    locked_s: float
    fan_on: bool


def sentence(limit: str, s: Story) -> str:
    """Return the sentence for ``limit``, one of ``LIMITS``; numbers that are not known read "unknown"."""
    text = _SENTENCES[limit](s)
    return f"{text[:-1]}; the fan runs meanwhile." if s.fan_on else text


def celsius(value_c: float) -> str:
    """Return a temperature for people, one decimal."""
    return f"{value_c:.1f} °C" if value_c == value_c else "unknown"


def watts(heat_w: float) -> str:
    """Return a heat rate for people."""
    return f"{heat_w / 1000.0:.1f} kW" if heat_w >= 950.0 else f"{heat_w:.0f} W"


def _hold_off(s: Story) -> str:
    if s.core_c >= s.start_core_c:
        return (
            f"Holding off: the core is {celsius(s.core_c)}, hot for {s.hot_s / 3600.0:.0f} of "
            f"{s.start_hold_s / 3600.0:.0f} hours before the first draw."
        )
    return f"Holding off: the core is {celsius(s.core_c)}; the first draw waits for {celsius(s.start_core_c)}."


def _pile_floor(s: Story) -> str:
    return (
        f"Resting: the core is {celsius(s.core_c)}, {s.core_c - s.floor_c:.1f} above its floor; "
        f"drawing again at {celsius(s.resume_c)}."
    )


def _demand(s: Story) -> str:
    if s.greenhouse_c != s.greenhouse_c:
        return "Waiting: no heat is wanted now."
    return f"Waiting: the greenhouse is {celsius(s.greenhouse_c)}, warm enough above its minimum of {celsius(s.greenhouse_min_c)}."


def _heat_budget(s: Story) -> str:
    return (
        f"Pausing: the pile's ration is used up, {max(s.saved, 0.0):.0%} saved up again; drawing at {START_FULL:.0%}. "
        f"{watts(s.drawn_day_w)} drawn over the last day."
    )


def _supply(s: Story) -> str:
    return f"Drawing {s.flow_kg_s * 60.0:.1f} L/min: the flow is set to bring the supply, {celsius(s.supply_c)}, to {celsius(s.supply_target_c)}."


_SENTENCES: dict[str, Callable[[Story], str]] = {
    "sensor": lambda s: "Stopped: no probe in the pile gives a reading; it goes on by itself when one does.",
    "battery": lambda s: f"Stopped: the pump's battery is at {s.battery_v:.1f} V; it works again at {s.battery_ok_v:.1f} V.",
    "frost": lambda s: f"Circulating briefly so that the line does not freeze: outdoors {celsius(s.outdoor_c)}.",
    "hold-off": _hold_off,
    "pile-floor": _pile_floor,
    "spent": lambda s: f"Not drawing: the pile is ending, its core is {celsius(s.core_c)} and did not recover in two weeks of rest.",
    "no-flow": lambda s: f"Stopped: the pump turned but no water moved; next try in {s.locked_s / 60.0:.0f} min.",
    "ceiling": lambda s: f"Waiting: the greenhouse is {celsius(s.greenhouse_c)}, at its ceiling of {celsius(s.ceiling_c)}.",
    "demand": _demand,
    "scald": lambda s: f"Pausing: the water leaves the pile at {celsius(s.supply_c)}, above the limit of {celsius(s.supply_max_c)}; resting an hour.",
    "heat-budget": _heat_budget,
    "start": lambda s: "Starting the pump.",
    "supply": _supply,
    "flow": lambda s: f"Drawing {s.flow_kg_s * 60.0:.1f} L/min, the full flow wanted; the supply is {celsius(s.supply_c)}.",
}  # fmt: skip
