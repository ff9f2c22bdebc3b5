"""What a greenhouse loses, and what water and air can carry: the hand arithmetic of a plan, in SI."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, log1p, pi
from typing import TYPE_CHECKING

import numpy as np

from sim.media import moist_enthalpy, saturated_ratio
from sim.weather import HOURS, Hourly, Weather

if TYPE_CHECKING:
    from sim.scenario import Scenario
    from sim.scenario_tables import Coil, Greenhouse

AIR_KG_M3, CP_AIR_J_KG_K = 1.2, 1006.0
CP_WATER_J_KG_K = 4186.0
COLDEST_SHARE = 0.01  # the design hour: 99 % of the season is warmer (the usual 99 % design temperature)
MOUND_W_KG = 1000.0 * 0.29307107 / 907.18474  # 1,000 Btu/h per short ton, S. Gorton (Univ. of Vermont), quoted


@dataclass(frozen=True, slots=True)
class Loads:
    """Heat loss of the house: per kelvin, W/K, and at the design hour, W."""

    cover_w_k: float
    air_w_k: float
    outdoor_design_c: float
    outdoor_mean_c: float
    design_w: float

    @property
    def total_w_k(self) -> float:
        """All of it, W/K."""
        return self.cover_w_k + self.air_w_k


def infiltration_w_k(volume_m3: float, changes_per_s: float) -> float:
    """Heat carried out by air changes, per kelvin: density * specific heat * volume * rate. [W/K]

    In hourly changes and m3 this is the usual 0.33 n V.
    """
    return AIR_KG_M3 * CP_AIR_J_KG_K * volume_m3 * changes_per_s


def season_hours(scenario: Scenario, days: int) -> np.ndarray:
    """Indices into a year of weather for ``days`` from the scenario's start, shape (24 days,)."""
    return (scenario.place.start_hour + np.arange(24 * days)) % HOURS


def house_loads(house: Greenhouse, outdoor_c: Hourly, wind_m_s: Hourly) -> Loads:
    """Losses at the mean wind, and the design load at the coldest hundredth of the given hours, without sun or pile.

    The form of ANSI/ASAE EP406: sum of U A plus infiltration, times the difference to the wanted minimum.
    """
    cover = house.cover_area * house.cover_u
    rate = house.infiltration + house.wind_infiltration * float(wind_m_s.mean())
    air = infiltration_w_k(house.volume, rate)
    design_c = float(np.quantile(outdoor_c, COLDEST_SHARE))
    load_w = (cover + air) * max(house.minimum - design_c, 0.0)
    return Loads(cover, air, design_c, float(outdoor_c.mean()), load_w)


def season_loads(scenario: Scenario, weather: Weather, days: int) -> Loads:
    """``house_loads`` over the scenario's season."""
    hours = season_hours(scenario, days)
    return house_loads(scenario.greenhouse, weather.temperature_c[hours], weather.wind_m_s[hours])


def water_heat_w(flow_kg_s: float, rise_k: float) -> float:
    """Heat that a flow of water carries. [W]"""
    return flow_kg_s * CP_WATER_J_KG_K * rise_k


def coil_outlet_c(ua_w_k: float, flow_kg_s: float, pile_c: float, inlet_c: float) -> float:
    """Water leaving a coil in a bed of even temperature: effectiveness 1 - exp(-NTU) (any heat-transfer text). [degC]"""
    if flow_kg_s <= 0.0:
        return pile_c
    return pile_c - (pile_c - inlet_c) * exp(-ua_w_k / (flow_kg_s * CP_WATER_J_KG_K))


def coil_length_m(coil: Coil, flow_kg_s: float, effectiveness: float) -> float:
    """Length of this pipe at which a flow is warmed by that share of the difference; inf where skin forbids it. [m]

    Skin, contact and wall in series, as in ``sim.scenario.coil_ua_w_k``.
    """
    wanted_w_k = -log_of_rest(effectiveness) * flow_kg_s * CP_WATER_J_KG_K
    rest = 1.0 / wanted_w_k - 1.0 / coil.ua_skin
    wall = log1p(2.0 * coil.wall / coil.inner_diameter) / (2.0 * pi * coil.conductivity)
    return (1.0 / coil.contact + wall) / rest if rest > 0.0 else inf


def log_of_rest(effectiveness: float) -> float:
    """ln(1 - effectiveness): minus the number of transfer units."""
    return log1p(-effectiveness)


def exhaust_heat_w(
    inlet_m3_s: float, inlet_c: float, inlet_rh: float, leaving_c: float, pressure_pa: float = 101325.0
) -> float:
    """Heat that air takes up which enters as given and leaves saturated. [W]

    Per kilogram of dry air; specific volume and humidity ratio as in the ASHRAE Handbook of Fundamentals, psychrometrics.
    """
    vapour_pa = inlet_rh * _saturation_pa(inlet_c, pressure_pa)
    ratio = 0.621945 * vapour_pa / (pressure_pa - vapour_pa)
    volume = 287.042 * (inlet_c + 273.15) * (1.0 + 1.607858 * ratio) / pressure_pa
    leaving = moist_enthalpy(leaving_c, saturated_ratio(leaving_c, pressure_pa))
    return float(inlet_m3_s / volume * (leaving - moist_enthalpy(inlet_c, ratio)))


def _saturation_pa(temperature_c: float, pressure_pa: float) -> float:
    ratio = saturated_ratio(temperature_c, pressure_pa)
    return float(pressure_pa * ratio / (0.621945 + ratio))


def mound_w(wet_kg: float) -> float:
    """What a rule of the trade lets a working mound give for some months (quoted, see ``MOUND_W_KG``). [W]"""
    return MOUND_W_KG * wet_kg


def cools_k_day(volume_m3: float, density_kg_m3: float, moisture: float, heat_w: float) -> float:
    """How fast a pile without any generation cools at this draw. [K/day]

    Mixture rule for its heat capacity, 4.18 kJ/kgK for water and 1.206 for solids (from memory).
    """
    capacity = volume_m3 * density_kg_m3 * (4180.0 * moisture + 1206.0 * (1.0 - moisture))
    return heat_w * 86400.0 / capacity
