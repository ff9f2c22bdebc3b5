"""Every alarm there is, one row each: what is seen, what is likely behind it, what to do, when it clears.

The order is that of ``controller.conditions``; the rows of ``alarm_kinds_slow`` come last. ``{}`` in ``seen`` is the
value of ``quantity`` when the alarm came up.
On-delay and off-delay together are at least a quarter of an hour, so that no condition, however it flickers, raises its
alarm more than four times an hour.
"""

from __future__ import annotations

from controller.alarm_kind import CRITICAL, DAY_S, HOUR_S, MINUTE_S, NOTICE, WARNING, AlarmKind
from controller.alarm_kinds_slow import FLICKERING, SLOW_KINDS

__all__ = ["CRITICAL", "KINDS", "NOTICE", "WARNING", "AlarmKind"]

# probes of what changes smoothly, if at all: tonnes of compost, a tank, water that stands in the pipe
_SMOOTH = ("pile_core_c", "pile_edge_c", "water_supply_c", "water_return_c", "tank_c")
LEAPING = {name: FLICKERING[name] for name in _SMOOTH}
_SENSOR = (30 * MINUTE_S, 10 * MINUTE_S)
_ORDER = "Take off load, panel and battery, all three; then connect battery, panel, load, in this order."
_BY_ITSELF = "By itself, ten minutes after the probe reads again."
_CHARGED = "By itself, half an hour after the battery is charged again."

_SENSORS = (
    AlarmKind(
        "pile-probe",
        CRITICAL,
        *_SENSOR,
        "No probe in the pile gives a reading. What is drawn goes by the water, for a day at most.",
        "Check the probes in the pile, their cable and plug; switch their supply off and on once.",
        "A cut or wet cable, a probe pulled out, or all probes on one failed wire.",
        _BY_ITSELF,
    ),
    AlarmKind(
        "core-probe",
        WARNING,
        *_SENSOR,
        "The core probe is silent; the edge probe stands in and less heat is drawn.",
        "Check the core probe and its cable.",
        "A wet plug, a cut cable or a dead probe.",
        _BY_ITSELF,
    ),
    AlarmKind(
        "core-stuck",
        NOTICE,
        0.0,
        HOUR_S,
        "The core probe has read {} °C, to the last digit, for days, or through hours of drawing.",
        "Check that the probe follows: pull it out for ten minutes and watch the reading.",
        "A stuck probe or gateway, or, rarely, a very steady pile.",
        "By itself, an hour after the reading moves.",
        "pile_core_c",
    ),
    AlarmKind(
        "supply-probe",
        WARNING,
        *_SENSOR,
        "The supply probe is silent; the heat drawn is guessed high and nobody watches for scalding water.",
        "Check the probe where the water leaves the pile.",
        "A wet plug, a cut cable or a dead probe.",
        _BY_ITSELF,
    ),
    AlarmKind(
        "supply-stuck",
        WARNING,
        0.0,
        15 * MINUTE_S,
        "The supply probe has not moved since the pump started, though water flows; it is no longer believed.",
        "Check the probe where the water leaves the pile, and that it is strapped to the pipe.",
        "A stuck probe, or one that hangs loose.",
        "By itself, a quarter of an hour after the reading moves.",
    ),
    AlarmKind(
        "probes-swapped",
        WARNING,
        5 * MINUTE_S,
        DAY_S,
        "Water seems to leave the pile colder than it enters.",
        "Swap the names of supply and return probe in the settings, or the probes, or turn the pump round.",
        "Supply and return probe are swapped, or the pump is plumbed the wrong way round.",
        "By itself, after a day in which the supply was the warmer one.",
    ),
    AlarmKind(
        "outdoor-stuck",
        NOTICE,
        0.0,
        HOUR_S,
        "The outdoor probe has read {} °C, to the last digit, for a day; frost is judged by the water instead.",
        "Check the outdoor probe.",
        "A stuck probe or gateway.",
        "By itself, an hour after the reading moves.",
        "outdoor_c",
    ),
    AlarmKind(
        "probe-leapt",
        NOTICE,
        30 * HOUR_S,  # nothing hurries, since the safer reading is believed: what explains it better is told first
        DAY_S,
        "A leap of some kelvins from one calm reading to the next, and it stays there: {}. The safer reading is believed.",
        "Did you move it? Else compare it with a second thermometer at its place, and check its plug and sleeve for water.",
        "A bad contact, water at the sensor, a probe that was moved, or two that changed places.",
        "By itself, a day after it leapt back; else some two weeks after the leap.",
        "leapt",
        names=tuple(LEAPING.values()),
    ),
)


def _power(side: str) -> tuple[AlarmKind, ...]:
    """The alarms of one supply, ``side`` "pump" or "fan"."""
    times, volts = (5 * MINUTE_S, 30 * MINUTE_S), f"{side}_battery_v"
    return (
        AlarmKind(
            f"{side}-battery",
            WARNING,
            *times,
            f"The {side}'s battery is low ({{}} V) or gives no reading; why cannot be told from its volts yet.",
            f"Look at, in this order: panel clean and in the sun, fuse, lights of the charge controller, battery. {_ORDER}",
            "Snow or shade on the panel, a blown fuse, a worn battery, or a charge controller in error.",
            _CHARGED,
            volts,
        ),
        AlarmKind(
            f"{side}-battery-flat",
            WARNING,
            *times,
            f"The {side}'s battery is flat ({{}} V): no charge has reached it for a day and a half.",
            "Clean the panel, check its fuse and plugs; charge the battery from the mains if frost is near.",
            "Snow, shade or dull days on the panel, its fuse, or a charge controller in error.",
            _CHARGED,
            volts,
        ),
        AlarmKind(
            f"{side}-battery-worn",
            WARNING,
            *times,
            f"The {side}'s battery does not hold its charge ({{}} V): it gives way under load or empties too soon.",
            "Clean and tighten its clamps, have it tested, replace it.",
            "A worn or frozen battery, or a bad clamp.",
            _CHARGED,
            volts,
        ),
        AlarmKind(
            f"{side}-supply-cut",
            CRITICAL,
            *times,
            f"The {side} is switched on but pulls nothing from its battery ({{}} V).",
            f"Check its fuse and leads. If the charge controller shows an error: {_ORDER}",
            "A charge controller latched in error or that cut the load off, a blown fuse, or a loose lead.",
            f"By itself, half an hour after the {side} works again.",
            volts,
        ),
    )


_BATTERIES = (
    AlarmKind(
        "battery-cold",
        NOTICE,
        HOUR_S,
        7 * DAY_S,
        "It is freezing outdoors ({} °C): a lithium battery there must not be charged.",
        "Keep lithium batteries in the greenhouse, or with a protection board that blocks charging below freezing.",
        "Charging below 0 °C plates metal inside the cells, which ruins them and can make them burn.",
        "By itself, after a week without frost.",
        "outdoor_c",
    ),
    AlarmKind(
        "battery-freeze",
        CRITICAL,
        HOUR_S,
        6 * HOUR_S,
        "A battery is so flat and the air so cold ({} °C) that it can freeze and burst.",
        "Charge it or carry it indoors. Do not charge a battery that is already frozen.",
        "A flat lead-acid battery freezes between -12 and -7 °C, a full one not.",
        "By itself, six hours after it is warmer or charged.",
        "outdoor_c",
    ),
)
_WATER = (
    AlarmKind(
        "no-flow",
        CRITICAL,
        0.0,
        15 * MINUTE_S,
        "The pump is on but no water moves; it was tried several times and rests in between.",
        "Look for a low water level, a closed valve, air at the high point, a loose lead or ice; then bleed the loop.",
        "No water, a blocked line, an air lock, a stuck or dead pump. If only the flow meter died, a later start tells.",
        "By itself, a quarter of an hour after water moves again.",
    ),
    AlarmKind(
        "no-heat",
        CRITICAL,
        0.0,
        15 * MINUTE_S,
        "The pump is on but the water leaving the pile stays at {} °C; without a flow meter this looks like no flow.",
        "See whether water moves. If it does, check the supply probe. If not: water level, valves, air, leads, ice.",
        "No water, a blocked line, an air lock, a dead pump, or a supply probe that is stuck or hangs loose.",
        "By itself, a quarter of an hour after the water comes warm again.",
        "water_supply_c",
    ),
    AlarmKind(
        "flow-meter",
        NOTICE,
        10 * MINUTE_S,
        10 * MINUTE_S,
        "The flow meter reads nothing though the water moves; flow is taken from the pump curve.",
        "Clean or replace the flow meter.",
        "Dirt or rust on its wheel, or a broken wire.",
        "By itself, ten minutes after it reads again.",
    ),
    AlarmKind(
        "flow-while-off",
        WARNING,
        2 * HOUR_S,
        HOUR_S,
        "The flow meter shows flow though the pump is off; no heat is credited for it.",
        "If the supply pipe is warm, water circulates by itself: fit a check valve. If not, check the meter and its wire.",
        "Water rising by its own warmth through the stopped pump, or a meter that counts noise.",
        "By itself, an hour after the flow stops.",
    ),
    AlarmKind(
        "scald",
        NOTICE,
        5 * MINUTE_S,
        7 * DAY_S,
        "Water from the pile is at or above the scald limit ({} °C now); after minutes of it the pump pauses.",
        "Fit a thermostatic mixing valve where people can touch the water or the pipe: only that makes it safe.",
        "What stood in drum and coil comes out as hot as the pile.",
        "By itself, a week after the last too hot water: a hot pile with a drum does this at many starts.",
        "water_supply_c",
    ),
    AlarmKind(
        "frost",
        CRITICAL,
        15 * MINUTE_S,
        15 * MINUTE_S,
        "The line may freeze ({} °C outdoors) and the pump cannot or may not turn.",
        "Drain the line, or restore the pump's power. After a thaw look for split pipe before you start it.",
        "Frost, and a pump without power or water, or pulses that rank below pile or battery in your order.",
        "When you acknowledge it, after the frost or once the pump can turn: look at the line first.",
        "outdoor_c",
        latched=True,
    ),
    AlarmKind(
        "frost-cost",
        WARNING,
        6 * HOUR_S,
        7 * DAY_S,
        "Keeping the line from freezing takes more than a tenth of the heat the pile makes.",
        "Insulate or bury the line, or drain it for the cold spell: the pile will not bear this for long.",
        "Frost on a bare line.",
        "By itself, a week after the pulses have become rare.",
    ),
    AlarmKind(
        "frost-drain",
        CRITICAL,
        2 * HOUR_S,
        DAY_S,
        "Pulses against frost take half of the heat the pile makes, and it has none to spare (core {} °C).",
        "Drain the line now, declare it drained, and light the backup heater: this pile cannot keep the line open.",
        "Frost on a bare or badly covered line, and a pile too weak for it.",
        "By itself, a day after the pulses have become rare or the pile has heat to spare.",
        "core_c",
    ),
)
_PILE = (
    AlarmKind(
        "pile-cold",
        WARNING,
        6 * HOUR_S,
        12 * HOUR_S,
        "The core is below its floor ({} °C).",
        "Nothing is drawn. If it does not recover in days: check moisture and air, turn or feed the pile.",
        "A cold spell, a pile too dry, too wet or short of air, or spent.",
        "By itself, half a day after the core is back.",
        "core_c",
    ),
    AlarmKind(
        "floor-spent",
        WARNING,
        0.0,
        12 * HOUR_S,
        "The crop's heat is taken from below the pile's floor, by your order of giving way.",
        "Light the backup heater, or the pile pays with days of recovery.",
        "The greenhouse is below the crop's minimum, which you rank above the pile's floor.",
        "By itself, half a day after the last such draw.",
    ),
    AlarmKind(
        "pile-hot",
        WARNING,
        3 * HOUR_S,
        6 * HOUR_S,
        "The core is so hot ({} °C) that its microbes suffer.",
        "Keep it moist; open the air path. Above 80 °C keep watch for fire.",
        "A young, rich pile; or a dry one.",
        "By itself, six hours after it is cooler.",
        "core_c",
    ),
    AlarmKind(
        "pile-ending",
        NOTICE,
        HOUR_S,
        DAY_S,
        "Two weeks of rest did not bring the core back: the pile is ending.",
        "Turn, wet and feed it, or drain the line and build the next.",
        "Most of what can rot quickly has rotted; or the pile is dry or airless.",
        "By itself, a day after the pile is hot again.",
    ),
)
_AIR = (
    AlarmKind(
        "co2",
        CRITICAL,
        10 * MINUTE_S,
        15 * MINUTE_S,
        "The greenhouse air holds {} ppm of CO2, above your limit; the fan blows in no pile air.",
        "Ventilate before you go in, and do not go in alone. Check that the fan is really off.",
        "Pile air in a closed house; perhaps from a fan that runs unbidden.",
        "When you acknowledge it, after the air is clean.",
        "co2_ppm",
        latched=True,
    ),
    AlarmKind(
        "co2-probe",
        WARNING,
        10 * MINUTE_S,
        10 * MINUTE_S,
        "The CO2 probe is silent; the fan blows no pile air into the greenhouse until it reads again.",
        "Check the CO2 probe and its supply.",
        "A broken wire or a dead probe.",
        _BY_ITSELF,
    ),
    AlarmKind(
        "fan-stalled",
        WARNING,
        0.0,
        15 * MINUTE_S,
        "The fan is on but does not turn; it rests and is tried again, after longer pauses each time.",
        "Look for ice, water or a stuck wheel in the fan, then at its plug.",
        "Ice or condensate in the duct, a stuck bearing, a loose plug.",
        "By itself, a quarter of an hour after it turns again.",
    ),
    AlarmKind(
        "fan-speed",
        NOTICE,
        0.0,
        HOUR_S,
        "The fan's speed signal has never shown a turn though the fan is on.",
        "See whether the fan turns. If it does, check the wire of the speed signal; if not, its plug and fuse.",
        "A speed wire not connected, or a fan that has never run.",
        "By itself, an hour after a turn is seen.",
    ),
    AlarmKind(
        "fan-runs-on",
        CRITICAL,
        2 * MINUTE_S,
        15 * MINUTE_S,
        "The fan turns at {} turns a second though it is switched off.",
        "Pull its plug: it cools and dries the pile and fills the house with pile air. Then replace the switch.",
        "A switch that failed in the on position, or a strong draught through the duct.",
        "By itself, a quarter of an hour after it stands.",
        "fan_speed_hz",
    ),
    AlarmKind(
        "tank-change",
        WARNING,
        10 * MINUTE_S,
        6 * HOUR_S,
        "The tank, now at {} °C, has changed by more in a day than you allow.",
        "Where fish live: do not correct it quickly; add air. Warming has stopped; cooling the pump cannot mend.",
        "Too long a draw into a small tank, or a cold night without one.",
        "By itself, six hours after the change is within your limit.",
        "tank_c",
    ),
)
KINDS = (*_SENSORS, *_power("pump"), *_power("fan"), *_BATTERIES, *_WATER, *_PILE, *_AIR, *SLOW_KINDS)
