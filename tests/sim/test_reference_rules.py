"""Rules of thumb of heating trades, and a pile's exhaust air, against what the simulated plant moves.

The rules are forms of the ASHRAE Handbook Fundamentals (read in trade pages): water 500 gpm dF (8.33 lb/gal x 60),
air sensible 1.08 cfm dF (60 x 0.075 x 0.24), air latent 4840 cfm dW (60 x 0.075 x 1076), all in BTU/h.
"""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest
from rigs import (
    CFM_M3_S,
    DAY_S,
    GPM_M3_S,
    K_PER_F,
    WATT_PER_BTU_H,
    endless_batteries,
    plant,
    set_pile_c,
    steady_weather,
)
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from sim import Plant
from sim import layout as at
from sim.airside import dry_air_density, duct_outlet, duct_step
from sim.kernel import new_work
from sim.media import CP_DRY_AIR, CP_VAPOUR, humidity_ratio, moist_enthalpy, saturated_ratio, saturation_pa
from sim.pile import W_HUMIDITY, W_OUT_C, W_RH, W_SIZE, W_SKY_C, WORK_ROWS, pile_step
from sim.water import water_c

ONE_ATM_PA = 101325.0
STANDARD_AIR_KG_M3 = 0.075 * 0.45359237 / 0.3048**3


def rate(rig: Plant, index: int, seconds: float = 60.0) -> float:
    """How fast a ledger entry grows, per second."""
    before = rig.ledger[index]
    rig.advance(seconds)
    return float(rig.ledger[index] - before) / seconds


def running_plant(pump_duty: float, fan_duty: float) -> Plant:
    """A warm pile in standing weather, pump or fan on for three hours, so that the loop has settled."""
    rig = endless_batteries(steady_weather(plant(), out_c=8.0))
    rig.advance(4.0 * DAY_S)
    rig._pump_duty, rig._fan_duty = pump_duty, fan_duty
    rig.flags[at.G_PUMP_RUNS] = rig.flags[at.G_FAN_RUNS] = 1.0
    rig.advance(3.0 * 3600.0)
    return rig


@pytest.mark.parametrize("duty", [0.2, 0.3, 0.6])
def test_water_heat_follows_the_five_hundred_rule(duty: float) -> None:
    rig = running_plant(duty, 0.0)
    watts = rate(rig, at.L_HEAT_WATER)
    ring = [water_c(h) for h in rig.state[at.Y_RING : at.Y_RING + at.RING]]
    gpm = rig.truth.flow_kg_s / 998.2 / GPM_M3_S
    drop_f = (ring[at.RING_EMITTER - 1] - ring[at.RING_POND]) / K_PER_F
    assert gpm > 0.3 and drop_f > 1.0
    # 500 is 499.8 at 20 degC; our water has one heat capacity for all temperatures (4186 J/kg K)
    assert watts == pytest.approx(500.0 * gpm * drop_f * WATT_PER_BTU_H, rel=0.006)


def test_pile_gives_what_the_loop_carries_by_the_same_rule() -> None:
    rig = running_plant(0.3, 0.0)
    watts = rate(rig, at.L_DRAWN)
    ring = [water_c(h) for h in rig.state[at.Y_RING : at.Y_RING + at.RING]]
    gpm = rig.truth.flow_kg_s / 998.2 / GPM_M3_S
    rise_f = (ring[at.RING_DRUM] - ring[at.RING - 1]) / K_PER_F
    assert watts == pytest.approx(500.0 * gpm * rise_f * WATT_PER_BTU_H, rel=0.006)


@pytest.mark.parametrize("duty", [0.3, 1.0])
def test_fan_heat_follows_the_sensible_and_latent_rules(duty: float) -> None:
    rig = running_plant(0.0, duty)
    watts = rate(rig, at.L_HEAT_AIR)
    delivered = rig.truth.fan_kg_s * (1.0 - rig.params[at.P_DUCT_LEAK])
    cfm = delivered / STANDARD_AIR_KG_M3 / CFM_M3_S  # the rules count standard air
    warmer_f = (rig.truth.air_supply_c - rig.truth.greenhouse_c) / K_PER_F
    moister = rig.flags[at.G_DUCT_W] - rig.state[at.Y_VAPOUR] / rig.params[at.P_HOUSE_AIR_KG]
    rule_btu_h = 1.08 * cfm * warmer_f + 4840.0 * cfm * moister
    # 1076 BTU/lb is vapour of room temperature; ours comes some 20 K warmer, so the rule is up to 4 % low here.
    assert watts == pytest.approx(rule_btu_h * WATT_PER_BTU_H, rel=0.045)
    psychrolib.SetUnitSystem(psychrolib.SI)
    brought = psychrolib.GetMoistAirEnthalpy(rig.truth.air_supply_c, rig.flags[at.G_DUCT_W])
    own = psychrolib.GetMoistAirEnthalpy(rig.truth.greenhouse_c, rig.flags[at.G_DUCT_W] - moister)
    assert watts == pytest.approx(delivered * (brought - own), rel=2e-3)
    assert watts > 300.0 and moister > 1e-3


def test_infiltration_follows_the_sensible_rule() -> None:
    # Dry cold air of 100 standard cfm: 1.08 BTU/h per cfm and degF; with some vapour 1.10 is usual (read).
    rig = steady_weather(plant({"greenhouse.wind_infiltration": 0.0}), out_c=-10.0, rh=0.5)
    rig.params[at.P_INFILTRATION] = 100.0 * CFM_M3_S * STANDARD_AIR_KG_M3 / rig.params[at.P_HOUSE_AIR_KG]
    rig.advance(2.0 * DAY_S)
    before = rig.ledger.copy()
    rig.advance(60.0)
    flow = rig.ledger - before
    vapour_j = (flow[at.L_VAPOUR_OUT] - flow[at.L_VAPOUR_IN]) * 2.501e6
    sensible_w = (flow[at.L_HOUSE_OUT] - flow[at.L_HOUSE_IN] - vapour_j) / 60.0
    warmer_f = (rig.truth.greenhouse_c + 10.0) / K_PER_F
    assert sensible_w == pytest.approx(1.08 * 100.0 * warmer_f * WATT_PER_BTU_H, rel=0.015)


# --- exhaust air ---------------------------------------------------------------------------------------------------


def exhaust(temperature_c: float, inlet_c: float, inlet_rh: float, dry_kg_s: float) -> tuple[float, float, float]:
    """Heat drawn [W], its latent share and the water taken [kg/s], by one step of a pile held at one temperature."""
    rig = plant({"fan.core_share": 1.0})
    set_pile_c(rig, temperature_c)
    rig.params[at.P_PRESSURE] = ONE_ATM_PA
    w = np.zeros(W_SIZE)
    w[W_OUT_C], w[W_RH], w[W_SKY_C] = inlet_c, inlet_rh, inlet_c
    w[W_HUMIDITY] = humidity_ratio(inlet_rh * saturation_pa(inlet_c), ONE_ATM_PA)
    pile_step(rig.state, rig.params, w, dry_kg_s, 1.0, rig.flags, rig.ledger, new_work())
    water = rig.ledger[at.L_WATER_FAN] - dry_kg_s * w[W_HUMIDITY]
    sensible = dry_kg_s * (CP_DRY_AIR + w[W_HUMIDITY] * CP_VAPOUR) * (temperature_c - inlet_c)
    return rig.ledger[at.L_DRAWN], 1.0 - sensible / rig.ledger[at.L_DRAWN], water


def test_hundred_cfm_through_a_pile_at_55_degrees() -> None:
    # 100 cfm at 10 degC 60 % RH leaving saturated at 55 degC: 0.058409 kg/s dry air, 19,392 W, 86.25 % latent, 23.13 kg/h
    # of water (worked example computed with PsychroLib 2.5.0). Rule of thumb: 2,564 + 15,603 W, some 6 % low.
    ratio = humidity_ratio(0.6 * saturation_pa(10.0), ONE_ATM_PA)
    dry_kg_s = 100.0 * CFM_M3_S * dry_air_density(10.0, ratio, ONE_ATM_PA)
    assert ratio == pytest.approx(0.004556, abs=1e-6)
    assert dry_kg_s == pytest.approx(0.058409, rel=1e-4)
    watts, latent, water_kg_s = exhaust(55.0, 10.0, 0.6, dry_kg_s)
    assert watts == pytest.approx(19392.0, rel=5e-4)
    assert latent == pytest.approx(0.8625, abs=5e-4)
    assert 3600.0 * water_kg_s == pytest.approx(23.13, rel=1e-3)
    assert (2564.0 + 15603.0) / watts == pytest.approx(0.94, abs=0.01)


# Latent share of exhaust heat and kJ per m3 of inlet air, saturated exhaust, inlet 10 degC 60 % RH (PsychroLib 2.5.0).
PSYCHROLIB_EXHAUST_TABLE = {
    45.0: (0.815, 237.0), 50.0: (0.839, 313.0), 55.0: (0.862, 411.0), 60.0: (0.884, 541.0), 65.0: (0.904, 717.0)
}  # fmt: skip


@pytest.mark.parametrize(("temperature_c", "row"), PSYCHROLIB_EXHAUST_TABLE.items())
def test_most_of_the_exhaust_heat_is_latent(temperature_c: float, row: tuple[float, float]) -> None:
    ratio = humidity_ratio(0.6 * saturation_pa(10.0), ONE_ATM_PA)
    watts, latent, _ = exhaust(temperature_c, 10.0, 0.6, dry_air_density(10.0, ratio, ONE_ATM_PA))
    assert latent == pytest.approx(row[0], abs=8e-4)
    assert watts / 1e3 == pytest.approx(row[1], rel=2e-3)


def test_exhaust_from_room_air() -> None:
    # 20 degC 50 % RH in, saturated 55 degC out: 315.0 kJ/kg dry air, 3.17 g/s per kW, 85 % latent (PsychroLib, computed)
    watts, _, water_kg_s = exhaust(55.0, 20.0, 0.5, 1.0)
    assert watts == pytest.approx(315.0e3, rel=5e-4)
    assert 1e6 / watts == pytest.approx(3.17, abs=0.01)
    assert water_kg_s * 2.501e6 / watts == pytest.approx(0.85, abs=0.005)  # here latent is counted at 0 degC


def test_condensing_from_55_to_35_degrees() -> None:
    # The same 100 cfm cooled to saturation at 35 degC: 13,111 W, 16.40 kg/h of condensate (worked example, PsychroLib).
    rig, dry_kg_s = plant({"fan.duct_leak": 0.0}), 0.058409
    p, flags, ledger = rig.params, rig.flags, rig.ledger
    p[at.P_PRESSURE] = ONE_ATM_PA
    flags[at.G_DRAWN_C], flags[at.G_DRAWN_W] = 55.0, saturated_ratio(55.0, ONE_ATM_PA)

    def outlet_c(ua: float) -> float:
        p[at.P_DUCT_UA] = ua
        return float(duct_outlet(55.0, flags[at.G_DRAWN_W], dry_kg_s, 5.0, p)[0])

    p[at.P_DUCT_UA] = brentq(lambda ua: outlet_c(ua) - 35.0, 1.0, 5000.0)
    _, air_c, ratio = duct_step(flags, dry_kg_s, 5.0, p, 1.0, ledger)
    assert air_c == pytest.approx(35.0, abs=1e-6)
    assert 3600.0 * dry_kg_s * (flags[at.G_DRAWN_W] - ratio) == pytest.approx(16.40, rel=1e-3)
    assert ledger[at.L_DUCT_LOSS] == pytest.approx(13111.0, rel=1e-3)


@pytest.mark.parametrize(("start_c", "ua_w_k"), [(55.0, 8.0), (40.0, 8.0), (30.0, 20.0)])
def test_wet_air_cools_in_the_duct_as_along_a_condensing_pipe(start_c: float, ua_w_k: float) -> None:
    # Integrated along the pipe: m dh = UA (T - T_around) dx, h that of saturated air.
    p, dry_kg_s = plant().params, 0.04
    p[at.P_DUCT_UA] = ua_w_k

    def slope(_: float, t: np.ndarray) -> list[float]:
        wet = moist_enthalpy(t[0] + 0.01, saturated_ratio(t[0] + 0.01, p[at.P_PRESSURE]))
        dh = (wet - moist_enthalpy(t[0] - 0.01, saturated_ratio(t[0] - 0.01, p[at.P_PRESSURE]))) / 0.02
        return [-ua_w_k * (t[0] - 5.0) / (dry_kg_s * dh)]

    along = solve_ivp(slope, (0.0, 1.0), [start_c], rtol=1e-8).y[0, -1]
    ours, ratio = duct_outlet(start_c, saturated_ratio(start_c, p[at.P_PRESSURE]), dry_kg_s, 5.0, p)
    assert ours == pytest.approx(along, abs=0.05 * (start_c - along) + 0.01)
    assert ratio == pytest.approx(saturated_ratio(ours, p[at.P_PRESSURE]))


def test_dry_duct_air_cools_by_its_own_heat_capacity_and_still_air_takes_the_outside() -> None:
    p = plant().params
    p[at.P_DUCT_UA] = 10.0
    ours, ratio = duct_outlet(30.0, 0.005, 0.05, 10.0, p)
    assert ours == pytest.approx(10.0 + 20.0 * np.exp(-10.0 / (0.05 * (1006.0 + 0.005 * 1860.0))), rel=1e-9)
    assert ratio == 0.005
    assert duct_outlet(30.0, 0.02, 0.0, 10.0, p) == (10.0, saturated_ratio(10.0, p[at.P_PRESSURE]))
    assert WORK_ROWS == 16  # the scratch rows that pile_step was given above are enough
