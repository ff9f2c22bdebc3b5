"""Each guard has its table of cases; each guard that remembers has a short story."""

from __future__ import annotations

from math import exp, isnan, nan

import pytest
from helpers import drawing_controller, reading
from hypothesis import given
from hypothesis import strategies as st

from controller.checks import SensorChecks
from controller.coil import expected_rise_k
from controller.fan_watch import FIRST_PAUSE_S, LONGEST_PAUSE_S, MUTE_S, STALLED_S, FanWatch
from controller.flow_witness import FIRST_LOOK_S, LATER_LOOK_S, FlowWitness
from controller.guards import (
    HOT_DAY_MOST_S,
    HOT_DAY_TOLD_S,
    TOO_HOT_LONGEST_S,
    blocked_now,
    crop_at_risk,
    fan_runs_on,
    fan_stalls,
    hand_run_takes_heat,
    hot_of_day_s,
    probes_swapped,
    scald_day_stops,
    scald_haste,
    scald_stops,
    too_hot_for_s,
    water_stands,
)
from controller.power import LEAD_ACID, LITHIUM, battery_freezes, charging_harms
from controller.stuck import CORE_S, OUTDOOR_S, SUPPLY_S, StuckWatch
from controller.tank import TankGuard


@pytest.mark.parametrize(
    ("value", "was", "now"),
    [(0.93, False, True), (0.92, False, False), (0.90, True, True), (0.88, True, False), (nan, True, False)],
)
def test_above_a_limit(value: float, was: bool, now: bool) -> None:
    assert blocked_now(value, 0.92, 0.03, was) is now


@pytest.mark.parametrize(
    ("house_c", "was", "now"),
    [(6.9, False, True), (7.0, False, False), (7.1, True, True), (7.3, True, False), (nan, True, False)],
)
def test_crop_at_risk(house_c: float, was: bool, now: bool) -> None:
    assert crop_at_risk(house_c, 7.0, was) is now


@pytest.mark.parametrize(
    ("hot_s", "supply_c", "then_s"),
    [
        (0.0, 48.9, 0.0),
        (0.0, 49.1, 10.0),
        (100.0, 49.1, 110.0),
        (100.0, 48.5, 110.0),  # hunting around the limit counts as above it
        (100.0, 47.9, 90.0),  # one cool reading buys no new waiting time
        (5.0, 30.0, 0.0),
        (100.0, nan, 100.0),
    ],
)
def test_time_of_too_hot_water(hot_s: float, supply_c: float, then_s: float) -> None:
    assert too_hot_for_s(hot_s, supply_c, 49.0, 10.0) == then_s


@pytest.mark.parametrize(
    ("hot_s", "supply_c", "stops"),
    [
        (0.0, 60.0, False),
        (TOO_HOT_LONGEST_S - 1.0, 60.0, False),
        (TOO_HOT_LONGEST_S, 60.0, True),
        (0.0, 69.5, True),
        (0.0, nan, False),
    ],
)
def test_scald_stop(hot_s: float, supply_c: float, stops: bool) -> None:
    assert scald_stops(hot_s, supply_c, 49.0) is stops


@pytest.mark.parametrize(
    ("before_s", "hot", "dt_s", "then_s"),
    [
        (0.0, True, 60.0, 60.0),
        (3590.0, True, 60.0, 3600.0),  # no more than a day forgets
        (1800.0, False, 86400.0, 0.0),
        (3600.0, False, 43200.0, 1800.0),
        (0.0, False, 60.0, 0.0),
    ],
)
def test_hot_water_of_the_day_adds_up_and_is_forgotten(before_s: float, hot: bool, dt_s: float, then_s: float) -> None:
    assert hot_of_day_s(before_s, hot, dt_s, 3600.0) == then_s


@pytest.mark.parametrize(
    ("hot_day_s", "supply_c", "stops"),
    [
        (HOT_DAY_MOST_S, 49.1, True),
        (HOT_DAY_MOST_S, 49.0, False),
        (HOT_DAY_MOST_S, nan, False),  # a probe that fell silent is the loop's business
        (HOT_DAY_MOST_S - 1.0, 60.0, False),
    ],
)
def test_the_hot_water_of_a_day_is_bounded(hot_day_s: float, supply_c: float, stops: bool) -> None:
    assert scald_day_stops(hot_day_s, supply_c, 49.0) is stops


def test_haste_begins_once_it_is_told_and_is_greatest_before_the_stop() -> None:
    assert scald_haste(0.0) == scald_haste(HOT_DAY_TOLD_S) == 0.0
    assert 0.0 < scald_haste(4000.0) < scald_haste(5000.0) < 1.0
    assert scald_haste(HOT_DAY_MOST_S) == scald_haste(7200.0) == 1.0


def test_short_bursts_of_hot_water_are_told_before_they_make_an_hour() -> None:
    """Some minutes in every quarter of an hour, each time for less than the alarm waits."""
    controller, now_s = drawing_controller()
    told_after_s, burst_s, tick_s, flow_kg_s = 0.0, 0.0, 60.0, 0.0
    for k in range(240):
        hot = k % 15 < 5  # the pump starts within the first two
        changes = {"greenhouse_c": 5.0 if hot else 20.0, "water_supply_c": 55.0 if hot else 30.0}
        d = controller.step(reading(now_s + k * tick_s, water_flow_kg_s=flow_kg_s, **changes))
        flow_kg_s = 0.06 if d.commands.pump_duty > 0.0 else 0.0
        burst_s += tick_s if d.commands.pump_duty > 0.0 and hot else 0.0
        if any(a.code == "scald" for a in d.alarms):
            told_after_s = burst_s
            break
    assert HOT_DAY_TOLD_S / 2.0 < told_after_s <= 3600.0


def test_too_hot_water_flows_no_longer_than_49_degrees_take_to_burn() -> None:
    """The burn table of the plumbing trade (antiscald.com): 49 degC burns after 8 to 10 minutes."""
    assert TOO_HOT_LONGEST_S <= 8 * 60.0


def test_expected_rise_against_a_worked_example() -> None:
    """Coil of 150 W/K in a bed of 55 degC, water entering at 20 degC with 0.0625 kg/s: it leaves at 35.3 degC
    (effectiveness 0.436; worked by hand from 1 - exp(-NTU))."""
    assert 20.0 + expected_rise_k(55.0, 20.0, 0.0625, 150.0) == pytest.approx(35.27, abs=0.05)
    assert expected_rise_k(55.0, 20.0, 0.1, 418.6) == pytest.approx(35.0 * (1.0 - exp(-1.0)))
    assert expected_rise_k(55.0, 20.0, 0.0, 150.0) == expected_rise_k(55.0, 20.0, nan, 150.0) == 0.0


@pytest.mark.parametrize(
    ("start_c", "supply_c", "return_c", "stands"),
    [
        (15.0, 15.2, 15.0, True),  # as cold as what enters
        (25.0, 25.3, 18.0, True),  # far below what a coil gives, and unmoved
        (20.0, 25.0, 18.0, False),  # far below, but it moves
        (38.0, 38.2, 18.0, False),  # unmoved where it belongs
        (55.0, 55.0, 18.0, False),  # standing hot water cannot be told from a hot pile
        (15.0, 45.2, 45.0, False),  # return as hot as the core: says nothing
        (nan, nan, 15.0, False),
        (15.0, 15.0, nan, False),
    ],
)
def test_standing_water(start_c: float, supply_c: float, return_c: float, stands: bool) -> None:
    span_k = 58.0 - return_c
    assert water_stands(start_c, supply_c, return_c, 0.6 * span_k, span_k) is stands


@pytest.mark.parametrize(
    ("flow", "supply_c", "return_c", "core_c", "swapped"),
    [
        (0.06, 20.0, 35.0, 55.0, True),
        (0.06, 34.0, 35.0, 55.0, False),
        (0.0, 20.0, 35.0, 55.0, False),
        (0.06, 20.0, 35.0, 25.0, False),  # a pile colder than the water does cool it
        (0.06, nan, 35.0, 55.0, False),
    ],
)
def test_swapped(flow: float, supply_c: float, return_c: float, core_c: float, swapped: bool) -> None:
    assert probes_swapped(flow, supply_c, return_c, core_c) is swapped


@pytest.mark.parametrize(
    ("supply_c", "return_c", "takes"), [(20.0, 20.0, False), (40.0, 20.0, True), (nan, 20.0, True), (20.0, nan, True)]
)
def test_what_a_hand_run_takes(supply_c: float, return_c: float, takes: bool) -> None:
    assert hand_run_takes_heat(supply_c, return_c) is takes


@pytest.mark.parametrize(
    ("duty", "speed_hz", "stalls", "runs_on"),
    [
        (0.6, 0.0, True, False),
        (0.6, 20.0, False, False),
        (0.0, 20.0, False, True),
        (0.0, 1.5, False, False),
        (0.6, nan, False, False),
        (0.0, nan, False, False),
    ],
)
def test_fan_speed(duty: float, speed_hz: float, stalls: bool, runs_on: bool) -> None:
    assert (fan_stalls(duty, speed_hz), fan_runs_on(duty, speed_hz)) == (stalls, runs_on)


@pytest.mark.parametrize(
    ("kind", "volts", "outdoor_c", "harms", "freezes"),
    [
        (LITHIUM, 13.0, -1.0, True, False),
        (LITHIUM, 13.0, 1.0, False, False),
        (LEAD_ACID, 12.6, -15.0, False, False),
        (LEAD_ACID, 11.6, -15.0, False, True),
        (LEAD_ACID, 11.6, -3.0, False, False),
        (LEAD_ACID, nan, nan, False, False),
    ],
)
def test_cold_batteries(kind: str, volts: float, outdoor_c: float, harms: bool, freezes: bool) -> None:
    assert charging_harms(kind, outdoor_c) is harms
    assert battery_freezes(kind, volts, outdoor_c) is freezes


# --- the fan's watch


def watch_fan(watch: FanWatch, duty: float, speed_hz: float, seconds: float, tick_s: float = 10.0) -> bool:
    return [watch.update(duty, speed_hz, tick_s, tick_s) for _ in range(round(seconds / tick_s))][-1]


def test_a_stalled_fan_rests_longer_each_time_and_a_turn_forgives_it() -> None:
    watch = FanWatch()
    watch_fan(watch, 0.6, 25.0, 60.0)
    assert watch_fan(watch, 0.6, 0.0, STALLED_S - 10.0)
    assert not watch_fan(watch, 0.6, 0.0, 10.0)
    assert watch.locked_s == FIRST_PAUSE_S
    assert watch_fan(watch, 0.0, 0.0, FIRST_PAUSE_S)
    assert not watch_fan(watch, 0.6, 0.0, STALLED_S)
    assert watch.locked_s == 2.0 * FIRST_PAUSE_S <= LONGEST_PAUSE_S
    watch_fan(watch, 0.0, 0.0, watch.locked_s)
    watch_fan(watch, 0.6, 25.0, 20.0)
    assert watch.pause_s == FIRST_PAUSE_S and not watch.locked


def test_a_speed_wire_that_never_worked_stops_no_fan() -> None:
    watch = FanWatch()
    assert watch_fan(watch, 0.6, 0.0, 2.0 * MUTE_S)
    assert watch.mute and not watch.locked
    watch_fan(watch, 0.6, 20.0, 10.0)
    assert not watch.mute


def test_a_fan_may_coast() -> None:
    watch = FanWatch()
    watch_fan(watch, 0.6, 20.0, 60.0)
    watch_fan(watch, 0.0, 20.0, 50.0)
    assert not watch.runs_on
    watch_fan(watch, 0.0, 20.0, 60.0)
    assert watch.runs_on


def test_a_fan_that_runs_on_is_told_until_it_is_seen_to_stand() -> None:
    watch = FanWatch()
    watch_fan(watch, 0.0, 20.0, 120.0)
    for duty, speed_hz, runs_on in ((0.0, nan, True), (0.6, 20.0, True), (0.0, nan, True), (0.0, 0.0, False)):
        watch_fan(watch, duty, speed_hz, 120.0)
        assert watch.runs_on is runs_on


# --- the tank


def test_a_tank_with_fish_is_not_warmed_faster_than_they_bear() -> None:
    """1 to 1.7 K within 24 h is the general rule for fish (enviroliteracy.org)."""
    tank, blocked_at = TankGuard(1.5), 0.0
    for minute in range(12 * 60):
        if tank.update(15.0 + minute / 240.0, 60.0) and not blocked_at:
            blocked_at = minute / 240.0
    assert blocked_at == pytest.approx(1.5, abs=0.02)
    assert tank.changes_too_fast
    for _ in range(26 * 60):  # held where it is, a day forgets the rise
        blocked = tank.update(18.0, 60.0)
    assert not blocked and tank.rise_k == 0.0


def test_a_falling_tank_is_told_but_may_be_warmed() -> None:
    tank = TankGuard(1.5)
    for minute in range(10 * 60):
        blocked = tank.update(15.0 - minute / 240.0, 60.0)
    assert tank.changes_too_fast and not blocked


def test_no_tank_no_guard() -> None:
    tank = TankGuard(1.5)
    assert not any(tank.update(nan, 60.0) for _ in range(3000)) and not tank.changes_too_fast


# --- stuck readings


def screened(watch: StuckWatch, dt_s: float, **changes: float) -> float:
    r = SensorChecks().read(reading(**changes), 0.0)
    watch.screen(r, dt_s)
    return r.water_supply_c


def test_a_supply_frozen_through_a_start_is_no_longer_believed_until_it_moves() -> None:
    watch = StuckWatch()
    for k in range(60):
        screened(watch, 60.0, water_supply_c=18.0)
        if k > 30:  # half an hour off, then water moves
            watch.water_moved(-20.0, 60.0 * (k - 30), 60.0)
            assert watch.supply_stuck is (k >= 30 + round(SUPPLY_S / 60.0))
    assert watch.supply_stuck
    assert screened(watch, 60.0, water_supply_c=18.0) != 18.0
    assert screened(watch, 60.0, water_supply_c=18.0625) == 18.0625
    assert not watch.supply_stuck


@pytest.mark.parametrize("far_k", [3.0, nan])
def test_no_false_word_of_a_stuck_supply(far_k: float) -> None:
    watch = StuckWatch()
    for _ in range(120):
        screened(watch, 60.0, water_supply_c=38.0)
        watch.water_moved(far_k, 4 * SUPPLY_S, 60.0)
    assert not watch.supply_stuck


def test_short_draws_past_a_supply_that_never_changes_prove_as_much_as_a_long_one() -> None:
    watch = StuckWatch()
    for draws in range(1, 4):
        for k in range(12):  # two minutes on, ten off
            screened(watch, 60.0, water_supply_c=18.0)
            if k >= 10:
                watch.water_moved(-20.0, 60.0 * (k - 9), 60.0)
        assert watch.supply_stuck is (120.0 * draws >= SUPPLY_S)


def test_a_change_between_two_short_draws_begins_the_count_anew() -> None:
    watch = StuckWatch()
    for k in range(60):
        screened(watch, 60.0, water_supply_c=18.0 if k % 5 else 18.0625)
        if k % 5 > 1:
            watch.water_moved(-20.0, 60.0, 60.0)
    assert not watch.supply_stuck


def test_a_supply_that_moved_once_after_the_start_is_not_stuck() -> None:
    watch = StuckWatch()
    for k in range(60):
        screened(watch, 60.0, water_supply_c=18.0 if k < 10 else 24.0)
        watch.water_moved(-20.0, 60.0 * k, 60.0)
    assert not watch.supply_stuck


@given(st.integers(1, 200))
def test_a_quantised_probe_may_stay_equal_for_hours(hours: int) -> None:
    watch = StuckWatch()
    for _ in range(hours):
        screened(watch, 3600.0, pile_core_c=55.0625, outdoor_c=-3.0)
    assert watch.core_stuck is ((hours - 1) * 3600.0 >= CORE_S)
    assert watch.outdoor_stuck is ((hours - 1) * 3600.0 >= OUTDOOR_S)


# --- does water move, without a meter


def witnessed(supply_c: float, minutes: int, tried: bool = False) -> int:
    witness, acts = FlowWitness(250.0), 0
    for minute in range(1, minutes + 1):
        witness.update(15.0, supply_c, 15.0, 58.0, 0.06, 60.0)
        acts += witness.stands(tried, 60.0 * minute)
    return acts


def test_water_that_stays_cold_is_acted_on_and_sooner_after_a_try() -> None:
    assert witnessed(15.3, round(FIRST_LOOK_S / 60.0)) == 1
    assert witnessed(15.3, round(FIRST_LOOK_S / 60.0) - 1) == 0
    assert witnessed(15.3, round(LATER_LOOK_S / 60.0), tried=True) == 1


def test_water_that_creeps_up_for_an_hour_does_not_move_and_a_front_does() -> None:
    """From 15 degC under a core at 58: a trickle warms the probe by 2 K a minute, real water by 12 K at once."""
    for per_minute_k, acts in ((2.0, 1), (5.0, 0), (12.0, 0)):
        witness, acted = FlowWitness(250.0), 0
        for minute in range(1, 1 + round(FIRST_LOOK_S / 60.0)):
            witness.update(15.0, min(15.0 + per_minute_k * minute, 28.0), 15.0, 58.0, 0.06, 60.0)
            acted += witness.stands(False, 60.0 * minute)
        assert acted == acts and witness.front is not bool(acts)
        witness.rest()
        assert not witness.front and isnan(witness.crept_c) and witness.stands_s == 0.0


def test_what_no_reading_shows_is_neither_front_nor_creep() -> None:
    witness = FlowWitness(250.0)
    witness.update(nan, nan, 15.0, 58.0, 0.06, 60.0)
    assert isnan(witness.crept_c) and not witness.front
    witness.update(nan, 40.0, 15.0, 58.0, 0.06, 60.0)
    assert witness.crept_c == 40.0 and not witness.front
    witness.update(nan, 46.0, 15.0, 58.0, 0.06, 60.0)
    assert witness.crept_c == 43.0 and not witness.front
    witness.update(nan, 49.5, 15.0, 58.0, 0.06, 60.0)
    assert witness.front


def test_warm_water_and_unknown_water_are_not() -> None:
    assert witnessed(40.0, 600) == witnessed(nan, 600) == witnessed(24.0, 600) == 0
