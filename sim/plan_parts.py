"""The parts of a plan: coil, drum, pump and pipe, fan and duct, panels and batteries."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np

from sim.panel import panel_power_w
from sim.params import pump_table_kg_s
from sim.plan_loads import coil_length_m, coil_outlet_c, exhaust_heat_w, season_hours, water_heat_w
from sim.scenario import coil_ua_w_k

if TYPE_CHECKING:
    from sim.scenario import Scenario
    from sim.scenario_tables import Power
    from sim.weather import Weather

GALLON_A_MINUTE_KG_S = 0.0630902  # 1 US gal/min at 1000 kg/m3
CORE_C, RETURN_C = 55.0, 20.0  # a working pile, and water back from a cool house: the conditions of the coil check
GOOD_COIL = 0.5  # share of that difference won in one pass at 1 gal/min; own judgement
BUBBLES_M_S = 0.61  # 2 ft/s carries bubbles down a pipe: a plumbers' forum, weak source
DUCT_M_S = 5.0  # in a quiet duct; common practice, no source
DRAW_RISE_K = 15.0  # water warmed by this when drawn in batches; own judgement
USABLE = {"lead-acid": 0.5, "lithium": 0.8}  # of the capacity, common practice, no source
VOLTS, HOUR_S, DAY_S = 12.0, 3600.0, 86400.0
DARK_DAYS = 5  # the darkest run of days that panel and battery must bridge; own judgement
FAN_SHARE = 0.1  # of the day: a little air feeds the pile, more dries it (measured on our simulator, docs/results.md)


@dataclass(frozen=True, slots=True)
class WaterParts:
    """Coil, drum and pump. Lengths m, flows kg/s, heat W, speeds m/s, ``drum_s`` the time to fill it.

    ``coil_wanted_m`` is None where skin forbids it, ``duty_for_gallon`` where the pump cannot reach it.
    """

    coil_m: float
    coil_ua_w_k: float
    coil_outlet_c: float
    coil_heat_w: float
    coil_wanted_m: float | None
    drum_m3: float
    drum_s: float
    full_flow_kg_s: float
    duty_for_gallon: float | None
    speed_m_s: float
    purge_kg_s: float


@dataclass(frozen=True, slots=True)
class AirParts:
    """Fan and duct: flow at the house m3/s, bore m, and the heat that flow would carry for a while, W."""

    delivered_m3_s: float
    duct_bore_m: float
    carried_w: float


@dataclass(frozen=True, slots=True)
class PowerParts:
    """One supply: mean use, what the panel gives in the darkest days, W day and night, and days on the battery alone."""

    used_w: float
    darkest_w: float
    battery_days: float
    panel_wanted_w: float


def water_parts(scenario: Scenario) -> WaterParts:
    """Check the water side at 1 US gal/min, core 55 degC, return 20 degC."""
    flow, coil = GALLON_A_MINUTE_KG_S, scenario.coil
    ua = coil_ua_w_k(coil)
    outlet_c = coil_outlet_c(ua, flow, CORE_C, RETURN_C)
    wanted_m = coil_length_m(coil, flow, GOOD_COIL)
    table = pump_table_kg_s(scenario)
    speeds = np.linspace(0.0, 1.5, table.size)
    full = float(np.interp(1.0, speeds, table))
    bore_m2 = pi / 4.0 * max(coil.inner_diameter, scenario.line.inner_diameter) ** 2
    return WaterParts(
        coil.length,
        ua,
        outlet_c,
        water_heat_w(flow, outlet_c - RETURN_C),
        wanted_m if isfinite(wanted_m) else None,
        scenario.drum.volume,
        scenario.drum.volume * 1000.0 / flow,
        full,
        float(np.interp(flow, table, speeds)) if full >= flow else None,
        flow / 1000.0 / bore_m2,
        BUBBLES_M_S * bore_m2 * 1000.0,
    )


def air_parts(scenario: Scenario, outdoor_c: float) -> AirParts:
    """Fan at full into the house; the heat is that of air which leaves the core saturated at 50 degC."""
    delivered = scenario.fan.max_flow * (1.0 - scenario.fan.duct_leak)
    bore_m = sqrt(4.0 * scenario.fan.max_flow / (pi * DUCT_M_S))
    return AirParts(delivered, bore_m, exhaust_heat_w(delivered, outdoor_c, 0.8, 50.0))


def pump_mean_w(scenario: Scenario, heat_w: float) -> float:
    """Electricity to move a day's heat in batches 15 K warmer, and standby. Mean of day and night. [W]

    Power by the affinity laws: the cube of the duty that gives 1 gal/min.
    """
    share = min(heat_w / water_heat_w(GALLON_A_MINUTE_KG_S, DRAW_RISE_K), 1.0)
    duty = water_parts(scenario).duty_for_gallon or 1.0
    return share * scenario.pump.power * duty**3 + scenario.pump_power.standby


def fan_mean_w(scenario: Scenario) -> float:
    """Electricity of a fan at full for a tenth of the day, and standby. Mean of day and night. [W]"""
    return FAN_SHARE * scenario.fan.power + scenario.fan_power.standby


def power_parts(scenario: Scenario, weather: Weather, days: int, power: Power, used_w: float) -> PowerParts:
    """Does this supply last through the darkest five days of the season?"""
    watts = panel_power_w(weather, power)[season_hours(scenario, days)]
    daily_w = watts.reshape(days, 24).mean(axis=1)
    run = min(DARK_DAYS, days)
    darkest = float(np.convolve(daily_w, np.ones(run) / run, "valid").min())
    usable_wh = power.battery / HOUR_S * VOLTS * USABLE[power.kind]
    wanted = power.panel * used_w / darkest if darkest > 0.0 else float("inf")
    days_alone = usable_wh / (24.0 * used_w) if used_w > 0.0 else float("inf")
    return PowerParts(used_w, darkest, days_alone, wanted)
