"""The fan: oxygen, cooling, spare heat, and the limits of the greenhouse air."""

from __future__ import annotations

from dataclasses import replace
from math import nan

import pytest
from helpers import reading

from controller import ControllerSettings
from controller.checks import Readings, SensorChecks
from controller.fan import (
    AIRLESS,
    AIRLESS_SHARE,
    AIRY,
    HARVEST_SHARE,
    HOT_CORE_C,
    HOT_SHARE,
    TOO_HOT_CORE_C,
    WARM_UP_SHARE,
    AirNeeds,
    FanDrive,
    air_share,
    cooling_share,
    oxygen_share,
)
from controller.guards import blocked_now
from controller.media import air_enthalpy_j_kg

S = ControllerSettings()
NEEDS = AirNeeds(need=0.0, drawing=True, working=True, spare=False, core_c=55.0, pile_o2=nan)


def seen(**changes: float) -> Readings:
    return SensorChecks().read(reading(**changes), 0.0)


@pytest.mark.parametrize(
    ("change", "share"),
    [
        ({}, 0.0),
        ({"working": False}, WARM_UP_SHARE),
        ({"working": False, "core_c": 20.0}, 0.0),  # a pile still warming up is not cooled
        ({"pile_o2": AIRLESS}, AIRLESS_SHARE),
        ({"pile_o2": AIRY}, 0.0),
        ({"pile_o2": (AIRLESS + AIRY) / 2}, AIRLESS_SHARE / 2),
    ],
)
def test_oxygen(change: dict[str, float], share: float) -> None:
    assert oxygen_share(replace(NEEDS, **change)) == pytest.approx(share)


@pytest.mark.parametrize(
    ("core_c", "share"), [(50.0, 0.0), (HOT_CORE_C, 0.0), (TOO_HOT_CORE_C, HOT_SHARE), (90.0, HOT_SHARE)]
)
def test_a_pile_too_hot_is_cooled(core_c: float, share: float) -> None:
    assert cooling_share(core_c) == pytest.approx(share)


def test_spare_heat_goes_to_a_house_in_need() -> None:
    assert air_share(replace(NEEDS, spare=True, need=1.0)) == pytest.approx(HARVEST_SHARE)
    assert air_share(replace(NEEDS, spare=True, need=1.0, drawing=False)) == 0.0
    assert air_share(replace(NEEDS, spare=False, need=1.0)) == 0.0


def test_block_with_hysteresis() -> None:
    assert blocked_now(0.93, 0.92, 0.03, False)
    assert blocked_now(0.90, 0.92, 0.03, True)
    assert not blocked_now(0.90, 0.92, 0.03, False)
    assert not blocked_now(nan, 0.92, 0.03, True)


def time_on(needs: AirNeeds, tick_s: float = 60.0, hours: float = 50.0, **changes: float) -> float:
    fan, r, on = FanDrive(S), seen(**changes), 0.0
    for _ in range(round(hours * 3600.0 / tick_s)):
        fan.look(r)
        on += tick_s * (fan.step(needs, tick_s) > 0.0)
    return on / (hours * 3600.0)


@pytest.mark.parametrize("tick_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("o2", [0.05, 0.10, 0.14])
def test_the_share_is_kept_at_any_tick(tick_s: float, o2: float) -> None:
    needs = replace(NEEDS, pile_o2=o2)
    assert time_on(needs, tick_s, hours=30.0) == pytest.approx(air_share(needs), abs=0.01)


@pytest.mark.parametrize(
    ("changes", "o2", "runs"),
    [
        ({"greenhouse_rh": 0.95}, nan, False),
        ({"greenhouse_rh": 0.95}, 0.05, False),  # even where the pile wants air
        ({"greenhouse_co2": 0.003}, 0.05, False),
        ({"greenhouse_c": 30.0}, 0.05, False),
        ({"greenhouse_rh": nan, "greenhouse_co2": nan}, 0.05, True),
    ],
)
def test_limits_of_the_greenhouse_air(changes: dict[str, float], o2: float, runs: bool) -> None:
    assert (time_on(replace(NEEDS, pile_o2=o2), hours=5.0, **changes) > 0.0) is runs


def test_which_limit_holds_the_fan_is_said() -> None:
    fan = FanDrive(S)
    for changes, limit in (
        ({"greenhouse_rh": 0.95}, "humidity"),
        ({"greenhouse_co2": 0.003}, "co2"),
        ({"greenhouse_c": 30.0, "greenhouse_rh": 0.5}, "ceiling"),
        ({"greenhouse_rh": 0.5}, "air"),
    ):
        fan.look(seen(**changes))
        assert fan.limit == limit


def test_the_air_draw_is_booked_above_outdoor_air() -> None:
    fan = FanDrive(S)
    assert fan.heat_w(seen()) == 0.0
    fan.duty = 0.5
    gain = air_enthalpy_j_kg(30.0, 1.0) - air_enthalpy_j_kg(5.0, 0.8)
    assert fan.heat_w(seen(air_supply_c=30.0, air_supply_rh=1.0)) > S.fan_full_flow_kg_s * 0.5 * gain
    assert fan.heat_w(seen(air_supply_c=nan, air_supply_rh=nan, outdoor_c=nan)) > 0.0


def test_rest_is_off() -> None:
    fan = FanDrive(S)
    fan.on, fan.duty = True, 0.6
    assert fan.rest() == 0.0 and not fan.on and fan.duty == 0.0


def test_no_pile_air_while_a_fitted_co2_probe_is_silent() -> None:
    fan, airless = FanDrive(S), replace(NEEDS, pile_o2=0.05)
    for lost in (True, False):
        fan.look(seen(), co2_lost=lost)
        duties = [fan.step(airless, 60.0) for _ in range(60)]
        assert any(duties) is not lost


def test_a_fan_starts_with_its_starting_duty_and_then_turns_on_less() -> None:
    fan = FanDrive(ControllerSettings(fan_start_duty=0.4, fan_run_duty=0.15))
    fan.look(seen())
    assert [fan.by_hand(0.2) for _ in range(3)] == [0.4, 0.2, 0.2]
    assert fan.by_hand(0.05) == 0.15
