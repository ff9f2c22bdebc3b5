"""Heat of a whole pile against published yields, and its inertia and first-order decay against worked examples."""

from __future__ import annotations

from functools import cache
from math import exp

import numpy as np
import pytest
from rigs import DAY_S, endless_batteries, mild, plant, set_pile_c, shell_capacity_j_k, shells, steady_weather

from sim import Plant
from sim import layout as at

# Mean recovery of 44 systems in 16 countries, kJ per kg dry matter (Smith, Aber and Rynk 2015, Int. Composting Conf.,
# abstract read; journal version 2017, Compost Sci. Util. 25 S11-S22). No trend among systems.
SMITH_2015_RECOVERED_KJ_KG = {"laboratory": 1159.0, "pilot": 3899.0, "commercial": 7084.0}
# 1000 BTU/h per short ton of active compost for up to six months (S. Gorton, Univ. of Vermont, in a farm magazine; read)
MOUND_RULE_W_KG = 1000.0 * 0.29307107 / 907.18474
WET_KG = 7838.0  # of the mild scenario's pile
DRY_KG = 0.4 * WET_KG


@cache
def left_alone() -> np.ndarray:
    """Heat made on each of 180 days by a pile that nobody draws from. [W]"""
    rig = plant()
    made = [0.0]
    for _ in range(180):
        rig.advance(DAY_S)
        made.append(rig.truth.made_j)
    return np.diff(made) / DAY_S


@cache
def thermostat_drawn() -> Plant:
    """120 days drawn by a plain thermostat, on at 50 and off at 45 degC core."""
    rig, on = endless_batteries(plant()), False
    for _ in range(120 * 144):
        on = rig.truth.core_c > (45.0 if on else 50.0)
        rig._pump_duty = 0.25 if on else 0.0
        rig.flags[at.G_PUMP_RUNS] = 1.0 if on else 0.0
        rig.advance(600.0)
    return rig


def test_mass_is_that_of_the_scenario() -> None:
    assert mild().pile.wet_mass_kg == pytest.approx(WET_KG, rel=1e-4)
    rig = plant()
    y, p = rig.state, rig.params
    dry = p[shells(at.P_SHELL_SOLIDS)].sum() + y[shells(at.Y_FAST)].sum() + y[shells(at.Y_SLOW)].sum()
    skins = at.SKINS * p[at.P_SKIN_CAPACITY] / (0.4 * p[at.P_SOLID_CP] + 0.6 * 4186.0)
    assert dry + y[shells(at.Y_WATER)].sum() + skins == pytest.approx(WET_KG, rel=1e-4)
    assert dry + 0.4 * skins == pytest.approx(DRY_KG, rel=1e-4)


def test_recovered_heat_lies_between_the_laboratory_and_commercial_means() -> None:
    recovered_kj_kg = thermostat_drawn().truth.drawn_j / DRY_KG / 1e3
    assert SMITH_2015_RECOVERED_KJ_KG["laboratory"] < recovered_kj_kg < SMITH_2015_RECOVERED_KJ_KG["commercial"]
    assert recovered_kj_kg < SMITH_2015_RECOVERED_KJ_KG["pilot"]  # a small mound with a coil, no exhaust condenser


def test_recovered_heat_is_a_part_of_the_heat_made() -> None:
    truth = thermostat_drawn().truth
    # standing losses take 60-70 % of the heat made in an independent study of such a pile
    assert 0.2 < truth.drawn_j / truth.made_j < 0.5
    assert truth.heat_water_j < truth.drawn_j
    assert truth.made_j < left_alone()[:120].sum() * DAY_S * 1.3


def test_heat_made_stays_within_reach_of_the_mound_rule() -> None:
    made_w_kg = left_alone() / WET_KG
    assert pytest.approx(0.323, abs=0.001) == MOUND_RULE_W_KG
    # The rule counts recovered heat for "up to six months"; our pile makes that much for two months, then less.
    assert made_w_kg[:60].mean() == pytest.approx(MOUND_RULE_W_KG, rel=0.35)
    assert 0.4 * MOUND_RULE_W_KG < made_w_kg.mean() < MOUND_RULE_W_KG
    assert made_w_kg[60:].max() < MOUND_RULE_W_KG


def test_peak_and_sustained_heat_are_those_of_compost() -> None:
    made_w_kg_dry = left_alone() / DRY_KG
    # peak 5-20 W/kg organic matter for hours to days, 0.5-3 W/kg dry for weeks (composite of reviews, from memory); vessels
    # of 2-5 kg reached 2.3-3.6 W/kg wet (computed from the fitted parameters of Cotera's PhD code)
    assert 2.0 < made_w_kg_dry.max() < 10.0
    assert np.argmax(made_w_kg_dry) < 5
    assert 0.3 < made_w_kg_dry[7:60].mean() < 3.0
    # 25-100 W/m3 sustained for months, 200 and more early (composite, from memory)
    per_m3 = left_alone() / mild().pile.volume
    assert 25.0 < per_m3[60:150].mean() < 150.0 and per_m3[1] > 200.0


def test_all_heat_comes_from_the_degradable_part() -> None:
    total_j_kg = left_alone().sum() * DAY_S / DRY_KG
    pile = mild().pile
    assert total_j_kg < 17.5e6 * (pile.fast_fraction + pile.slow_fraction)
    assert total_j_kg > 17.5e6 * pile.fast_fraction


# --- worked examples: 20 m3 at 500 kg/m3 and 55 % moisture ----------------------------------------------------------

TWENTY_M3 = {"pile.volume": 20.0, "pile.bulk_density": 500.0, "pile.moisture": 0.55}


def test_inertia_of_twenty_cubic_metres() -> None:
    # c 2.842 kJ/kg K makes 28.42 MJ/K; 1500 W with no generation cool it by 4.560 K a day (worked example). Our solids
    # have 1.3 kJ/kg K where the example has 1.2, so 1.6 % more.
    rig = plant(TWENTY_M3)
    capacity_j_k = shell_capacity_j_k(rig).sum() + at.SKINS * rig.params[at.P_SKIN_CAPACITY]
    assert capacity_j_k == pytest.approx(28.42e6, rel=0.02)
    assert 1500.0 * DAY_S / capacity_j_k == pytest.approx(4.560, rel=0.02)
    # validated model mixes of 50-57 % moisture have 2.67-2.87 kJ/kg K (Cotera, read)
    assert 2.67 <= capacity_j_k / 10000.0 / 1e3 <= 2.90


def test_first_order_generation_of_twenty_cubic_metres() -> None:
    # VS 3825 kg, half degradable, k 0.01 1/d, 18 MJ/kg: 3984 W at the start (199 W/m3), 2187 W after 60 d (worked
    # example). Ours has 17.5 MJ/kg. The example's k is the effective one: the scenario's rate is it over the factors of
    # moisture 0.9349 (55 %) and oxygen 0.913 (Haug 1993, as in test_reference_biology) at the best temperature.
    rig = plant(
        {
            **TWENTY_M3,
            "pile.fast_fraction": 0.0,
            "pile.slow_fraction": 0.5 * 3825.0 / 4500.0,
            "pile.slow_rate": 0.01 / DAY_S / (0.9349 * 0.9127),
            "pile.permeability": 1e-6,
            "coil.skin_mass": "10 kg",
        }
    )
    steady_weather(rig, out_c=50.0, rh=1.0)
    rig.state[shells(at.Y_ACTIVE)] = 1.0
    set_pile_c(rig, 56.0)
    water = rig.state[shells(at.Y_WATER)].copy()

    def made_w() -> float:
        rig.advance(600.0)
        return rig.truth.heat_made_w

    first = made_w()
    for _ in range(60 * 48):  # temperature, water and microbes are put back each half hour
        rig.state[shells(at.Y_WATER)], rig.state[shells(at.Y_ACTIVE)] = water, 1.0
        water *= shrink(rig)
        set_pile_c(rig, 56.0)
        rig.advance(1800.0)
    set_pile_c(rig, 56.0)
    assert first == pytest.approx(3984.0 * 17.5 / 18.0, rel=0.012)
    assert made_w() / first == pytest.approx(exp(-0.6), rel=0.012)
    assert exp(-0.6) == pytest.approx(2187.0 / 3984.0, rel=1e-3)


def shrink(rig: Plant) -> float:
    """Loss of dry mass in half an hour: water is taken down with it, so that moisture stays at 55 %."""
    solids = rig.state[shells(at.Y_SLOW)].sum()
    dry = solids + rig.params[shells(at.P_SHELL_SOLIDS)].sum()
    return 1.0 - 0.01 / 48.0 * solids / dry
