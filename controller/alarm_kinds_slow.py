"""Alarms that take minutes to weeks to be seen: silent and lying probes, trends, causes told by a test.

The order is that of ``controller.slow_watch``.
"""

from __future__ import annotations

from controller.alarm_kind import CRITICAL, DAY_S, HOUR_S, MINUTE_S, NOTICE, WARNING, AlarmKind

# sensors whose silence has no alarm of its own elsewhere: field, code, severity, name, what is done without it
SILENT = (
    ("pile_edge_c", "edge-silent", NOTICE, "edge probe", "the core probe does alone"),
    ("water_return_c", "return-silent", NOTICE, "return probe", "the heat drawn is guessed high"),
    ("water_flow_kg_s", "meter-silent", NOTICE, "flow meter", "flow is taken from the pump curve"),
    ("greenhouse_c", "house-silent", WARNING, "greenhouse probe", "half of the usual heat is drawn, day and night"),
    ("outdoor_c", "outdoor-silent", NOTICE, "outdoor probe", "frost is judged by the water instead"),
    ("tank_c", "tank-silent", WARNING, "tank probe", "nothing limits how fast the tank warms"),
    ("fan_speed_hz", "fan-speed-silent", NOTICE, "fan's speed signal", "nobody sees whether the fan turns"),
    ("greenhouse_rh", "house-humidity-silent", NOTICE, "greenhouse humidity probe", "pile air enters unchecked"),
    ("air_supply_c", "duct-air-silent", NOTICE, "duct air probe", "the heat in the air is guessed"),
    ("air_supply_rh", "duct-humidity-silent", NOTICE, "duct humidity probe", "the air is taken as wet"),
    ("pile_o2", "oxygen-silent", NOTICE, "oxygen probe", "the fan follows its usual pulses"),
)
ON_ONE_WIRE = (
    "pile_core_c",
    "pile_edge_c",
    "water_supply_c",
    "water_return_c",
    "greenhouse_c",
    "outdoor_c",
    "tank_c",
)
FLICKERING = {
    "pile_core_c": "core probe",
    "pile_edge_c": "edge probe",
    "water_supply_c": "supply probe",
    "water_return_c": "return probe",
    "water_flow_kg_s": "flow meter",
    "greenhouse_c": "greenhouse probe",
    "outdoor_c": "outdoor probe",
    "tank_c": "tank probe",
    "air_supply_c": "duct air probe",
    "pump_battery_v": "voltage of the pump's battery",
    "fan_battery_v": "voltage of the fan's battery",
}
_CABLE = "A wet plug, a cut cable or a dead sensor."
_READS_AGAIN = "By itself, two hours after it reads again without gaps."


def _silence(row: tuple[str, str, str, str, str]) -> AlarmKind:
    _, code, severity, name, without = row
    seen = f"The {name} is silent; {without}."
    look = f"Check the {name}, its cable and plug."
    return AlarmKind(code, severity, 30 * MINUTE_S, 2 * HOUR_S, seen, look, _CABLE, _READS_AGAIN)


_PROBES = (
    AlarmKind(
        "all-silent",
        CRITICAL,
        5 * MINUTE_S,
        10 * MINUTE_S,
        "Every sensor is silent; pump and fan stand.",
        "Check the plug of the sensor cable and its supply, then restart the board.",
        "The sensors' common supply or cable, or the part of the board that reads them.",
        "By itself, ten minutes after one reads again.",
    ),
    AlarmKind(
        "probes-wire",
        CRITICAL,
        5 * MINUTE_S,
        10 * MINUTE_S,
        "Three or more temperature probes fell silent together; without a pile probe the draw stops.",
        "Switch the probes' supply off and on once. If that does not help, unplug them one by one: one may block all.",
        "The wire or supply they share, or one wet or broken probe that pulls it down.",
        "By itself, ten minutes after fewer than three are silent.",
    ),
    AlarmKind(
        "sensor-flickers",
        NOTICE,
        15 * MINUTE_S,
        HOUR_S,
        "Bad readings more than one time in five: {}. They are left out and the good ones used.",
        "Check its plug, cable and supply; lead it away from pump and fan wires.",
        "A loose plug, a wet cable, a weak supply, or noise from a motor.",
        "By itself, an hour after it is quiet.",
        "flicker",
        names=tuple(FLICKERING.values()),
    ),
    AlarmKind(
        "core-pulled",
        WARNING,
        0.0,
        15 * MINUTE_S,
        "The core probe fell too fast for tonnes of compost, to {} °C; it is not believed and the edge probe stands in.",
        "Push it back to its depth. If you turned or wetted the pile: it is believed again when it reads like a pile.",
        "The probe was pulled out, or the pile was opened or drenched.",
        "By itself, after three hours in which it reads well above greenhouse and outdoor air.",
        "pulled_to_c",
    ),
    AlarmKind(
        "core-edge",
        NOTICE,
        DAY_S,
        DAY_S,
        "The edge probe reads {} K more than the core probe, for a day.",
        "Check which probe is which; dip both in the same cup of water and compare.",
        "The two are swapped, the core probe was pulled outward, or one has drifted. Which cannot be told from here.",
        "By itself, a day after the core is the warmer one.",
        "edge_above_k",
    ),
    AlarmKind(
        "house-outdoor",
        WARNING,
        3 * HOUR_S,
        3 * HOUR_S,
        "The greenhouse reads {} K colder than outdoors, for hours; frost is judged by the water instead.",
        "Check which probe is which, and that no sun falls on the outdoor probe.",
        "The two are swapped, the outdoor probe hangs in the sun, or one has drifted.",
        "By itself, three hours after the greenhouse is not the colder one.",
        "house_below_k",
    ),
)
_WATER = (
    AlarmKind(
        "thermosiphon",
        WARNING,
        15 * MINUTE_S,
        6 * HOUR_S,
        "The supply is warm ({} °C) by water that moves though the pump is off; this heat is not credited.",
        "Mind scalding. Fit a check valve; but listen first: a pump that runs needs its plug pulled and a new switch.",
        "Water rises by its own warmth through the stopped pump; or the pump's switch has failed and it runs.",
        "By itself, six hours after the supply has cooled.",
        "water_supply_c",
    ),
    AlarmKind(
        "pump-runs-on",
        CRITICAL,
        5 * MINUTE_S,
        15 * MINUTE_S,
        "Much water flows ({} L/min) though the pump is switched off.",
        "Pull the pump's plug: it drains pile and battery. Then replace the switch; in frost drain the line.",
        "A switch that failed in the on position, or a pump wired past it. If it is silent, the meter counts by itself.",
        "By itself, a quarter of an hour after the water stands.",
        "idle_l_min",
    ),
    AlarmKind(
        "line-frozen",
        CRITICAL,
        0.0,
        15 * MINUTE_S,
        "The pump is on, no water moves, and it is near freezing ({} °C outdoors): the line is frozen or can freeze.",
        "Thaw it gently, or drain what drains. Look for split pipe before you let it run; then check water level and air.",
        "Ice in the line; or a dry, blocked, air-locked or dead pump, or a blocked meter; in frost they look alike.",
        "When you acknowledge it, after water moves again: look at the line first.",
        "outdoor_c",
        latched=True,
    ),
    AlarmKind(
        "flow-low",
        NOTICE,
        0.0,
        DAY_S,
        "At the same power the pump moves {} % of the water it moved at first.",
        "Clean the filter, bleed the loop, look for a leak and a half-closed valve; check the flow meter by bucket.",
        "A slow clog, air, a leak, a worn pump or a dirty flow meter.",
        "By itself, a day after the flow is back.",
        "flow_percent",
    ),
    AlarmKind(
        "flow-high",
        NOTICE,
        0.0,
        DAY_S,
        "At the same power the pump moves {} % of the water it moved at first.",
        "Look for a hose that came off or a burst pipe near the pump; check the flow meter by bucket.",
        "Less resistance in the loop, as with a hose that came off; or a meter that counts too much.",
        "By itself, a day after the flow is back.",
        "flow_percent",
    ),
)
_AIR = (
    AlarmKind(
        "fan-changed",
        NOTICE,
        0.0,
        DAY_S,
        "At the same power the fan turns at {} % of the speed it had at first.",
        "Look for ice, water or snow at both ends of the duct and its drain, for a tear, and for a broken blade.",
        "A blocked or torn air path or a lost blade (often faster); a stiff bearing or ice on the wheel (slower).",
        "By itself, a day after the speed is back.",
        "fan_percent",
    ),
    AlarmKind(
        "no-pile-air",
        NOTICE,
        0.0,
        DAY_S,
        "The fan runs but the air it brings is hardly warmer than outdoors ({} % of the way to the core).",
        "Look for a torn or open duct, a gap in the cover near the fan, and ice or water in the duct.",
        "A torn duct, air that escapes past the pile, a blocked path; or the duct probe.",
        "By itself, a day after the air is warm again.",
        "air_percent",
    ),
)


def _falling(side: str) -> AlarmKind:
    return AlarmKind(
        f"{side}-battery-falling",
        NOTICE,
        0.0,
        DAY_S,
        f"The {side}'s battery ends each night lower than the last ({{}} V this time).",
        "Clean this panel, check its fuse and plugs, and look at the lights of its charge controller.",
        f"The {side}'s panel is under snow or shade or its fuse is blown, the battery ages, or the days are dull.",
        "By itself, a day after a night that ended higher.",
        f"{side}_dawn_v",
    )


_POWER = (
    _falling("pump"),
    _falling("fan"),
    AlarmKind(
        "panels-dark",
        NOTICE,
        0.0,
        DAY_S,
        "Both batteries end each night lower than the last (the pump's at {} V).",
        "Clean the panels. Charge the batteries before frost; what is left is kept for frost and crop, in your order.",
        "Snow or dull days on both panels.",
        "By itself, a day after a night that ended higher.",
        "pump_dawn_v",
    ),
)
_HOUSE = (
    AlarmKind(
        "house-open",
        WARNING,
        0.0,
        HOUR_S,
        "The greenhouse is only {} K above outdoors, far less than in any of the last nights.",
        "Check doors, vents and film, and whether the backup heater works.",
        "A door or vent left open, torn film, or a heater that is off. Which cannot be told from here.",
        "By itself, an hour after the house is as warm over outdoors as usual.",
        "house_above_k",
    ),
    AlarmKind(
        "house-wet",
        NOTICE,
        0.0,
        7 * DAY_S,
        "The greenhouse air was wetter than 90 % for {} hours of the last two days: mould grows.",
        "Vent shortly and heat towards evening; keep leaves dry from dusk to dawn.",
        "Cold film and wet soil or leaves, or an unvented backup heater.",
        "By itself, a week after the air is drier.",
        "wet_hours",
    ),
)
_PILE = (
    AlarmKind(
        "edge-cools",
        NOTICE,
        HOUR_S,
        DAY_S,
        "The edge of the pile has lost {} K within a day, the core has not.",
        "Look at the cover, for cracks and sunken places, and for rain that ran in.",
        "The cover is off, the top cracked or sank, or rain came in; or the edge probe was pulled out or has changed"
        " places with the core probe.",
        "By itself, a day after the edge holds its warmth.",
        "edge_fall_k",
    ),
    AlarmKind(
        "air-shortcut",
        WARNING,
        HOUR_S,
        DAY_S,
        "The edge of the pile lost {} K within a day while the fan ran, the core did not. The fan harvests no more.",
        "Plug and cover the place near the edge probe where the air escapes.",
        "Air takes a short cut past the edge probe; or the cover is off there.",
        "By itself, a day after the edge holds its warmth.",
        "edge_fall_k",
    ),
    AlarmKind(
        "pile-airless",
        WARNING,
        0.0,
        DAY_S,
        "The pile lacks air: it warms after a few pulses of the fan, or its oxygen is near nothing.",
        "Open the air path; turn the pile in mild weather. Give air in small steps, never by full fan.",
        "Wet, packed or sunken compost, or a blocked air pipe.",
        "By itself, a day after the pile recovers or a later test answers otherwise.",
    ),
    AlarmKind(
        "pile-dry",
        WARNING,
        0.0,
        DAY_S,
        "The pile is dry: it does not answer to air, and the air that leaves it is not wet. The fan rests.",
        "Wet it slowly, in several places, with warm water if you can; watch the treated place against the others.",
        "Too much air, sun or time under a leaky cover.",
        "By itself, a day after the pile recovers or a later test answers otherwise.",
    ),
    AlarmKind(
        "pile-spent",
        NOTICE,
        0.0,
        DAY_S,
        "The pile is spent: two weeks of rest and a test with air did not bring it back, and it is wet enough.",
        "Feed it, or drain the line and build the next.",
        "Most of what can rot quickly has rotted.",
        "By itself, a day after the pile is hot again.",
    ),
)
SLOW_KINDS = (*map(_silence, SILENT), *_PROBES, *_WATER, *_AIR, *_POWER, *_HOUSE, *_PILE)
