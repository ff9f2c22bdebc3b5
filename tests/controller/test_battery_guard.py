"""Each side rests on its own low battery, with hysteresis, filter and an allowance for sag."""

from __future__ import annotations

from math import nan

import pytest

from controller.media import air_enthalpy_j_kg, saturation_pa
from controller.power import BatteryGuard, may_run, sag_v


@pytest.mark.parametrize(
    ("volts", "was", "now"),
    [
        (11.8, True, False),
        (11.8, False, False),
        (12.0, True, True),
        (12.0, False, False),
        (12.4, False, True),
        (nan, True, True),
        (nan, False, False),
    ],
)
def test_hysteresis(volts: float, was: bool, now: bool) -> None:
    assert may_run(volts, was, 11.9, 12.4) is now


def test_a_short_dip_does_not_stop_the_pump_and_a_long_one_does() -> None:
    guard = BatteryGuard(11.9, 12.4)
    guard.update(12.6, 0.0, 0.0)
    assert guard.update(10.5, 0.0, 10.0)
    assert not any([guard.update(10.5, 0.0, 10.0) for _ in range(30)][-5:])


def test_the_sag_under_load_is_allowed_for() -> None:
    loaded, idle = BatteryGuard(11.9, 12.4), BatteryGuard(11.9, 12.4)
    assert loaded.update(11.9 - sag_v(1.0, 60.0) / 2, 1.0, 0.0)
    assert not idle.update(11.9 - sag_v(1.0, 60.0) / 2, 0.0, 0.0)


def test_no_voltmeter_guards_nothing() -> None:
    guard = BatteryGuard(11.9, 12.4)
    assert all(guard.update(nan, 1.0, 60.0) for _ in range(10))


def test_saturation_pressure_against_the_handbook() -> None:
    """PsychroLib 2.5.0 gives 2338.8 Pa at 20 and 12349.9 Pa at 50 degC."""
    assert saturation_pa(20.0) == pytest.approx(2338.8, rel=0.005)
    assert saturation_pa(50.0) == pytest.approx(12349.9, rel=0.005)
    assert saturation_pa(-100.0) == 0.0


def test_air_enthalpy_against_the_handbook() -> None:
    """PsychroLib 2.5.0: 38.55 kJ/kg at 20 degC and 50 %, 353.54 kJ/kg saturated at 55 degC."""
    assert air_enthalpy_j_kg(20.0, 0.5) == pytest.approx(38.55e3, rel=0.005)
    assert air_enthalpy_j_kg(55.0, 1.0) == pytest.approx(353.54e3, rel=0.01)
