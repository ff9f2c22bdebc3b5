"""Which readings are believed."""

from __future__ import annotations

from math import inf, isnan, nan

import pytest
from helpers import reading
from hypothesis import given
from hypothesis import strategies as st

from controller.checks import HOLD_S, SENSORS, Sensor, SensorChecks

CORE = SENSORS["pile_core_c"]


def believed(kind_name: str, readings: list[float], tick_s: float = 10.0) -> float:
    sensor, value = Sensor(SENSORS[kind_name]), nan
    for k, raw in enumerate(readings):
        value = sensor.judge(raw, k * tick_s)
    return value


@pytest.mark.parametrize(
    ("name", "readings", "value"),
    [
        ("pile_core_c", [55.0, 55.1], 55.1),
        ("pile_core_c", [55.0, nan], 55.0),  # held for a while
        ("pile_core_c", [55.0, -127.0], 55.0),
        ("pile_core_c", [55.0, 127.94], 55.0),
        ("pile_core_c", [55.0, inf], 55.0),
        ("pile_core_c", [55.0, 85.0], 55.0),  # a probe's power-on code
        ("pile_core_c", [55.0] + [85.0] * 200, nan),  # which never becomes true by lasting
        ("pile_core_c", [84.0, 85.0], 85.0),  # but 85 is a possible temperature
        ("pile_core_c", [83.5, 84.9, 85.0], 85.0),
        ("pile_core_c", [85.0], nan),
        ("pile_core_c", [55.0, 70.0], 55.0),  # tonnes of compost do not jump
        ("pile_core_c", [55.0, 40.0, 40.1, 39.9, 40.0, 40.0, 40.0, 40.0], 40.0),  # a fall is believed after a minute
        ("pile_core_c", [55.0] + [70.0] * 30, 55.0),  # a rise not after five
        ("pile_core_c", [55.0] + [70.0] * 65, 70.0),  # but after ten
        ("pile_core_c", [55.0, 40.0, 55.0, 40.0, 55.0], 55.0),
        ("water_supply_c", [15.0, 55.0], 15.0),
        ("water_supply_c", [15.0, 55.0, 54.0], 54.0),  # water may jump, and then stays there
        ("water_supply_c", [15.0, 25.0, 13.0, 24.0, 16.0, 9.0], 16.0),  # a probe that leaps to and fro
        ("water_supply_c", [15.0, 85.0], 15.0),
        ("water_supply_c", [84.0, 85.0], 85.0),
        ("greenhouse_c", [8.0, 30.0], 8.0),
        ("pump_battery_v", [12.6, 0.0], 12.6),  # a loose wire is no reading
        ("pump_battery_v", [12.6, 9.0], 12.6),
        ("pump_battery_v", [12.6] + [9.0] * 8, 9.0),
        ("water_flow_kg_s", [0.06, -1e300], 0.06),
        ("greenhouse_rh", [0.8, 1.02], 1.02),
        ("greenhouse_rh", [0.8, 5.0], 0.8),
        ("pile_o2", [5e-324], 5e-324),
    ],
)
def test_what_is_believed(name: str, readings: list[float], value: float) -> None:
    got = believed(name, readings)
    assert got == value or (isnan(value) and isnan(got))


def test_a_lost_reading_is_dropped_after_its_time() -> None:
    sensor = Sensor(CORE)
    sensor.judge(55.0, 0.0)
    assert sensor.judge(nan, HOLD_S) == 55.0
    assert isnan(sensor.judge(nan, HOLD_S + 1.0))
    assert sensor.judge(30.0, HOLD_S + 2.0) == 30.0  # after a silence whatever comes first counts


@given(st.lists(st.floats(), max_size=30), st.sampled_from(sorted(SENSORS)))
def test_whatever_is_believed_is_in_range(readings: list[float], name: str) -> None:
    value, kind = believed(name, readings), SENSORS[name]
    assert isnan(value) or kind.low <= value <= kind.high


def test_every_measurement_has_its_check_and_keeps_its_name() -> None:
    checks = SensorChecks()
    r = checks.read(reading(water_supply_c=41.5, greenhouse_co2=0.0007), 0.0)
    assert r.water_supply_c == 41.5
    assert r.greenhouse_co2 == 0.0007
    assert isnan(r.pile_o2)


def test_only_a_sensor_that_once_worked_can_be_lost() -> None:
    checks = SensorChecks()
    checks.read(reading(tank_c=nan), 0.0)
    checks.read(reading(tank_c=nan, water_supply_c=nan), HOLD_S + 1.0)
    assert checks.lost("water_supply_c") and not checks.lost("tank_c")
    assert checks.fitted("water_supply_c") and not checks.fitted("tank_c")


def test_a_sensor_that_is_expected_and_never_reads_is_lost_from_the_start() -> None:
    checks = SensorChecks()
    checks.expect(["water_supply_c"])
    checks.read(reading(water_supply_c=nan, tank_c=nan), 0.0)
    assert checks.lost("water_supply_c") and not checks.lost("tank_c")
    with pytest.raises(ValueError, match="'water_c' is unknown; known are pile_core_c"):
        checks.expect(["water_c"])
