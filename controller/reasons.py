"""One sentence on why the outputs are what they are, with the numbers a grower needs.

``LIMITS`` lists every value of ``Decision.limit`` with its meaning.
"""

from __future__ import annotations

from collections.abc import Callable

from controller.checks import Readings
from controller.draw import START_FULL
from controller.guards import CEILING_BACK_K
from controller.hot_water import PAUSE_S
from controller.phases import RESUME_K, SHORTEST_REST_S
from controller.settings import ControllerSettings
from controller.view import View
from controller.water_loop import LEAST_OFF_S

LIMITS = {
    "drained": "the loop holds no water",
    "manual": "a hand-run",
    "sensor": "no reading to decide by",
    "battery": "the pump's battery is low",
    "frost": "a pulse keeps the line from freezing",
    "hold-off": "the pile is not yet hot for long enough",
    "pile-floor": "the core is near its floor",
    "spent": "the pile is ending",
    "no-flow": "the pump turns but no water moves",
    "ceiling": "the greenhouse is at its ceiling",
    "demand": "the greenhouse wants no heat",
    "tank": "the tank has warmed as much in a day as it may",
    "crop": "the crop ranks above the pile's floor",
    "scald": "the water is near or above the scald limit",
    "heat-budget": "the pile's ration of heat is used up for now",
    "off-time": "the pump keeps a pause between two draws",
    "start": "the pump is starting",
    "supply": "the supply temperature sets the flow",
    "flow": "the flow is at its target",
}


def sentence(v: View, r: Readings, s: ControllerSettings) -> str:
    """Return the sentence for ``v.limit``, one of ``LIMITS``; numbers that are not known read "unknown"."""
    text = _SENTENCES[v.limit](v, r, s)
    if v.hand_s > 0.0 and v.hand_pump > 0.0 and v.limit not in ("manual", "start"):
        return f"{text[:-1]}; the hand-run must wait for that."
    if v.fan_on:
        return f"{text[:-1]}; the fan runs meanwhile."
    return f"{text[:-1]}; {_FAN_RESTS[v.fan_limit](v, r)}." if v.fan_limit in _FAN_RESTS else text


def celsius(value_c: float) -> str:
    """Return a temperature for people, one decimal."""
    return f"{value_c:.1f} °C" if value_c == value_c else "unknown"


def watts(heat_w: float) -> str:
    """Return a heat rate for people."""
    return f"{heat_w / 1000.0:.1f} kW" if heat_w >= 950.0 else f"{heat_w:.0f} W"


def litres_a_minute(flow_kg_s: float) -> str:
    """Return a water flow for people, a kilogram taken as a litre."""
    return f"{flow_kg_s * 60.0:.1f} L/min"


def _sensor(v: View, r: Readings, s: ControllerSettings) -> str:
    return "Stopped: no probe in the pile gives a reading; it goes on by itself when one does."


def _battery(v: View, r: Readings, s: ControllerSettings) -> str:
    return f"Stopped: the pump's battery is at {v.battery_v:.1f} V; it works again at {s.battery_ok_v:.1f} V."


def _frost(v: View, r: Readings, s: ControllerSettings) -> str:
    seen = f"outdoors {celsius(r.outdoor_c)}" if r.outdoor_c == r.outdoor_c else f"water {celsius(r.water_return_c)}"
    return f"Circulating for a few minutes so that the line does not freeze: {seen}."


def _hold_off(v: View, r: Readings, s: ControllerSettings) -> str:
    if v.hot_s > 0.0:
        hours = f"{v.hot_s / 3600.0:.0f} of {s.start_hold_s / 3600.0:.0f} hours"
        return f"Holding off: the core is {celsius(v.core_c)}, hot for {hours} before the first draw."
    return f"Holding off: the core is {celsius(v.core_c)}; the first draw waits for {celsius(s.start_core_c)}."


def _pile_floor(v: View, r: Readings, s: ControllerSettings) -> str:
    above = v.core_c - s.pile_floor_c
    where = f"{above:.1f} above its floor" if above >= 0.0 else f"{-above:.1f} below its floor"
    if v.room_k >= RESUME_K:
        then = f"it rests for at least {SHORTEST_REST_S / 3600.0:.0f} hours"
    elif v.core_c >= v.zero_c + RESUME_K:
        then = "it is falling; drawing again once it holds"
    else:
        then = f"drawing again at {celsius(v.zero_c + RESUME_K)}"
    return f"Resting: the core is {celsius(v.core_c)}, {where}; {then}."


def _drained(v: View, r: Readings, s: ControllerSettings) -> str:
    return "Standing: the loop is declared drained, so the pump never runs; fill it and declare it filled."


def _manual(v: View, r: Readings, s: ControllerSettings) -> str:
    return f"By hand: pump {v.hand_pump:.0%}, fan {v.hand_fan:.0%}; back to itself in {_minutes(v.hand_s)}."


def _crop(v: View, r: Readings, s: ControllerSettings) -> str:
    days = f"about {v.recovery_days:.0f} days" if v.recovery_days < 100.0 else "how many days nobody knows"
    return (
        f"Drawing on the pile's floor for the crop, as you rank them: greenhouse {celsius(r.greenhouse_c)}, core "
        f"{celsius(v.core_c)}; it costs {days}."
    )


def _tank(v: View, r: Readings, s: ControllerSettings) -> str:
    return (
        f"Waiting: the tank has warmed {v.tank_rise_k:.1f} K within a day, your limit is {s.tank_change_max_k:.1f} K; "
        "it goes on as the day passes."
    )


def _off_time(v: View, r: Readings, s: ControllerSettings) -> str:
    return f"Pausing: the pump stands for at least {_minutes(LEAST_OFF_S)} between two draws."


def _spent(v: View, r: Readings, s: ControllerSettings) -> str:
    return f"Not drawing: the pile is ending, its core is {celsius(v.core_c)} after two weeks of rest; turn or feed it."


def _no_flow(v: View, r: Readings, s: ControllerSettings) -> str:
    return f"Stopped: the pump turned but no water moved; next try in {_minutes(v.locked_s)}, or look at the alarm."


def _ceiling(v: View, r: Readings, s: ControllerSettings) -> str:
    below = celsius(s.greenhouse_ceiling_c - CEILING_BACK_K)
    return f"Waiting: the greenhouse is {celsius(r.greenhouse_c)}, at its ceiling; it may draw again below {below}."


def _demand(v: View, r: Readings, s: ControllerSettings) -> str:
    least = celsius(s.greenhouse_min_c)
    return f"Waiting: the greenhouse is {celsius(r.greenhouse_c)}, warm enough; it draws when that nears {least}."


def _scald(v: View, r: Readings, s: ControllerSettings) -> str:
    seen = f"the water leaves the pile at {celsius(r.water_supply_c)}"
    if v.flow_kg_s > 0.0:
        return f"Drawing {litres_a_minute(v.flow_kg_s)}, since less would come out above {celsius(s.supply_max_c)}; {seen}."
    pause = _minutes(PAUSE_S)
    return f"Pausing for {pause} since water stayed at or above the scald limit of {celsius(s.supply_max_c)}; {seen}."


def _heat_budget(v: View, r: Readings, s: ControllerSettings) -> str:
    if v.coil_rest_s > 0.0:
        rest = _minutes(v.coil_rest_s)
        return f"Pausing for {rest} so that the pile round the coil warms up again: no probe shows its water."
    saved = f"{max(v.saved, 0.0):.0%} saved up, drawing again at {START_FULL:.0%}"
    return f"Pausing: the pile's ration is used up ({saved}); {watts(v.drawn_day_w)} drawn over the last day."


def _start(v: View, r: Readings, s: ControllerSettings) -> str:
    return f"Starting the pump: the greenhouse is {celsius(r.greenhouse_c)}, the core {celsius(v.core_c)}."


def _supply(v: View, r: Readings, s: ControllerSettings) -> str:
    aim = f"to bring the supply, {celsius(r.water_supply_c)}, to {celsius(s.supply_target_c)}"
    return f"Drawing {litres_a_minute(v.flow_kg_s)}: the flow is set {aim}."


def _flow(v: View, r: Readings, s: ControllerSettings) -> str:
    return f"Drawing {litres_a_minute(v.flow_kg_s)}, the flow wanted; the supply is {celsius(r.water_supply_c)}."


def _minutes(time_s: float) -> str:
    return f"{time_s / 60.0:.0f} min"


def _fan_co2(v: View, r: Readings) -> str:
    if r.greenhouse_co2 != r.greenhouse_co2:
        return "the fan rests until the CO2 probe reads again"
    return f"the fan rests: {1e6 * r.greenhouse_co2:.0f} ppm CO2 indoors"


_FAN_RESTS: dict[str, Callable[[View, Readings], str]] = {
    "co2": _fan_co2,
    "humidity": lambda v, r: f"the fan rests: the air indoors is at {r.greenhouse_rh:.0%}",
    "battery": lambda v, r: "the fan rests: its battery is low",
    "stalled": lambda v, r: "the fan rests after a stall",
    "sensor": lambda v, r: "the fan rests until a pile probe reads again",
}

_SENTENCES: dict[str, Callable[[View, Readings, ControllerSettings], str]] = {
    "drained": _drained,
    "manual": _manual,
    "sensor": _sensor,
    "battery": _battery,
    "frost": _frost,
    "hold-off": _hold_off,
    "pile-floor": _pile_floor,
    "spent": _spent,
    "no-flow": _no_flow,
    "ceiling": _ceiling,
    "demand": _demand,
    "tank": _tank,
    "crop": _crop,
    "scald": _scald,
    "heat-budget": _heat_budget,
    "off-time": _off_time,
    "start": _start,
    "supply": _supply,
    "flow": _flow,
}
