"""What unsafe means: every rule of the greenhouse in one table, judged on ground truth, commands and alarms.

A rule is broken when its condition has lasted longer than its time. The condition sees only the `View`: what is true
now, what
was commanded, which alarms stand. ``BY_DAY`` rules count all time in which it held, and forget it over a day.

A plant that cannot do its part (``View.lost``) excuses only the rules that ask for that part: a line may freeze
behind a dead
pump, but not without an alarm. Nothing excuses a false reading: what the controller was told wrongly still harms truly.
Numbers without a source are own judgement.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np

from controller.alarm_kinds_slow import SILENT
from controller.alarms import NAMING_CODES, RETURNED
from controller.phases import DRAINED, HOLD_OFF, MANUAL, PHASES, REST, WINDING_DOWN
from controller.power import LITHIUM
from sim import layout as at
from sim.greenhouse import air_temperature
from sim.kernel import C_DROPOUT, C_FITTED, S_CORE, S_SUPPLY
from sim.limits import LIMITS
from sim.media import CP_WATER as WATER_J_KG_K
from sim.media import LATENT_ICE
from sim.params import CHANNEL_KIND_ORDER
from sim.power import FAN_SIDE, PUMP_SIDE
from sim.water import water_c

if TYPE_CHECKING:
    from controller import Alarm, Commands, ControllerSettings, Decision
    from sim.plant import Plant

MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86400.0
WITHOUT_BREAK, BY_DAY = "without a break", "within a day"
LEASE_S = 2.0

# what a fault can take away, so that no rule asks for it
WATER, AIR, PILE, HOUSE = "water", "air", "pile", "house"
PUSHED_WATER, PUSHED_AIR = "pushed water", "pushed air"  # moves without a command
READINGS = "readings"  # something was read wrongly since the watch began: alarms may then be wrong in good faith

# alarms that tell of the same trouble: any of them will do
PUMP_CODES = {
    "no-flow", "no-heat", "flow-meter", "frost", "supply-stuck", "supply-probe", "pump-battery", "pump-battery-flat",
    "pump-battery-worn", "pump-supply-cut", "line-frozen",
}  # fmt: skip
PUMP_POWER_CODES = {"pump-battery", "pump-battery-flat", "pump-battery-worn", "pump-supply-cut", "frost"}
FAN_CODES = {
    "fan-stalled", "fan-speed", "fan-battery", "fan-battery-flat", "fan-battery-worn", "fan-supply-cut",
}  # fmt: skip
FAN_POWER_CODES = {"fan-battery", "fan-battery-flat", "fan-battery-worn", "fan-supply-cut"}
PILE_CODES = {
    "pile-cold", "pile-ending", "pile-probe", "floor-spent", "pile-airless", "pile-dry", "pile-spent", "core-pulled",
    "core-edge",
}  # fmt: skip
RUNS_ON_CODES = {"flow-while-off", "pump-runs-on", "thermosiphon"}
FROST_COST_CODES = {"frost-cost", "frost-drain"}  # say what a cold day costs, and blame nothing
# by which alarms a silent sensor may be told: its own, or one that stands for several
WIRE_CODES = {"all-silent", "probes-wire", "sensor-flickers"}
SILENCE_CODES = {
    "pile_core_c": {"core-probe", "pile-probe", "core-pulled"} | WIRE_CODES,
    "water_supply_c": {"supply-probe", "supply-stuck"} | WIRE_CODES,
    "greenhouse_co2": {"co2-probe"} | WIRE_CODES,
    "pump_battery_v": PUMP_POWER_CODES | WIRE_CODES,
    "fan_battery_v": FAN_POWER_CODES | WIRE_CODES,
    **{row[0]: {row[1]} | WIRE_CODES for row in SILENT},
}
SILENCE_CODES["fan_speed_hz"] |= FAN_CODES
CHANGES_PLACES = {
    "water_supply_c": "water_return_c", "water_return_c": "water_supply_c",
    "pile_core_c": "pile_edge_c", "pile_edge_c": "pile_core_c",
}  # fmt: skip

DAMAGE_V = {
    True: 10.0,
    False: 10.5,
}  # lithium; lead-acid: the usual cut-off of a 12 V battery under load (makers' data, from memory)
# Lead-acid freezes at -68, -36, -24 and -7 degC at 100, 50, 25 and 0 % charge (a maker's table, at second hand; flat:
# -7 to -12)
FREEZES_C = ((1.0, -68.0), (0.5, -36.0), (0.25, -24.0), (0.0, -7.0))
A_TENTH_ICE = -0.1 * LATENT_ICE  # J/kg of water in a pipe
LEGAL_CO2, LEGAL_CO2_SHORT = 5.0e-3, 3.0e-2  # OSHA PEL 5,000 ppm over 8 h, 30,000 ppm over 15 min (at second hand)
DRY_FLOW_KG_S = 0.003
# drawn in a day, a third of a kelvin of the whole pile: then a fall of 5 K has other causes (own judgement)
TRIFLE_J_KG = 1000.0
# a pile that was no warmer has nothing to lose (own judgement); what pulses take from it has a rule of its own
DEAD_C = 30.0
ICE_OF_LATE_S = 30 * MINUTE_S  # a pulse thaws the line, and the next one is due before it freezes again
Standing = frozenset[tuple[str, str]]  # alarms that stand, and which parts they name


class View:
    """What the rules look at, set anew at every step. Truth unless said otherwise; SI; duties 0..1 as commanded."""

    __slots__ = (
        "s", "fitted", "lithium_pump", "lithium_fan", "heater", "lost", "dead", "time_s", "dt_s", "pump", "fan",
        "next_s",
        "phase", "limit", "reason", "codes", "est_core_c", "est_sd_c", "turns", "fan_turns", "latched_pump",
        "latched_fan",
        "pump_v", "fan_v", "flow_kg_s", "fan_kg_s", "core_c", "made_w", "frozen", "supply_c", "return_c", "house_c",
        "out_c",
        "tank_c", "co2", "pump_soc", "fan_soc", "coldest_j_kg", "moisture", "battery_c", "pump_charges",
        "fan_charges", "tank_change_k", "silent_core", "silent_supply", "starts_h", "starts_day", "raised_10min",
        "raised_h",
        "core_fall_k", "day_drawn_j", "day_ice_j", "day_made_j", "safe", "sound", "tank_fall_k", "rh", "pile_o2", "silent",
        "true_readings", "record_kept", "fan_starts_h", "standing", "probe_c", "old_ice",
    )  # fmt: skip

    def able(self, what: str) -> bool:
        """Whether the plant can still do its part of ``what``."""
        return what not in self.lost

    @property
    def drawing(self) -> bool:
        """Whether the pump is commanded for heat, not against frost and not by hand."""
        return self.pump > 0.0 and self.limit != "frost" and self.phase != MANUAL

    @property
    def pump_power_good(self) -> bool:
        """Whether the pump's supply could drive it."""
        return self.pump_soc > 0.4 and not self.latched_pump

    def told(self, codes: set[str]) -> bool:
        """Whether one of these alarms stands."""
        return not codes.isdisjoint(self.codes)

    @property
    def told_truly(self) -> bool:
        """Whether the controller has read nothing false, so that its alarms must be right."""
        return self.true_readings and READINGS not in self.lost

    def silence_told(self, sensor: str) -> bool:
        """Whether the silence of a sensor is told: by the other's name where two may have changed places."""
        return self.told(SILENCE_CODES[sensor]) or (
            READINGS in self.lost and sensor in CHANGES_PLACES and self.told(SILENCE_CODES[CHANGES_PLACES[sensor]])
        )

    def has(self, sensor: str) -> bool:
        """Whether a sensor is fitted."""
        return sensor in self.fitted


@dataclass(frozen=True, slots=True)
class Rule:
    """One thing that may not be for longer than ``for_s``."""

    code: str
    text: str
    for_s: float
    broken: Callable[[View], bool]
    count: str = WITHOUT_BREAK


def _no_water(v: View) -> bool:
    """The pump turns, by our command, and nothing moves."""
    return v.turns and v.pump > 0.0 and v.flow_kg_s < DRY_FLOW_KG_S


def _could_circulate(v: View) -> bool:
    return v.able(WATER) and v.pump_power_good and v.phase != DRAINED and v.core_c > v.s.pile_floor_c + 2.0


def _could_heat(v: View) -> bool:
    """A hot pile, a pump with power: the crop need not freeze. A pile at the edge of its budget excuses nothing of this."""
    ready = v.phase not in (HOLD_OFF, DRAINED, MANUAL, REST) and v.core_c > v.s.pile_floor_c + 10.0
    return ready and v.able(WATER) and v.able(HOUSE) and v.pump_power_good


RULES: tuple[Rule, ...] = (
    # --- the pile
    Rule("floor-draw", "heat is drawn from a core more than 2 K below its floor", 6 * HOUR_S,
         lambda v: v.drawing and v.flow_kg_s > 0.0 and v.core_c < v.s.pile_floor_c - 2.0 and v.limit != "crop", BY_DAY),
    Rule("floor-draw-deep", "heat is drawn from a core below 40 °C, whatever for but frost", HOUR_S,
         lambda v: v.drawing and v.flow_kg_s > 0.0 and v.core_c < 40.0),
    Rule("frost-eats-pile", "pulses against frost keep taking heat from a core below 30 °C", 4 * HOUR_S,
         lambda v: v.pump > 0.0 and v.limit == "frost" and v.flow_kg_s > 0.0 and 20.0 < v.core_c < 30.0, BY_DAY),
    Rule("overdraw", "the core fell 5 K in a day in which more was drawn than made, and no trifle, to less than 10 K above"
         " its floor; what pulses against ice take by the order of giving way is left out where the grower is told of it",
         6 * HOUR_S,
         lambda v: v.core_fall_k > 5.0 and v.core_c < v.s.pile_floor_c + 10.0
         and v.day_drawn_j - v.day_ice_j > v.day_made_j
         and v.day_drawn_j - v.day_ice_j > TRIFLE_J_KG * v.s.pile_wet_mass_kg
         and v.core_c + v.core_fall_k > DEAD_C and v.phase != WINDING_DOWN and v.able(PILE) and v.able(PUSHED_WATER)
         and v.able(PUSHED_AIR)),
    Rule("hold-off-draw", "heat is drawn before the pile was ever hot for long", 0.0,
         lambda v: v.drawing and v.phase == HOLD_OFF),
    Rule("rest-draw", "heat is drawn from a pile at rest, and nobody ranked the crop above it", 0.0,
         lambda v: v.drawing and v.phase == REST and v.limit not in ("crop", "start", "no-flow")),
    Rule("ending-draw", "heat is drawn from a pile that is given up as ending", 0.0,
         lambda v: v.drawing and v.phase == WINDING_DOWN and v.limit not in ("start", "no-flow")),
    Rule("drained-pump", "the pump runs in a drained loop", 0.0, lambda v: v.pump > 0.0 and v.phase == DRAINED),
    Rule("blind-draw", "heat is drawn though no pile probe has read for a quarter of an hour", 15 * MINUTE_S,
         lambda v: v.drawing and v.silent_core and v.phase == "faulted"),
    Rule("cold-fan", "the fan runs most of a day on a core below 40 °C", 12 * HOUR_S,
         lambda v: v.fan > 0.0 and v.fan_turns and v.core_c < 40.0, BY_DAY),
    Rule("dry-fan", "the fan keeps drying a core below 35 % moisture", 6 * HOUR_S,
         lambda v: v.fan > 0.0 and v.fan_turns and v.moisture < 0.35, BY_DAY),
    Rule("hot-untold", "the core is above 78 °C for a day and nobody is told", DAY_S,
         lambda v: v.core_c > 78.0 and "pile-hot" not in v.codes),
    Rule("cold-untold", "the core is 5 K below its floor for a day and nobody is told, save at rest by a false reading",
         DAY_S,
         lambda v: v.core_c < v.s.pile_floor_c - 5.0 and v.phase != HOLD_OFF and not (v.phase == REST and not v.told_truly)
         and not v.told(PILE_CODES | RUNS_ON_CODES | {"fan-runs-on"})),
    Rule("lost-core", "the core is believed 10 K warmer than it is, for a day of drawing", DAY_S,
         lambda v: v.est_core_c > v.core_c + 10.0 and v.phase not in (HOLD_OFF, REST, WINDING_DOWN)
         and v.day_drawn_j > TRIFLE_J_KG * v.s.pile_wet_mass_kg and v.able(PUSHED_WATER)),
    Rule("no-estimate", "nothing is believed of the core for an hour though its probe reads truly", HOUR_S,
         lambda v: v.est_core_c != v.est_core_c and v.has("pile_core_c") and not v.silent_core and v.told_truly
         and not v.dead),
    Rule("airless-untold", "the pile has had no oxygen for two days, a probe is fitted, and nobody is told", 2 * DAY_S,
         lambda v: v.pile_o2 < 0.02 and v.has("pile_o2") and v.phase != HOLD_OFF and v.told_truly and not v.dead
         and not v.told({"pile-airless", "oxygen-silent", "all-silent"})),
    Rule("sure-and-wrong", "the core is believed within 1 K and is more than 8 K off", DAY_S,
         lambda v: v.est_sd_c < 1.0 and abs(v.est_core_c - v.core_c) > 8.0),
    # --- water
    Rule("dry-run", "the pump turns without a break and no water moves", 5 * MINUTE_S,
         _no_water),
    Rule("dry-run-day", "the pump turns without water for more than 40 minutes in a day", 40 * MINUTE_S, _no_water,
    BY_DAY),
    Rule("no-water-untold", "the pump was commanded for an hour without water and nobody is told", HOUR_S,
         lambda v: v.pump > 0.0 and v.flow_kg_s < DRY_FLOW_KG_S and not v.told(PUMP_CODES), BY_DAY),
    Rule("pump-hums", "the pump is commanded, has power, and stands", 15 * MINUTE_S,
         lambda v: v.pump > 0.0 and not v.turns and v.pump_power_good),
    Rule("frozen-line", "the line froze though heat and power were there to keep it open", 30 * MINUTE_S,
         lambda v: v.frozen and _could_circulate(v) and not v.old_ice),
    Rule("freezing-line", "a tenth of some pipe's water is ice though heat and power were there", 2 * HOUR_S,
         lambda v: v.coldest_j_kg < A_TENTH_ICE and _could_circulate(v) and not v.old_ice),
    Rule("ice-pump", "the pump is driven against a line full of ice", 10 * MINUTE_S,
    lambda v: v.frozen and v.pump > 0.0),
    Rule("ice-untold", "the pump was driven against a frozen line and nobody is told", 10 * MINUTE_S,
         lambda v: v.frozen and v.pump > 0.0 and not v.told(PUMP_CODES), BY_DAY),
    Rule("frozen-untold", "the line is frozen for a day and nobody is told", DAY_S,
         lambda v: v.frozen and not v.told(PUMP_CODES) and v.phase != DRAINED),
    Rule("scald", "water above the scald limit is sent for longer than the guard allows", 10 * MINUTE_S,
         lambda v: v.pump > 0.0 and v.flow_kg_s > 0.0 and v.supply_c > v.s.supply_max_c + 1.0),
    Rule("scald-day", "more than two hours of too hot water in a day", 2 * HOUR_S,
         lambda v: v.pump > 0.0 and v.flow_kg_s > 0.0 and v.supply_c > v.s.supply_max_c + 1.0, BY_DAY),
    Rule("scald-far", "water 20 K above the scald limit is sent", 2 * MINUTE_S,
         lambda v: v.pump > 0.0 and v.flow_kg_s > 0.0 and v.supply_c > v.s.supply_max_c + 20.5),
    Rule("scald-untold", "an hour of too hot water in a day and nobody is told", HOUR_S,
         lambda v: v.flow_kg_s > 0.0 and v.supply_c > v.s.supply_max_c + 1.0 and "scald" not in v.codes
         and not v.told({"supply-probe", "supply-stuck", "no-heat", *RUNS_ON_CODES}), BY_DAY),
    Rule("boiling", "the loop boils", MINUTE_S, lambda v: v.supply_c > 99.0 or v.return_c > 99.0),
    Rule("flood", "three times the flow that was asked for is held", HOUR_S,
         lambda v: v.pump > 0.0 and v.flow_kg_s > 3.0 * max(v.s.flow_target_kg_s, 0.1 * v.s.pump_full_flow_kg_s)
         and v.limit != "scald" and v.able(PUSHED_WATER)),
    Rule("starts-hour", "the pump is started more than twenty times in an hour", 0.0, lambda v: v.starts_h > 20),
    Rule("starts-day", "the pump is started more than two hundred times in a day", 0.0, lambda v: v.starts_day > 200),
    Rule("runs-on-untold", "water moves for six hours with the pump off, a meter is fitted and reads, and nobody is told",
    6 * HOUR_S,
         lambda v: v.pump <= 0.0 and v.flow_kg_s > 0.02 and v.has("water_flow_kg_s")
         and "water_flow_kg_s" not in v.silent and not v.told(RUNS_ON_CODES) and not v.dead),
    Rule("tank-fast", "the tank was warmed faster than its fish bear", HOUR_S,
         lambda v: v.tank_change_k > v.s.tank_change_max_k + 1.0 and v.drawing and v.has("tank_c")),
    Rule("tank-chilled", "the draw cools the tank faster than its fish bear", HOUR_S,
         lambda v: v.tank_fall_k > v.s.tank_change_max_k + 1.0 and v.drawing and v.flow_kg_s > 0.0
         and v.supply_c < v.tank_c - 1.0 and v.has("tank_c")),
    Rule("chills-house", "the draw carries heat from the house into the pile for two hours", 2 * HOUR_S,
         lambda v: v.drawing and v.flow_kg_s > 0.02 and v.supply_c < v.return_c - 1.0),
    Rule("backflow-untold", "water circulates by itself for half a day, meter and supply probe are fitted, and nobody is"
         " told", 12 * HOUR_S,
         lambda v: v.pump <= 0.0 and 0.006 < v.flow_kg_s and v.has("water_flow_kg_s") and v.has("water_supply_c")
         and v.told_truly and not v.dead and not v.told(RUNS_ON_CODES)),
    Rule("tank-untold", "the tank changes faster than its fish bear and nobody is told", 3 * HOUR_S,
         lambda v: v.tank_change_k > v.s.tank_change_max_k + 1.0 and v.has("tank_c") and "tank-change" not in v.codes),
    Rule("tank-hot", "the loop heats the tank above 40 °C", HOUR_S,
         lambda v: v.tank_c > 40.0 and v.flow_kg_s > 0.0 and v.pump > 0.0),
    # --- power
    Rule("pump-battery-killed", "the pump's battery is driven below its damage voltage", 10 * MINUTE_S,
         lambda v: v.pump > 0.0 and v.turns and v.pump_v < DAMAGE_V[v.lithium_pump]),
    Rule("fan-battery-killed", "the fan's battery is driven below its damage voltage", 10 * MINUTE_S,
         lambda v: v.fan > 0.0 and v.fan_turns and v.fan_v < DAMAGE_V[v.lithium_fan]),
    Rule("pump-battery-spent", "the pump's battery is below a tenth and heat is still drawn", HOUR_S,
         lambda v: v.drawing and v.turns and v.pump_soc < 0.1),
    Rule("fan-battery-spent", "the fan's battery is below a tenth and the fan still runs", HOUR_S,
         lambda v: v.fan > 0.0 and v.fan_turns and v.fan_soc < 0.1),
    Rule("pump-flat-untold", "the pump's battery is below a tenth for twelve hours and nobody is told", 12 * HOUR_S,
         lambda v: v.pump_soc < 0.1 and v.has("pump_battery_v") and not v.told(PUMP_POWER_CODES)),
    Rule("fan-flat-untold", "the fan's battery is below a tenth for twelve hours and nobody is told", 12 * HOUR_S,
         lambda v: v.fan_soc < 0.1 and v.has("fan_battery_v") and not v.told(FAN_POWER_CODES)),
    Rule("pump-latch-untold", "the pump is commanded on a latched supply for an hour and nobody is told", HOUR_S,
         lambda v: v.latched_pump and v.pump > 0.0 and not v.told(PUMP_CODES), BY_DAY),
    Rule("fan-latch-untold", "the fan is commanded on a latched supply for two hours and nobody is told", 2 * HOUR_S,
         lambda v: v.latched_fan and v.fan > 0.0 and v.has("fan_battery_v") and not v.told(FAN_CODES), BY_DAY),
    Rule("lithium-cold-untold", "a lithium battery is charged below freezing and nobody is told", 3 * HOUR_S,
         lambda v: v.battery_c < -1.0 and ((v.lithium_pump and v.pump_charges) or (v.lithium_fan and v.fan_charges))
         and "battery-cold" not in v.codes, BY_DAY),
    Rule("battery-freezes-untold", "a lead-acid battery freezes and nobody is told", 6 * HOUR_S,
         lambda v: not v.told({"battery-freeze"}) and (
             (not v.lithium_pump and v.has("pump_battery_v") and _freezes(v.pump_soc, v.battery_c))
             or (not v.lithium_fan and v.has("fan_battery_v") and _freezes(v.fan_soc, v.battery_c)))),
    # --- house and crop
    Rule("co2-limit", "pile air is blown in though CO2 is above the set limit", 30 * MINUTE_S,
         lambda v: v.fan > 0.0 and v.fan_kg_s > 0.0 and v.co2 > 1.3 * v.s.co2_max and v.has("greenhouse_co2")),
    Rule("co2-work", "our fan holds the house above 5,000 ppm of CO2 for eight hours", 8 * HOUR_S,
         lambda v: v.fan > 0.0 and v.co2 > LEGAL_CO2),
    Rule("co2-faint", "our fan holds the house above 30,000 ppm of CO2", 15 * MINUTE_S,
         lambda v: v.fan > 0.0 and v.co2 > LEGAL_CO2_SHORT),
    Rule("co2-untold", "CO2 is half above the limit for an hour, a probe is fitted, and nobody is told", HOUR_S,
         lambda v: v.co2 > 1.5 * v.s.co2_max and v.has("greenhouse_co2") and not v.told({"co2", "co2-probe"})),
    Rule("wet-house-fan", "pile air is blown into a house at 98.5 % humidity, a probe is fitted", 4 * HOUR_S,
         lambda v: v.fan > 0.0 and v.fan_kg_s > 0.0 and v.rh > 0.985 and v.has("greenhouse_rh") and v.told_truly, BY_DAY),
    Rule("crop-untold", "the house freezes for two hours, its probe reads, and no alarm at all stands", 2 * HOUR_S,
         lambda v: v.house_c < -0.5 and v.has("greenhouse_c") and not v.codes and not v.dead),
    Rule("hot-house-fan", "the fan heats a house 3 K above its ceiling", HOUR_S,
         lambda v: v.fan > 0.0 and v.fan_kg_s > 0.0 and v.house_c > v.s.greenhouse_ceiling_c + 3.0),
    Rule("hot-house-pump", "the pump heats a house 3 K above its ceiling", HOUR_S,
         lambda v: v.drawing and v.flow_kg_s > 0.0 and v.house_c > v.s.greenhouse_ceiling_c + 3.0),
    Rule("crop-cold", "the crop is 2 K below its minimum for six hours, the pile is hot, and nothing is drawn",
    6 * HOUR_S,
         lambda v: v.house_c < v.s.greenhouse_min_c - 2.0 and v.pump <= 0.0 and _could_heat(v)),
    Rule("crop-frozen", "the house freezes, the pile is hot, and nothing is drawn", 2 * HOUR_S,
         lambda v: v.house_c < 0.0 and v.pump <= 0.0 and _could_heat(v)),
    Rule("fan-stands-untold", "the fan is commanded for an hour and stands, its speed is read, and nobody is told",
    HOUR_S,
         lambda v: v.fan > 0.0 and not v.fan_turns and v.has("fan_speed_hz") and not v.told(FAN_CODES), BY_DAY),
    Rule("fan-runs-on-untold", "the fan turns for an hour without a command, its speed is read, and nobody is told",
    HOUR_S,
         lambda v: v.fan <= 0.0 and v.fan_turns and v.has("fan_speed_hz") and "fan-runs-on" not in v.codes
         and not v.told(FAN_CODES | {"fan-speed-silent"}) and not v.dead),
    Rule("fan-blind", "the fan runs though no pile probe reads", 15 * MINUTE_S,
         lambda v: v.fan > 0.0 and v.silent_core and v.phase == "faulted"),
    # --- sensors
    Rule("core-silent-untold", "the core probe is silent for two hours and nobody is told", 2 * HOUR_S,
         lambda v: v.silent_core and v.has("pile_core_c") and not v.silence_told("pile_core_c") and not v.dead),
    Rule("supply-silent-untold", "the supply probe is silent for two hours and nobody is told", 2 * HOUR_S,
         lambda v: v.silent_supply and v.has("water_supply_c") and not v.silence_told("water_supply_c") and not v.dead),
    Rule("silence-untold", "a sensor is silent for three hours and nobody is told", 3 * HOUR_S,
         lambda v: any(not v.silence_told(name) for name in v.silent) and not v.dead),
    # --- alarms that stand and are wrong though every reading was true; a latched one that ended is right to be shown
    Rule("wrong-no-flow", "it is told that no water moves while half of the wanted flow does", HOUR_S,
         lambda v: not v.standing.isdisjoint({"no-flow", "no-heat", "line-frozen"}) and v.pump > 0.0 and v.turns
         and v.flow_kg_s > 0.5 * v.s.flow_target_kg_s),
    Rule("wrong-frozen", "it is told that the line is frozen while no water in it is below 4 °C", DAY_S,
         lambda v: "line-frozen" in v.standing and v.coldest_j_kg > 4.0 * WATER_J_KG_K and v.able(WATER) and v.told_truly),
    Rule("wrong-scald", "too hot water is told though for eight days it never came within 10 K of the limit", 8 * DAY_S,
         lambda v: "scald" in v.standing and v.supply_c < v.s.supply_max_c - 10.0 and v.told_truly),
    Rule("wrong-cold-pile", "the pile is called cold for a day while its core is 12 K above the floor, and so is its probe",
         DAY_S, lambda v: "pile-cold" in v.standing and v.core_c > v.s.pile_floor_c + 12.0 and v.told_truly
         and v.probe_c > v.s.pile_floor_c + 6.0),
    Rule("wrong-ending", "a pile is called ending for a week while its core is 15 K above the floor", 7 * DAY_S,
         lambda v: "pile-ending" in v.standing and v.core_c > v.s.pile_floor_c + 15.0 and v.told_truly),
    Rule("wrong-hot-pile", "the pile is called too hot for a day while its core is below 60 °C", DAY_S,
         lambda v: "pile-hot" in v.standing and v.core_c < 60.0 and v.told_truly),
    Rule("wrong-co2", "too much CO2 is told for three hours while there is half of the limit", 3 * HOUR_S,
         lambda v: "co2" in v.standing and v.co2 < 0.5 * v.s.co2_max and v.told_truly),
    Rule("wrong-flat-pump", "the pump's sound battery is called flat for a day while it is nine tenths full", DAY_S,
         lambda v: "pump-battery-flat" in v.standing and v.pump_soc > 0.9 and v.able(WATER) and v.told_truly),
    Rule("wrong-flat-fan", "the fan's sound battery is called flat for a day while it is nine tenths full", DAY_S,
         lambda v: "fan-battery-flat" in v.standing and v.fan_soc > 0.9 and v.able(AIR) and v.told_truly),
    Rule("wrong-stalled", "the fan is called stalled for an hour while it runs as commanded", HOUR_S,
         lambda v: "fan-stalled" in v.standing and v.fan > 0.0 and v.fan_turns and v.told_truly),
    # --- commands, alarms, program
    Rule("hand-run-stays", "a hand-run goes on for longer than any may be asked for", 35 * MINUTE_S,
         lambda v: v.phase == MANUAL),
    Rule("fan-starts-hour", "the fan is started more than twenty times in an hour", 0.0, lambda v: v.fan_starts_h > 20),
    Rule("alarms-crowd", "more than twelve alarms stand for a day: one cause, one notice", DAY_S,
         lambda v: len(v.codes) > 12),
    Rule("alarm-forgotten", "an alarm that stands forgot since when, or how often it came up", 0.0,
         lambda v: not v.record_kept),
    Rule("duty-range", "a duty is not a number from 0 to 1", 0.0,
         lambda v: not (0.0 <= v.pump <= 1.0 and 0.0 <= v.fan <= 1.0)),
    Rule("next-range", "the controller asks for a step outside 1 to 60 s", 0.0, lambda v: not 1.0 <= v.next_s <= 60.0),
    Rule("no-reason", "a decision gives no reason in words", 0.0, lambda v: not v.reason),
    Rule("odd-limit", "a decision names a limit that nobody knows", 0.0, lambda v: v.limit not in LIMITS),
    Rule("odd-phase", "a decision names a phase that nobody knows", 0.0, lambda v: v.phase not in PHASES),
    Rule("odd-estimate", "the estimate claims an uncertainty below nothing", 0.0, lambda v: v.est_sd_c < 0.0),
    Rule("wordless-alarm", "an alarm does not say what was seen and what to do", 0.0, lambda v: not v.sound),
    Rule("alarm-flood", "more than ten alarms come up in ten minutes", 0.0, lambda v: v.raised_10min > 10),
    Rule("alarm-chatter", "one alarm comes up more than four times in an hour", 0.0, lambda v: v.raised_h > 4),
    Rule("dead-outputs", "an output is on longer than its lease while the controller is dead", LEASE_S,
         lambda v: v.dead and not v.safe and v.able(PUSHED_WATER) and v.able(PUSHED_AIR)),
)  # fmt: skip
CODES = tuple(rule.code for rule in RULES)
SLOW_EVERY_S = 300.0  # what changes slowly is looked up so often; the rules are judged at every step


def _freezes(charge: float, battery_c: float) -> bool:
    """Lead-acid: the table's points joined by straight lines."""
    for (above, cold_c), (below, mild_c) in zip(FREEZES_C, FREEZES_C[1:], strict=False):
        if charge >= below:
            return battery_c < mild_c + (cold_c - mild_c) * (min(charge, 1.0) - below) / (above - below)
    return battery_c < FREEZES_C[-1][1]


@dataclass(frozen=True, slots=True)
class Break:
    """A rule that was broken: when, [s] since the watch began, and what the state was."""

    code: str
    at_s: float
    text: str
    state: str


class Clockwork:
    """For how long each of some rules has been on the way to being broken."""

    __slots__ = ("_rules", "_tests", "held_s")

    def __init__(self, rules: tuple[Rule, ...]) -> None:
        self._rules = rules
        self._tests = tuple(rule.broken for rule in rules)
        self.held_s = [0.0] * len(rules)

    def turn(self, v: View, dt_s: float) -> list[Rule]:
        """Count ``dt_s`` for every rule; return those that are broken now."""
        held_s, over = self.held_s, []
        for i, test in enumerate(self._tests):
            if test(v):
                held_s[i] += dt_s
                if held_s[i] > self._rules[i].for_s:
                    over.append(self._rules[i])
            elif held_s[i]:
                rule = self._rules[i]
                held_s[i] = max(0.0, held_s[i] - dt_s * rule.for_s / DAY_S) if rule.count == BY_DAY else 0.0
        return over


class Window:
    """How often something happened within the last ``span_s``."""

    __slots__ = ("_span_s", "_times_s")

    def __init__(self, span_s: float) -> None:
        self._span_s = span_s
        self._times_s: list[float] = []

    def add(self, now_s: float, times: int = 1) -> None:
        """Note that it happened now."""
        self._times_s += [now_s] * times

    def count(self, now_s: float) -> int:
        """How often, up to now."""
        times_s = self._times_s
        while times_s and times_s[0] < now_s - self._span_s:
            times_s.pop(0)
        return len(times_s)


class Rules:
    """Watches one plant under one controller and keeps every rule that was broken, once each, in ``breaks``.

    ``observe`` is called after every step of the plant. ``lost`` is what faults have taken from the plant.
    """

    def __init__(self, plant: Plant, settings: ControllerSettings) -> None:
        self._plant, self._settings = plant, settings
        self.breaks: dict[str, Break] = {}
        self._clockwork = Clockwork(RULES)
        self._since_slow_s = SLOW_EVERY_S  # the first step sees everything
        self._day = DayBook()
        self._ice_at_s, self._ice_j = -ICE_OF_LATE_S, 0.0
        self._events = Events()
        self._sound_sensors = plant.sensors.copy()
        self.elapsed_s = 0.0
        self.view = v = View()
        v.true_readings, v.old_ice = True, False
        scenario = plant.scenario
        v.s, v.fitted, v.heater = settings, frozenset(scenario.sensors.fitted), bool(scenario.greenhouse.backup)
        v.lithium_pump = scenario.pump_power.kind == LITHIUM
        v.lithium_fan = scenario.fan_power.kind == LITHIUM

    def observe(
        self,
        decision: Decision,
        dt_s: float,
        lost: frozenset[str] = frozenset(),
        dead: bool = False,
        switched: Commands | None = None,
    ) -> None:
        """Judge the step of ``dt_s`` [s] that the plant has just made under ``decision``.

        ``dead``: no controller is at work; ``switched``: what the outputs really were, when not what was decided.
        """
        v = self.view
        self.elapsed_s += dt_s
        self._since_slow_s += dt_s
        self._see_decision(decision, lost, dead, switched)
        self._see_plant()
        self._events.follow(v, decision, self.elapsed_s)
        self._count_pulse(dt_s)
        if self._since_slow_s >= SLOW_EVERY_S:
            self._see_slowly()
            self._since_slow_s = 0.0
        self._note(self._clockwork.turn(v, dt_s))

    def _count_pulse(self, dt_s: float) -> None:
        """Keep the heat that went into pulses while ice was in the line and the grower was told what they cost."""
        v = self.view
        ice_of_late = self.elapsed_s - self._ice_at_s < ICE_OF_LATE_S
        if v.limit == "frost" and v.pump > 0.0 and ice_of_late and v.told(FROST_COST_CODES):
            self._ice_j += max(v.flow_kg_s * WATER_J_KG_K * (v.supply_c - v.return_c), 0.0) * dt_s

    def _note(self, rules: list[Rule]) -> None:
        for rule in rules:
            if rule.code not in self.breaks:
                self.breaks[rule.code] = Break(rule.code, self.elapsed_s, rule.text, state_text(self.view))

    def _see_decision(self, d: Decision, lost: frozenset[str], dead: bool, switched: Commands | None) -> None:
        v, on = self.view, d.commands
        v.lost, v.dead, v.time_s = lost, dead, self.elapsed_s
        v.safe = not (dead and switched is not None and (switched.pump_duty > 0.0 or switched.fan_duty > 0.0))
        v.pump, v.fan = (0.0, 0.0) if dead else (on.pump_duty, on.fan_duty)
        v.next_s, v.phase, v.limit, v.reason = d.next_s, d.phase, d.limit, d.reason
        v.est_core_c, v.est_sd_c = d.estimate.core_c, d.estimate.core_sd_c

    def _see_plant(self) -> None:
        v, plant = self.view, self._plant
        y, p, flags = plant.state, plant.params, plant.flags.tolist()
        v.turns, v.fan_turns = flags[at.G_PUMP_RUNS] > 0.5, flags[at.G_FAN_RUNS] > 0.5
        v.latched_pump, v.latched_fan = flags[at.G_LATCHED_PUMP] > 0.5, flags[at.G_LATCHED_FAN] > 0.5
        v.pump_v, v.fan_v = flags[at.G_VOLTS_PUMP], flags[at.G_VOLTS_FAN]
        v.flow_kg_s, v.fan_kg_s = flags[at.G_FLOW_KG_S], flags[at.G_FAN_KG_S]
        v.core_c, v.made_w, v.frozen = flags[at.G_CORE_C], flags[at.G_MADE_W], flags[at.G_FROZEN] > 0.5
        v.supply_c = water_c(y[at.Y_RING + at.RING_SUPPLY])
        v.return_c = water_c(y[at.Y_RING + at.RING - 1])
        v.house_c = air_temperature(y[at.Y_AIR], p[at.P_HOUSE_AIR_KG], y[at.Y_VAPOUR])
        v.co2 = y[at.Y_CO2]
        v.pump_soc = y[at.Y_CHARGE + PUMP_SIDE] / p[at.P_BAT_CAPACITY + PUMP_SIDE]
        v.fan_soc = y[at.Y_CHARGE + FAN_SIDE] / p[at.P_BAT_CAPACITY + FAN_SIDE]

    def _see_slowly(self) -> None:
        v, plant = self.view, self._plant
        y, p = plant.state, plant.params
        v.out_c = plant.truth.outdoor_c
        v.silent_core, v.silent_supply = _silent(plant, S_CORE), _silent(plant, S_SUPPLY)
        v.silent = tuple(n for k, n in enumerate(CHANNEL_KIND_ORDER) if n in v.fitted and _silent(plant, k))
        v.true_readings = v.true_readings and np.array_equal(plant.sensors, self._sound_sensors)
        v.probe_c = plant.true_reading("pile_core_c")
        v.rh, v.pile_o2 = plant.truth.greenhouse_rh, plant.true_reading("pile_o2")
        v.tank_c = float(y[at.Y_POND] / p[at.P_POND_CAPACITY])
        v.coldest_j_kg = float(y[at.Y_RING + at.RING_SUPPLY : at.Y_RING + at.RING].min())
        # in frost it stays when the fault that let it form is over, and no pump moves it
        formed = v.coldest_j_kg < A_TENTH_ICE and not _could_circulate(v)
        v.old_ice = v.coldest_j_kg < 0.0 and (v.old_ice or formed)
        water, solids = float(y[at.Y_WATER]), float(y[at.Y_FAST] + y[at.Y_SLOW] + p[at.P_SHELL_SOLIDS])
        v.moisture = water / (water + solids)
        shed_c = 0.5 * (v.out_c + p[at.P_GROUND_C])
        chill_k = max(p[at.P_BAT_CHILL_K + PUMP_SIDE], p[at.P_BAT_CHILL_K + FAN_SIDE])
        v.battery_c = max(shed_c - chill_k, min(shed_c, v.out_c))
        if v.coldest_j_kg < 0.0:
            self._ice_at_s = self.elapsed_s
        self._day.follow(v, plant.ledger, self.elapsed_s, self._ice_j)


def _silent(plant: Plant, row: int) -> bool:
    """Whether a probe gives no reading at all now."""
    sensors = plant.sensors
    return bool(sensors[row, C_FITTED] < 0.5 or sensors[row, C_DROPOUT] >= 1.0)


def standing_of(alarms: tuple[Alarm, ...]) -> Standing:
    """Return which alarms stand; one that names another part than before is another one."""
    return frozenset((a.code, a.seen if a.code in NAMING_CODES else "") for a in alarms)


class Events:
    """Starts of pump and fan, and alarms that come up."""

    __slots__ = ("_alarms", "_blows", "_codes", "_fan_h", "_hour", "_last", "_on", "_seen", "_standing",
                 "_starts_day", "_starts_h", "_told")  # fmt: skip

    def __init__(self) -> None:
        self._starts_h, self._starts_day, self._last = Window(HOUR_S), Window(DAY_S), Window(10 * MINUTE_S)
        self._fan_h, self._blows = Window(HOUR_S), False
        self._hour: dict[str, Window] = {}
        self._seen: dict[str, tuple[int, float]] = {}  # how often and since when, by code
        self._alarms: object = None
        self._codes: frozenset[str] = frozenset()
        self._told: Standing = frozenset()
        self._standing: frozenset[str] = frozenset()
        self._on = False

    def follow(self, v: View, decision: Decision, now_s: float) -> None:
        """Take one step."""
        if (v.pump > 0.0) and not self._on:
            self._starts_h.add(now_s)
            self._starts_day.add(now_s)
        self._on = v.pump > 0.0
        v.starts_h, v.starts_day = self._starts_h.count(now_s), self._starts_day.count(now_s)
        if v.fan > 0.0 and not self._blows:
            self._fan_h.add(now_s)
        self._blows = v.fan > 0.0
        v.fan_starts_h = self._fan_h.count(now_s)
        if v.dead:  # a new program may begin to count anew
            self._seen.clear()
        if decision.alarms is not self._alarms:
            self._take(v, decision, now_s)
        v.codes, v.standing, v.raised_10min = self._codes, self._standing, self._last.count(now_s)

    def _take(self, v: View, decision: Decision, now_s: float) -> None:
        told = standing_of(decision.alarms)
        new = told - self._told
        self._last.add(now_s, len(new))
        v.raised_h = 0
        for code, _ in new:
            hour = self._hour.setdefault(code, Window(HOUR_S))
            hour.add(now_s)
            v.raised_h = max(v.raised_h, hour.count(now_s))
        v.sound = all(a.seen and a.do and isfinite(a.since_s) for a in decision.alarms)
        v.record_kept = all(_follows_on(self._seen.get(a.code), a.count, a.since_s) for a in decision.alarms)
        self._seen |= {a.code: (a.count, a.since_s) for a in decision.alarms if not v.dead}
        self._alarms, self._told, self._codes = decision.alarms, told, frozenset(a.code for a in decision.alarms)
        self._standing = frozenset(a.code for a in decision.alarms if a.state != RETURNED)


def _follows_on(before: tuple[int, float] | None, count: int, since_s: float) -> bool:
    """Whether an alarm is the one it was, or has come up again since."""
    return before is None or count > before[0] or (count, since_s) == before


class DayBook:
    """What changed within the last 24 hours, from a note every few minutes."""

    __slots__ = ("_notes",)

    def __init__(self) -> None:
        self._notes: list[tuple[float, float, float, float, float, float, float, float]] = []

    def follow(self, v: View, ledger: object, now_s: float, ice_j: float) -> None:
        """Take a note and set what follows from the oldest of the last day."""
        totals = ledger
        now = (
            now_s, v.core_c, v.tank_c, totals[at.L_DRAWN], totals[at.L_MADE],  # type: ignore[index]
            v.pump_soc, v.fan_soc, ice_j,
        )  # fmt: skip
        notes = self._notes
        last = notes[-1] if notes else now
        notes.append(now)
        while notes[0][0] < now_s - DAY_S:
            notes.pop(0)
        first = notes[0]
        whole = now_s - first[0] > 0.9 * DAY_S
        v.core_fall_k = first[1] - v.core_c if whole else 0.0
        tanks_c = [n[2] for n in notes[::12]]
        v.tank_change_k = v.tank_c - min(tanks_c) if whole else 0.0
        v.tank_fall_k = max(tanks_c) - v.tank_c if whole else 0.0
        v.day_drawn_j, v.day_made_j = float(now[3] - first[3]), float(now[4] - first[4])
        v.day_ice_j = ice_j - first[7]
        v.pump_charges, v.fan_charges = now[5] > last[5] + 1e-6, now[6] > last[6] + 1e-6


def state_text(v: View) -> str:
    """The state in one line, for whoever looks at a broken rule."""
    return (
        f"core {v.core_c:.1f} °C (believed {v.est_core_c:.1f}), supply {v.supply_c:.1f} °C, return {v.return_c:.1f} °C,"
        f" house {v.house_c:.1f} °C, flow {v.flow_kg_s:.3f} kg/s, duties {v.pump:.2f}/{v.fan:.2f}, batteries"
        f" {v.pump_soc:.0%}/{v.fan_soc:.0%} ({v.pump_v:.1f}/{v.fan_v:.1f} V), phase {v.phase}, limit {v.limit},"
        f" alarms {', '.join(sorted(v.codes)) or 'none'}"
    )


def rules_text() -> str:
    """Every rule in one line of a table (Markdown), for the page of the faults."""
    lines = ["| rule | may not be | longer than |", "|---|---|---|"]
    for rule in RULES:
        often = "" if rule.count == WITHOUT_BREAK or rule.for_s == 0.0 else " in a day"
        lines.append(f"| `{rule.code}` | {rule.text} | {_span(rule.for_s)}{often} |")
    return "\n".join(lines)


def _span(span_s: float) -> str:
    if span_s == 0.0:
        return "at all"
    for unit_s, name in ((HOUR_S, "h"), (MINUTE_S, "min"), (1.0, "s")):
        if span_s >= unit_s:
            return f"{span_s / unit_s:g} {name}"
    return f"{span_s:g} s"
