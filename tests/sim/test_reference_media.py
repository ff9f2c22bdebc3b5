"""Water and moist air against IAPWS and real-gas moist air (CoolProp) and against ASHRAE's formulas (PsychroLib)."""

from __future__ import annotations

import psychrolib
import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI

from sim.airside import dry_air_density
from sim.media import (
    CP_WATER,
    LATENT_0,
    LATENT_ICE,
    WATER_DENSITY,
    humidity_ratio,
    moist_enthalpy,
    saturated_ratio,
    saturation_pa,
    wet_temperature,
)
from sim.water import water_c

ONE_ATM_PA = 101325.0

# degC: density kg/m3, cp kJ/kg K, BTU/h per gpm and degF. IAPWS-97 at 0.101325 MPa, as package iapws 1.5.5 prints it (read).
IAPWS_1997_TABLE = {
    5: (999.97, 4.2049, 502.9),
    20: (998.21, 4.1848, 499.6),
    40: (992.22, 4.1786, 495.9),
    55: (985.71, 4.1809, 492.9),
    60: (983.21, 4.1828, 491.8),
}
# degC: W kg/kg, saturation Pa, enthalpy kJ/kg, volume m3/kg of saturated air at 101.325 kPa, by the formulas of the
# ASHRAE Handbook Fundamentals, psychrometrics chapter, as package PsychroLib 2.5.0 prints them (read).
ASHRAE_SATURATED_TABLE = {
    0: (0.00377, 611.2, 9.44, 0.7785),
    10: (0.00763, 1228.0, 29.28, 0.8120),
    20: (0.01470, 2338.8, 57.42, 0.8501),
    30: (0.02720, 4246.0, 99.73, 0.8964),
    40: (0.04888, 7383.5, 166.13, 0.9568),
    50: (0.08633, 12349.9, 274.23, 1.0425),
    60: (0.15242, 19943.8, 458.57, 1.1751),
    70: (0.27669, 31197.9, 798.44, 1.4046),
}


@pytest.mark.pure
@pytest.mark.parametrize(("temperature_c", "row"), ASHRAE_SATURATED_TABLE.items())
def test_saturated_air_has_the_printed_properties(temperature_c: float, row: tuple[float, ...]) -> None:
    ratio, pressure_pa, enthalpy_kj, volume_m3 = row
    ours = saturated_ratio(temperature_c, ONE_ATM_PA)
    assert ours == pytest.approx(ratio, abs=0.6e-5)  # half a unit of the last printed digit, and the table's step
    assert saturation_pa(temperature_c) == pytest.approx(pressure_pa, abs=0.06)
    assert moist_enthalpy(temperature_c, ours) == pytest.approx(1e3 * enthalpy_kj, abs=15.0)
    assert 1.0 / dry_air_density(temperature_c, ours, ONE_ATM_PA) == pytest.approx(volume_m3, abs=6e-5)


@pytest.mark.parametrize("temperature_c", [-39.987, -20.013, -5.037, 0.013, 5.037, 21.21, 37.77, 54.99, 64.321, 79.9])
def test_saturation_table_follows_its_formula_between_its_points(temperature_c: float) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert saturation_pa(temperature_c) == pytest.approx(psychrolib.GetSatVapPres(temperature_c), rel=8e-5)


@pytest.mark.parametrize("temperature_c", [0.01, 5.0, 20.0, 40.0, 55.0, 65.0, 80.0])
def test_saturation_pressure_is_that_of_water(temperature_c: float) -> None:
    iapws = PropsSI("P", "T", temperature_c + 273.15, "Q", 0, "Water")
    assert saturation_pa(temperature_c) == pytest.approx(iapws, rel=3e-4)


@pytest.mark.parametrize("temperature_c", [-20.0, -5.0, 5.0, 20.0, 40.0, 55.0, 65.0])
def test_moist_air_is_within_a_percent_of_the_real_gas(temperature_c: float) -> None:
    # What is left is the enhancement factor (0.4-0.8 %) that the ideal-gas formulas of ASHRAE leave out.
    state = ("T", temperature_c + 273.15, "P", ONE_ATM_PA, "R", 1)
    ratio = saturated_ratio(temperature_c, ONE_ATM_PA)
    assert ratio == pytest.approx(HAPropsSI("W", *state), rel=0.009)
    assert moist_enthalpy(temperature_c, ratio) == pytest.approx(HAPropsSI("H", *state), rel=0.007, abs=60.0)
    assert dry_air_density(temperature_c, ratio, ONE_ATM_PA) == pytest.approx(1.0 / HAPropsSI("V", *state), rel=0.0015)


def test_half_saturated_room_air_is_as_printed() -> None:
    # 20 degC, 50 % RH: W 0.007262, h 38.55 kJ/kg, density of the moist air 1.199 kg/m3 (PsychroLib 2.5.0, read)
    ratio = humidity_ratio(0.5 * saturation_pa(20.0), ONE_ATM_PA)
    assert ratio == pytest.approx(0.007262, abs=1e-6)
    assert moist_enthalpy(20.0, ratio) == pytest.approx(38550.0, abs=10.0)
    assert dry_air_density(20.0, ratio, ONE_ATM_PA) * (1.0 + ratio) == pytest.approx(1.199, abs=6e-4)


@pytest.mark.pure
def test_vapour_never_displaces_all_air() -> None:
    assert humidity_ratio(2.0 * ONE_ATM_PA, ONE_ATM_PA) == humidity_ratio(0.8 * ONE_ATM_PA, ONE_ATM_PA)
    assert saturation_pa(-90.0) == saturation_pa(-60.0) > 0.0
    assert saturation_pa(150.0) == saturation_pa(120.0)


@pytest.mark.parametrize(("temperature_c", "row"), IAPWS_1997_TABLE.items())
def test_one_heat_capacity_and_density_serve_all_water_of_the_loop(
    temperature_c: float, row: tuple[float, ...]
) -> None:
    density, cp_kj, btu_rule = row
    kelvin = temperature_c + 273.15
    assert PropsSI("D", "T", kelvin, "P", ONE_ATM_PA, "Water") == pytest.approx(density, rel=3e-5)
    assert PropsSI("C", "T", kelvin, "P", ONE_ATM_PA, "Water") == pytest.approx(1e3 * cp_kj, rel=6e-4)
    # The error of the constants over 5..60 degC: heat capacity 0.46 %, density 1.2 %, their product 1.3 %.
    assert pytest.approx(1e3 * cp_kj, rel=0.0046) == CP_WATER
    assert pytest.approx(density, rel=0.0122) == WATER_DENSITY
    ours = CP_WATER * WATER_DENSITY * 3.785411784e-3 / 60.0 / 1.8 / 0.29307107
    assert ours == pytest.approx(btu_rule, rel=0.0132)


def test_heat_of_evaporation_and_of_fusion() -> None:
    triple = [PropsSI("H", "T", 273.16, "Q", quality, "Water") for quality in (0, 1)]
    assert pytest.approx(triple[1] - triple[0], rel=2e-4) == LATENT_0
    # heat of fusion 333.55 kJ/kg (handbook value, from memory)
    assert pytest.approx(333.55e3, rel=5e-4) == LATENT_ICE


@pytest.mark.pure
def test_wet_matter_and_water_freeze_at_zero_and_only_there() -> None:
    water_kg, capacity_j_k = 10.0, 50e3
    fusion_j = LATENT_ICE * water_kg
    assert wet_temperature(20.0 * capacity_j_k, capacity_j_k, water_kg) == pytest.approx(20.0)
    assert wet_temperature(-0.5 * fusion_j, capacity_j_k, water_kg) == 0.0
    assert wet_temperature(-fusion_j - 3.0 * capacity_j_k, capacity_j_k, water_kg) == pytest.approx(-3.0)
    assert [water_c(h) for h in (CP_WATER * 40.0, -0.9 * LATENT_ICE)] == [pytest.approx(40.0), 0.0]
    assert water_c(-LATENT_ICE - 2.0 * CP_WATER) == pytest.approx(-2.0)
