"""Each guard at its limit, in plain numbers: just below, at, just above. Numbers without a source are own judgement."""

from __future__ import annotations

from math import inf, isnan, nan, nextafter

import pytest
from helpers import CALM, DRAWING, START_S, drawing_controller, reading

from controller import Controller
from controller.alarms import CODES
from controller.checks import SENSORS, Sensor, SensorChecks
from controller.coil import TELLING_SPAN_K, expected_rise_k
from controller.conditions import conditions
from controller.draw import HeatAccount, Outlook, crop_need, generosity, headroom_k, tapered_w, zero_draw_c
from controller.fan import FanDrive
from controller.flow_witness import FlowWitness
from controller.frost import FrostGuard, frost_threat, next_wait_s
from controller.giving_way import DEFAULT_ORDER, floor_may_be_spent, ranks, recovery_days, reserve_levels_v
from controller.guards import (
    crop_at_risk,
    fan_runs_on,
    fan_stalls,
    fan_turns,
    hand_run_takes_heat,
    probes_swapped,
    scald_stops,
    too_hot_for_s,
    water_stands,
)
from controller.phases import (
    DRAINED,
    FAULTED,
    FIRST_DRAW,
    HARVEST,
    HOLD_OFF,
    MANUAL,
    REST,
    WINDING_DOWN,
    Facts,
    next_phase,
)
from controller.power import CHEMISTRIES, LEAD_ACID, LITHIUM, BatteryGuard, battery_freezes, charging_harms, sag_v
from controller.pump import ARMED, OFF, RUN, PumpDrive
from controller.settings import ControllerSettings
from controller.stuck import Still, StuckWatch
from controller.tank import TankGuard
from controller.water_noise import WaterNoise

DAY_S, HOUR_S = 86400.0, 3600.0
S = ControllerSettings()

# --- guards


@pytest.mark.parametrize(
    ("house_c", "was", "risk"), [(6.99, False, True), (7.0, False, False), (7.19, True, True), (7.2, True, False)]
)
def test_crop(house_c: float, was: bool, risk: bool) -> None:
    assert crop_at_risk(house_c, 7.0, was) is risk


@pytest.mark.parametrize(
    ("hot_s", "supply_c", "then_s"),
    [(0.0, 49.0, 0.0), (0.0, 49.1, 10.0), (0.0, 48.5, 0.0), (30.0, 48.1, 40.0), (30.0, 48.0, 20.0), (5.0, 40.0, 0.0)],
)
def test_time_of_hot_water(hot_s: float, supply_c: float, then_s: float) -> None:
    assert too_hot_for_s(hot_s, supply_c, 49.0, 10.0) == then_s


@pytest.mark.parametrize(
    ("hot_s", "supply_c", "stops"),
    [(479.0, 50.0, False), (480.0, 50.0, True), (0.0, 69.0, False), (0.0, 69.5, True), (480.0, nan, True)],
)
def test_eight_minutes_or_twenty_kelvin(hot_s: float, supply_c: float, stops: bool) -> None:
    """49 degC burns after 8 to 10 minutes by the burn tables of the plumbing trade."""
    assert scald_stops(hot_s, supply_c, 49.0) is stops


@pytest.mark.parametrize(
    ("start_c", "supply_c", "span_k", "stands"),
    [
        (20.0, 16.0, 15.0, False),
        (20.0, 16.0, 15.5, True),
        (40.0, 16.5, 40.0, True),  # 1.5 of 20 K
        (40.0, 17.0, 40.0, False),  # a tenth
        (22.5, 22.5, 40.0, True),  # unmoved, and 7.5 of 20 K
        (25.0, 25.0, 40.0, False),  # unmoved, and exactly half
        (24.5, 24.5, 40.0, True),
        (22.0, 23.0, 40.0, False),  # four tenths
        (21.5, 22.5, 40.0, False),  # moved by 1 K
        (21.75, 22.5, 40.0, True),
    ],
)
def test_standing_water(start_c: float, supply_c: float, span_k: float, stands: bool) -> None:
    assert water_stands(start_c, supply_c, 15.0, 20.0, span_k) is stands


@pytest.mark.parametrize(
    ("flow", "supply_c", "core_c", "swapped"),
    [
        (0.06, 18.0, 50.0, False),
        (0.06, 17.5, 50.0, True),
        (0.0, 17.5, 50.0, False),
        (0.06, 17.5, 22.0, False),
        (0.06, 17.5, 22.5, True),
    ],
)
def test_swapped(flow: float, supply_c: float, core_c: float, swapped: bool) -> None:
    assert probes_swapped(flow, supply_c, 20.0, core_c) is swapped


@pytest.mark.parametrize(("supply_c", "takes"), [(21.0, False), (21.5, True), (nan, True)])
def test_a_hand_run_takes_heat(supply_c: float, takes: bool) -> None:
    assert hand_run_takes_heat(supply_c, 20.0) is takes


@pytest.mark.parametrize(
    ("duty", "speed_hz", "stalls", "runs_on"),
    [
        (0.5, 0.9, True, False),
        (0.5, 1.0, False, False),
        (0.0, 0.5, False, False),
        (0.0, 2.0, False, False),
        (0.0, 2.1, False, True),
        (0.2, 9.0, False, False),
        (0.5, nan, False, False),
    ],
)
def test_fan(duty: float, speed_hz: float, stalls: bool, runs_on: bool) -> None:
    assert fan_stalls(duty, speed_hz) is stalls and fan_runs_on(duty, speed_hz) is runs_on
    assert fan_turns(duty, speed_hz) is (duty > 0.0 and speed_hz == speed_hz and not stalls)


@pytest.mark.parametrize(
    ("house_c", "hot"), [((24.0,), False), ((24.1,), True), ((24.1, 23.6), True), ((24.1, 23.5), False)]
)
def test_a_house_that_was_too_warm_is_let_go_half_a_kelvin_lower(house_c: tuple[float, ...], hot: bool) -> None:
    fan = FanDrive(S)
    for now_c in house_c:
        fan.look(SensorChecks().read(reading(greenhouse_c=now_c), 0.0))
    assert fan.hot is hot and fan.limit == ("ceiling" if hot else "air")


# --- power


def test_voltages_of_the_two_chemistries() -> None:
    """A charge controller manual's table of rest voltages (lead-acid) and a charger manual; lithium's others from memory."""
    lead, lithium = CHEMISTRIES[LEAD_ACID], CHEMISTRIES[LITHIUM]
    assert (lead.low_v, lead.ok_v, lead.empty_v, lead.charging_v) == (11.9, 12.4, 11.75, 13.2)
    assert (lithium.low_v, lithium.ok_v, lithium.empty_v, lithium.charging_v) == (12.8, 13.1, 12.5, 13.5)


@pytest.mark.parametrize(("duty", "power_w", "volts"), [(1.0, 60.0, 0.4), (0.5, 60.0, 0.2), (1.0, 30.0, 0.2)])
def test_sag(duty: float, power_w: float, volts: float) -> None:
    assert sag_v(duty, power_w) == pytest.approx(volts)


@pytest.mark.parametrize(
    ("kind", "volts", "outdoor_c", "harms", "freezes"),
    [
        (LITHIUM, 13.0, 0.0, False, False),
        (LITHIUM, 13.0, -0.5, True, False),
        (LITHIUM, 11.0, -9.0, True, False),
        (LEAD_ACID, 11.7, -7.0, False, False),
        (LEAD_ACID, 11.7, -7.5, False, True),
        (LEAD_ACID, 11.75, -7.5, False, False),
    ],
)
def test_cold(kind: str, volts: float, outdoor_c: float, harms: bool, freezes: bool) -> None:
    """A flat lead-acid battery freezes from -7 degC on (a maker's table, at second hand)."""
    assert charging_harms(kind, outdoor_c) is harms and battery_freezes(kind, volts, outdoor_c) is freezes


def test_the_rest_voltage_is_followed_half_way_in_two_minutes() -> None:
    guard = BatteryGuard(11.9, 12.4)
    assert guard.allowed and guard.frost and guard.crop
    guard.update(12.8, 0.0, 60.0)
    guard.update(12.0, 0.0, 120.0)
    assert guard.volts == pytest.approx(12.4)
    guard.update(12.0, 1.0, 120.0)  # under load it rests 0.4 V higher
    assert guard.volts == pytest.approx(12.4)


@pytest.mark.parametrize(
    ("volts", "before", "allowed", "frost", "crop"),
    [
        (12.4, (False, False, False), True, True, True),
        (12.39, (False, False, False), False, True, True),
        (11.9, (True, True, True), True, True, True),
        (11.85, (True, True, True), False, True, True),
        (11.79, (True, True, True), False, True, False),
        (11.74, (True, True, True), False, False, False),
        (11.94, (False, False, False), False, False, False),
        (11.96, (False, False, False), False, True, False),  # 0.2 V above its lowest
        (12.01, (False, False, False), False, True, True),
        (nan, (False, True, False), False, True, False),
        (nan, (True, False, False), True, True, True),  # what may run anyway may run against frost
    ],
)
def test_each_service_has_its_own_lowest_voltage(
    volts: float, before: tuple[bool, bool, bool], allowed: bool, frost: bool, crop: bool
) -> None:
    guard = BatteryGuard(11.9, 12.4, 60.0, frost_v=11.75, crop_v=11.8)
    guard.volts, (guard.allowed, guard.frost, guard.crop) = volts, before
    assert guard.update(nan, 0.0, 60.0) is allowed
    assert (guard.allowed, guard.frost, guard.crop) == (allowed, frost, crop)


@pytest.mark.parametrize("was", [True, False])
def test_a_service_without_privilege_follows_the_ordinary_rule(was: bool) -> None:
    guard = BatteryGuard(11.9, 12.4)
    guard.volts, guard.allowed = 12.2, was
    guard.update(nan, 0.0, 60.0)
    assert guard.frost is guard.crop is was


# --- frost


@pytest.mark.parametrize(
    ("outdoor_c", "return_c", "supply_c", "threat"),
    [
        (1.0, 0.0, 0.0, False),
        (0.9, 9.0, 9.0, True),
        (nan, 3.0, 3.0, False),
        (nan, 2.9, 3.0, True),
        (nan, 3.0, 2.9, True),
    ],
)
def test_threat_of_frost(outdoor_c: float, return_c: float, supply_c: float, threat: bool) -> None:
    assert frost_threat(outdoor_c, return_c, supply_c) is threat


@pytest.mark.parametrize(
    ("wait_s", "coldest_c", "outdoor_c", "then_s"),
    [
        (1000.0, 3.1, -20.0, 1600.0),
        (1000.0, 3.0, -20.0, 1200.0),
        (1000.0, 2.0, -20.0, 1000.0),
        (1000.0, 1.0, -20.0, 700.0),
        (2000.0, 0.3, -20.0, 1000.0),
        (1000.0, 0.3, -20.0, 600.0),
        (20000.0, 9.0, -20.0, 21600.0),
        (1000.0, nan, 0.0, 3600.0),
        (1000.0, nan, 5.0, 3600.0),
        (1000.0, nan, -15.0, 900.0),
        (1000.0, nan, -60.0, 600.0),
        (1000.0, nan, nan, 1800.0),
    ],
)
def test_next_wait(wait_s: float, coldest_c: float, outdoor_c: float, then_s: float) -> None:
    assert next_wait_s(wait_s, coldest_c, outdoor_c) == pytest.approx(then_s)


@pytest.mark.parametrize(("line_m3", "pulse_kg"), [(0.02, 5.0), (0.004, 2.0)])
def test_a_pulse_moves_a_quarter_of_the_line_but_two_kilograms(line_m3: float, pulse_kg: float) -> None:
    guard = FrostGuard(line_m3, WaterNoise())
    assert guard.pulse_left_s(0.05) == pytest.approx(pulse_kg / 0.05)
    guard.moved_kg = 1.0
    assert guard.pulse_left_s(0.05) == pytest.approx((pulse_kg - 1.0) / 0.05) and guard.pulse_left_s(0.0) == 5.0


def test_the_first_pulse_comes_after_an_hour_and_ends_after_five_minutes_at_most() -> None:
    guard = FrostGuard(0.02, WaterNoise())
    assert not any(guard.due(-5.0, 9.0, 9.0, 0.0, 60.0) for _ in range(59))
    assert guard.due(-5.0, 9.0, 9.0, 0.0, 60.0)
    assert all(guard.due(-5.0, 9.0, 9.0, 0.006, 60.0) for _ in range(4))
    assert not guard.due(-5.0, 9.0, 9.0, 0.006, 60.0) and guard.still_s == 0.0


def test_a_pulse_that_moves_nothing_ends_after_a_minute_and_a_half() -> None:
    guard = FrostGuard(0.02, WaterNoise())
    guard.pulsing = True
    assert guard.due(-5.0, 9.0, 9.0, 0.0, 89.0)
    assert not guard.due(-5.0, 9.0, 9.0, 0.0, 1.0)


def test_a_pulse_ends_with_the_frost_or_with_its_water() -> None:
    for outdoor_c, flow, on in ((-5.0, 0.04, True), (2.0, 0.04, False), (-5.0, 0.05, False)):
        guard = FrostGuard(0.02, WaterNoise())
        guard.pulsing, guard.moved_kg = True, 4.0
        assert guard.due(outdoor_c, 9.0, 9.0, flow, 20.0) is on


def believing(**fields: float) -> FrostGuard:
    guard = FrostGuard(0.02, WaterNoise())
    usual = {"learnt_s": 0.0, "learnt_at_c": -2.0, "standing_c": 5.0, "gap_k": 1.0, "outdoor_c": -2.0}
    for name, value in (usual | fields).items():
        setattr(guard, name, value)
    return guard


@pytest.mark.parametrize(
    ("fields", "outdoor_c", "warm"),
    [
        ({}, -2.0, True),
        ({"learnt_s": 4 * DAY_S}, -2.0, True),
        ({"learnt_s": 4 * DAY_S + 1.0}, -2.0, False),
        ({}, -6.0, True),
        ({}, -6.5, False),
        ({"standing_c": 1.75}, -2.0, True),
        ({"standing_c": 1.5}, -2.0, False),
        ({"standing_c": nan}, -2.0, False),
        # the last pulse showed the line itself: less what the air and the ground have lost since
        (
            {"standing_c": 0.6, "gap_k": 0.0, "shown_c": 9.0, "shown_at_c": -9.0},
            -2.0,
            False,
        ),  # against what a probe shows
        ({"standing_c": 0.7, "gap_k": 5.0, "shown_c": 9.0, "shown_at_c": -9.0}, -2.0, True),
        ({"standing_c": nan, "shown_c": 3.75, "shown_at_c": 1.0, "outdoor_c": -2.0}, -20.0, True),
        ({"standing_c": nan, "shown_c": 3.5, "shown_at_c": 1.0, "outdoor_c": -2.0}, -2.0, False),
        ({"standing_c": nan, "shown_c": 0.75, "shown_at_c": -9.0, "outdoor_c": -2.0}, -2.0, True),
        ({"standing_c": nan, "shown_c": 1.0, "shown_at_c": -2.0, "learnt_s": 3 * DAY_S}, -2.0, True),
        ({"standing_c": nan, "shown_c": 0.6, "shown_at_c": -9.0}, -2.0, False),
        ({"standing_c": nan, "shown_c": 1.0, "shown_at_c": -2.0, "learnt_s": 5 * DAY_S}, -2.0, False),
    ],
)
def test_when_the_line_is_believed_warm(fields: dict[str, float], outdoor_c: float, warm: bool) -> None:
    assert believing(**fields)._believed_warm(outdoor_c) is warm


@pytest.mark.parametrize(
    ("return_c", "supply_c", "standing_c"),
    [(4.0, 5.0, 4.0), (4.0, 3.0, 3.0), (nan, 5.0, nan), (nan, 0.6, 0.6), (4.0, nan, 4.0)],
)
def test_the_colder_of_the_standing_probes_counts(return_c: float, supply_c: float, standing_c: float) -> None:
    guard = FrostGuard(0.02, WaterNoise())
    guard.due(5.0, return_c, supply_c, 0.0, 60.0)
    assert guard.standing_c == pytest.approx(standing_c, nan_ok=True)


def test_water_moved_and_the_coldest_of_it() -> None:
    guard = FrostGuard(0.02, WaterNoise())
    guard.still_s = 500.0
    for return_c in (7.0, 3.0, nan, 9.0):
        guard.due(5.0, return_c, 20.0, 0.01, 600.0)  # a gap in the readings counts two minutes of flow at most
    assert guard.moved_kg == pytest.approx(4.8) and guard.still_s == 500.0
    assert guard.coldest_c == 3.0  # a silent moment forgets nothing
    guard.due(5.0, 9.0, 20.0, 0.01, 60.0)
    assert guard.still_s == 0.0  # a draw that moved as much as a pulse is as good as one
    guard.due(5.0, 9.0, 20.0, 0.0, 60.0)
    assert guard.moved_kg == 0.0 and isnan(guard.coldest_c) and guard.still_s == 60.0


def test_outdoor_air_is_followed_half_way_in_three_hours() -> None:
    guard = FrostGuard(0.02, WaterNoise())
    guard.due(0.0, 9.0, 9.0, 0.0, 60.0)
    assert guard.outdoor_c == 0.0
    guard.due(-10.0, 9.0, 9.0, 0.0, 3 * HOUR_S)
    assert guard.outdoor_c == -5.0
    guard.due(nan, 9.0, 9.0, 0.0, 3 * HOUR_S)
    assert guard.outdoor_c == -5.0


@pytest.mark.parametrize(
    ("stood_s", "moved_kg", "gap_k", "shown_c"),
    [(12 * HOUR_S, 5.0, 2.0, 3.0), (12 * HOUR_S - 1.0, 5.0, 2.0, nan), (12 * HOUR_S, 4.9, nan, nan)],
)
def test_what_a_pulse_teaches(stood_s: float, moved_kg: float, gap_k: float, shown_c: float) -> None:
    guard = FrostGuard(0.02, WaterNoise())
    guard.standing_c, guard.coldest_c, guard.stood_s, guard.moved_kg = 5.0, 3.0, stood_s, moved_kg
    guard.outdoor_c, guard.learnt_s, guard.pulsing = -4.0, 100.0, True
    guard._end(-6.0)
    assert not guard.pulsing and guard.still_s == 0.0 and guard.wait_s == 3600.0 * 1.2
    assert guard.gap_k == pytest.approx(gap_k, nan_ok=True) and guard.shown_c == pytest.approx(shown_c, nan_ok=True)
    learnt = moved_kg >= 5.0
    assert guard.learnt_s == (0.0 if learnt else 100.0)
    assert guard.learnt_at_c == pytest.approx(-6.0 if learnt else nan, nan_ok=True)
    assert guard.shown_at_c == pytest.approx(-4.0 if learnt else nan, nan_ok=True)


def test_a_line_warmer_than_its_probes_has_no_gap() -> None:
    guard = FrostGuard(0.02, WaterNoise())
    guard.standing_c, guard.coldest_c, guard.moved_kg = 3.0, 5.0, 9.0
    guard._end(-6.0)
    assert guard.gap_k == 0.0


def test_the_days_mean_of_what_pulses_cost() -> None:
    guard = FrostGuard(0.02, WaterNoise())
    guard.pulsing = True
    guard.book(400.0, DAY_S)
    assert guard.heat_day_w == 200.0
    guard.pulsing = False
    guard.book(400.0, DAY_S)
    assert guard.heat_day_w == 100.0


# --- tank


def test_a_tank_is_let_go_a_tenth_below_its_limit_and_told_above_it() -> None:
    tank = TankGuard(2.0)
    seen = []
    for tank_c in (10.0, 12.0, 12.5, 11.85, 11.75, 12.0):
        seen.append((tank.update(tank_c, 60.0), tank.changes_too_fast))
    assert seen == [(False, False), (False, False), (True, True), (True, False), (False, False), (False, False)]
    assert tank.update(12.5, 60.0) and not tank.update(nan, 60.0) and not tank.blocked


def test_a_tank_remembers_twenty_four_full_hours() -> None:
    tank = TankGuard(2.0)
    tank.update(10.0, 60.0)  # kept at once
    rises_k = []
    for _ in range(24):
        tank.update(11.0, HOUR_S)
        rises_k.append(tank.rise_k)
    assert rises_k == [1.0] * 23 + [0.0]
    for tank_c in (11.0, 8.5):
        tank.update(tank_c, 1799.0)
    assert tank.fall_k == 2.5 and tank.changes_too_fast and tank.lowest_c == 11.0  # not yet an hour
    tank.update(8.5, 2.0)
    assert tank.lowest_c == 8.5 and tank.hour_s == 0.0


@pytest.mark.parametrize(("fall_k", "told"), [(2.0, False), (2.25, True)])
def test_a_falling_tank(fall_k: float, told: bool) -> None:
    tank = TankGuard(2.0)
    tank.update(15.0, 60.0)
    assert not tank.update(15.0 - fall_k, 60.0) and tank.changes_too_fast is told


# --- does water move, and probes that are stuck


@pytest.mark.parametrize(("tried", "ticks"), [(False, 4), (True, 3)])
def test_standing_water_is_acted_on_after_four_minutes_or_three(tried: bool, ticks: int) -> None:
    witness, acts = FlowWitness(250.0), []
    for _ in range(2):
        for minute in range(1, ticks + 1):
            assert not witness.update(15.0, 15.5, 15.0, 60.0, 0.06, 60.0)
            acts.append(witness.stands(tried, 60.0 * minute))
    assert acts == ([False] * (ticks - 1) + [True]) * 2


@pytest.mark.parametrize(
    ("tried", "silent_from_s", "acts_at_s"),
    [(True, 0, 180), (True, 120, 180), (True, 160, 220), (True, 600, 660), (False, 180, 420)],
)
def test_the_minutes_before_the_meter_fell_silent_count_where_a_start_showed_no_flow(
    tried: bool, silent_from_s: int, acts_at_s: int
) -> None:
    """The meter denies the flow, then falls silent so far into the run: the pump is dry since its start."""
    witness, run_s = FlowWitness(250.0), silent_from_s
    while run_s < 900:
        run_s += 20
        witness.update(15.0, 15.5, 15.0, 60.0, 0.06, 20.0)
        if witness.stands(tried, float(run_s)):
            break
    assert run_s == acts_at_s


def test_water_that_ran_hot_and_then_comes_as_cold_as_it_went_stands() -> None:
    """A front passed, so nothing creeps; but a pile that warms nothing is a pump that moves nothing."""
    witness, acts = FlowWitness(250.0), []
    assert witness.update(45.0, 45.0, 15.0, 60.0, 0.06, 60.0)
    for _ in range(4):
        assert not witness.update(45.0, 15.5, 15.0, 60.0, 0.06, 60.0)
        acts.append(witness.stands(False, 3600.0))
    assert acts == [False, False, False, True]
    witness.update(45.0, 15.5, 15.0, 60.0, 0.06, 60.0)
    witness.rest()
    assert witness.stands_s == 0.0  # nobody denied the flow: each run is judged by itself


@pytest.mark.parametrize(("core_c", "share"), [(60.0, 0.5), (TELLING_SPAN_K, 0.0)])
def test_at_the_bounds_the_temperatures_neither_prove_nor_deny_that_water_moves(core_c: float, share: float) -> None:
    witness = FlowWitness(250.0)
    supply_c = share * expected_rise_k(core_c, 0.0, 0.06, 250.0)
    for _ in range(10):
        assert not witness.update(supply_c, supply_c, 0.0, core_c, 0.06, 60.0)
        assert witness.stands_s == 0.0


@pytest.mark.parametrize(("denied", "told"), [(True, 2), (False, None)])
def test_short_runs_without_a_sign_of_water_add_up_where_a_meter_denied_it(denied: bool, told: int | None) -> None:
    """Pulses against frost last three minutes: four are wanted."""
    witness, at = FlowWitness(250.0), None
    for run in range(1, 5):
        for minute in range(1, 4):
            witness.update(15.0, 15.5, 15.0, 60.0, 0.06, 60.0)
            at = run if witness.stands(False, 60.0 * minute) and at is None else at
        witness.rest(denied)
    assert at == told


def test_a_run_that_brought_hot_water_starts_the_count_anew() -> None:
    witness = FlowWitness(250.0)
    for supply_c in (15.5, 45.0, 15.5):
        for _ in range(3):
            witness.update(15.0, supply_c, 15.0, 60.0, 0.06, 60.0)
            assert not witness.stands(False, 3600.0)
        witness.rest(True)


def test_a_warm_moment_begins_the_count_anew() -> None:
    witness = FlowWitness(250.0)
    for supply_c in (*[15.5] * 3, 45.0, *[15.5] * 3):
        witness.update(15.0, supply_c, 15.0, 60.0, 0.06, 60.0)
        assert not witness.stands(False, 3600.0)


@pytest.mark.parametrize(
    ("start_c", "pace_k", "stands"),
    [
        (16.0, 2.9, True),  # a trickle, or the pile's warmth along the pipe
        (16.0, 15.0, False),  # a front: water came
        (42.0, 0.2, False),  # warm from the draw before: no front is due
    ],
)
def test_water_that_creeps_from_cold_beyond_half_of_what_is_due_has_not_come(
    start_c: float, pace_k: float, stands: bool
) -> None:
    """250 W/K at 0.06 kg/s warm 15 degC below 60 degC by 28 K; half of it is passed in the last minutes."""
    witness, acts = FlowWitness(250.0), []
    for minute in range(8):
        moves = witness.update(start_c, start_c + pace_k * min(minute, 5), 15.0, 60.0, 0.06, 60.0)
        acts.append(witness.stands(False, 3600.0))
    assert any(acts) is stands
    assert moves is not stands


@pytest.mark.parametrize(
    ("core_c", "supply_c", "proof"),
    [(60.0, 45.0, True), (60.0, 25.0, False), (30.0, 29.0, False), (30.5, 29.0, True), (60.0, nan, False)],
)
def test_what_proves_that_water_moves(core_c: float, supply_c: float, proof: bool) -> None:
    assert FlowWitness(250.0).update(5.0, supply_c, 15.0, core_c, 0.06, 60.0) is proof


@pytest.mark.parametrize(("value", "then", "same_s"), [(5.0, 5.0, 60.0), (5.0, 5.1, 0.0), (nan, nan, 0.0)])
def test_the_same_to_the_last_bit(value: float, then: float, same_s: float) -> None:
    still = Still()
    still.update(value, 60.0)
    assert still.update(then, 60.0) == same_s


@pytest.mark.parametrize(
    ("far_k", "on_s", "same_s", "for_s", "stuck"),
    [
        (-6.5, 300.0, 300.0, 300.0, True),
        (6.5, 300.0, 300.0, 300.0, True),
        (-6.0, 300.0, 300.0, 300.0, False),
        (-6.5, 299.0, 300.0, 299.0, False),
        (-6.5, 300.0, 299.0, 300.0, False),
        (nan, 300.0, 300.0, 300.0, False),
    ],
)
def test_a_stuck_supply(far_k: float, on_s: float, same_s: float, for_s: float, stuck: bool) -> None:
    watch = StuckWatch()
    watch.supply.same_s = same_s
    watch.water_moved(far_k, on_s, for_s)
    assert watch.supply_stuck is stuck
    watch.water_moved(0.0, on_s, 1.0)
    assert watch.supply_stuck is stuck  # until the reading changes


@pytest.mark.parametrize(("name", "after_s"), [("outdoor_c", DAY_S), ("pile_core_c", 4 * DAY_S)])
def test_days_without_a_change(name: str, after_s: float) -> None:
    watch, flag = StuckWatch(), {"outdoor_c": "outdoor_stuck", "pile_core_c": "core_stuck"}[name]
    told = []
    for dt_s in (60.0, after_s - 1.0, 1.0):
        r = SensorChecks().read(reading(), 0.0)
        watch.screen(r, dt_s)
        told.append(getattr(watch, flag))
    assert told == [False, False, True]
    watch.screen(SensorChecks().read(reading(**{name: CALM[name] + 0.5}), 0.0), 60.0)
    assert not getattr(watch, flag)


# --- which readings are believed

RANGES = {
    "pile_core_c": (-40.0, 105.0), "pile_edge_c": (-40.0, 105.0), "water_supply_c": (-30.0, 105.0),
    "water_return_c": (-30.0, 105.0), "water_flow_kg_s": (-0.1, 10.0), "air_supply_c": (-60.0, 105.0),
    "air_supply_rh": (0.0, 1.05), "fan_speed_hz": (0.0, 1000.0), "greenhouse_c": (-60.0, 80.0),
    "greenhouse_rh": (0.0, 1.05), "outdoor_c": (-60.0, 80.0), "tank_c": (-30.0, 105.0), "pump_battery_v": (4.0, 20.0),
    "fan_battery_v": (4.0, 20.0), "pile_o2": (0.0, 0.25), "greenhouse_co2": (0.0, 0.1),
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(RANGES))
def test_what_a_sensor_can_say_at_all(name: str) -> None:
    low, high = RANGES[name]
    beyond = (nextafter(low, -inf), nextafter(high, inf))
    for raw, believed in ((low, True), (high, True), *((raw, False) for raw in beyond)):
        assert isnan(Sensor(SENSORS[name]).judge(raw, 0.0)) is not believed
    assert set(RANGES) == set(SENSORS)


@pytest.mark.parametrize(
    ("name", "first", "jump", "wait_s"),
    [
        ("pile_core_c", 55.0, 2.5, 600.0),
        ("pile_edge_c", 40.0, 2.5, 600.0),
        ("pile_core_c", 55.0, -2.5, 60.0),
        ("greenhouse_c", 8.0, 8.5, 60.0),
        ("outdoor_c", 8.0, -8.5, 60.0),
        ("tank_c", 12.0, 3.5, 60.0),
        ("pump_battery_v", 12.5, 2.25, 60.0),
        ("fan_battery_v", 12.5, -2.25, 60.0),
    ],
)
def test_a_jump_is_believed_after_its_time(name: str, first: float, jump: float, wait_s: float) -> None:
    sensor = Sensor(SENSORS[name])
    sensor.judge(first, 0.0)
    for now_s in (10.0, 10.0 + wait_s / 2.0, 9.0 + wait_s):
        assert sensor.judge(first + jump, now_s) == first
    assert sensor.rejects == 3.0 and sensor.scattered == 0.0  # they agree with each other: a jump, no flicker
    assert sensor.judge(first + jump, 10.0 + wait_s) == first + jump and sensor.rejects == 0.0


def test_water_that_jumped_is_believed_at_the_second_word_and_a_leaping_probe_never() -> None:
    sensor = Sensor(SENSORS["water_supply_c"])
    sensor.judge(15.0, 0.0)
    assert sensor.judge(21.0, 10.0) == 21.0 and sensor.judge(27.5, 20.0) == 21.0
    assert sensor.judge(33.0, 30.0) == 33.0  # within 6 K of the first word
    for k, raw in enumerate((10.0, 45.0, 12.0, 55.0)):
        assert sensor.judge(raw, 40.0 + 10.0 * k) == 33.0
    assert sensor.rejects == sensor.scattered + 1.0 == 4.0
    assert sensor.judge(33.5, 90.0) == 33.5 and sensor.scattered == 4.0


def test_refused_readings_are_scattered_unless_they_wait_to_be_believed() -> None:
    sensor = Sensor(SENSORS["pile_core_c"])
    for raw, now_s in ((55.0, 0.0), (nan, 10.0), (70.0, 20.0), (70.5, 30.0), (71.0, 40.0)):
        sensor.judge(raw, now_s)
    assert sensor.rejects == 4.0 and sensor.pending == 3.0 and sensor.scattered == 1.0
    sensor.judge(nan, 50.0)
    assert sensor.rejects == sensor.scattered == 5.0


def test_a_sensor_that_is_expected_and_never_reads_is_lost() -> None:
    checks = SensorChecks()
    checks.expect(["tank_c"])
    assert checks.lost("tank_c") and not checks.lost("outdoor_c")
    with pytest.raises(ValueError, match="sensor 'moon_c' is unknown"):
        checks.expect(["moon_c"])


@pytest.mark.parametrize(
    ("name", "first", "then", "believed"),
    [
        ("pile_core_c", 55.0, 57.0, True),
        ("pile_core_c", 55.0, 53.0, True),
        ("greenhouse_c", 8.0, 16.0, True),
        ("outdoor_c", 8.0, 0.0, True),
        ("pump_battery_v", 12.5, 14.5, True),
        ("water_supply_c", 15.0, 21.0, True),
        ("water_return_c", 15.0, 8.5, False),
        ("air_supply_c", 15.0, 99.0, True),
        ("tank_c", 12.0, 15.0, True),
        ("water_supply_c", 82.0, 85.0, True),
        ("water_supply_c", 81.5, 85.0, False),
        ("water_supply_c", 88.0, 85.0, True),
        ("pile_core_c", 83.0, 85.0, True),
        ("pile_core_c", 82.5, 85.0, False),
        ("fan_speed_hz", 20.0, 85.0, True),
    ],
)
def test_steps_and_the_power_on_code(name: str, first: float, then: float, believed: bool) -> None:
    sensor = Sensor(SENSORS[name])
    sensor.judge(first, 0.0)
    assert sensor.judge(then, 10.0) == (then if believed else first)


def test_the_power_on_code_is_no_first_word_of_a_temperature_but_may_be_of_others() -> None:
    assert isnan(Sensor(SENSORS["tank_c"]).judge(85.0, 0.0))
    assert Sensor(SENSORS["fan_speed_hz"]).judge(85.0, 0.0) == 85.0


def test_a_jump_that_moves_on_is_weighed_anew() -> None:
    sensor = Sensor(SENSORS["pile_core_c"])
    sensor.judge(55.0, 0.0)
    for raw, now_s in ((40.0, 10.0), (37.5, 60.0), (37.5, 110.0)):
        assert sensor.judge(raw, now_s) == 55.0
    assert sensor.judge(37.5, 120.0) == 37.5


def test_a_jump_that_moves_by_no_more_than_its_step_goes_on_waiting() -> None:
    sensor = Sensor(SENSORS["pile_core_c"])
    for raw, now_s in ((55.0, 0.0), (70.0, 10.0), (72.0, 400.0)):
        assert sensor.judge(raw, now_s) == 55.0
    assert sensor.judge(72.0, 610.0) == 72.0


def test_a_lost_or_sound_reading_between_ends_the_doubt() -> None:
    for between in (nan, 55.0):
        sensor = Sensor(SENSORS["pile_core_c"])
        for raw, now_s in ((55.0, 0.0), (40.0, 10.0), (between, 20.0), (40.0, 75.0)):
            assert sensor.judge(raw, now_s) == 55.0


def test_a_lost_reading_is_held_for_two_minutes_and_counted() -> None:
    sensor = Sensor(SENSORS["pile_core_c"])
    sensor.judge(55.0, 0.0)
    assert sensor.judge(nan, 120.0) == 55.0 and isnan(sensor.judge(nan, 121.0)) and sensor.rejects == 2.0
    assert sensor.judge(inf, 122.0) != sensor.judge(inf, 123.0) and sensor.fitted


def test_fresh_lost_and_fitted() -> None:
    checks = SensorChecks()
    checks.read(reading(tank_c=nan), 10.0)
    assert checks.fresh("outdoor_c", 10.0) and not checks.fresh("outdoor_c", 20.0)
    checks.read(reading(tank_c=nan, outdoor_c=nan), 20.0)
    assert not checks.fresh("outdoor_c", 20.0) and checks.fresh("pile_core_c", 20.0) and not checks.lost("outdoor_c")
    assert not checks.fitted("tank_c") and not checks.lost("tank_c")


# --- giving way


@pytest.mark.parametrize(
    ("core_c", "sd_c", "floor_c", "may"),
    [
        (42.5, 0.5, 45.0, False),
        (42.6, 0.5, 45.0, True),
        (40.5, 0.5, 41.0, False),
        (40.6, 0.5, 41.0, True),
        (nan, 0.5, 45.0, False),
    ],
)
def test_three_kelvin_below_the_floor_but_never_below_forty(
    core_c: float, sd_c: float, floor_c: float, may: bool
) -> None:
    assert floor_may_be_spent(core_c, sd_c, floor_c) is may


@pytest.mark.parametrize(
    ("below_k", "spare_w", "days"),
    [(3.0, 1000.0, 0.5), (-3.0, 1000.0, 0.0), (3.0, 0.0, inf), (3.0, -5.0, inf), (3.0, 0.5, 1000.0)],
)
def test_days_to_recover(below_k: float, spare_w: float, days: float) -> None:
    """0.6 of 8,000 kg times 3,000 J/kg K over what is spare in a day."""
    assert recovery_days(below_k, 8000.0, spare_w) == pytest.approx(days)


@pytest.mark.parametrize(
    ("order", "levels"),
    [
        ("pipe floor crop battery supply flow", (11.5, 11.75, 12.0)),
        ("pipe battery floor crop supply flow", (11.5, 12.0, 12.0)),
        ("battery pipe floor crop supply flow", (12.0, 12.0, 12.0)),
        ("crop pipe floor battery supply flow", (11.75, 11.5, 12.0)),
        ("floor crop battery pipe supply flow", (12.0, 11.5, 12.0)),
        ("pipe floor crop flow battery supply", (11.5, 11.75, 11.875)),
    ],
)
def test_how_the_reserve_is_split(order: str, levels: tuple[float, float, float]) -> None:
    names = tuple(next(name for name in DEFAULT_ORDER if word in name) for word in order.split())
    assert reserve_levels_v(ranks(names), 12.0, 11.5) == levels


# --- phases


def facts(**changes: float | bool | str) -> Facts:
    usual = {"blind": False, "hot_s": 0.0, "start_hold_s": HOUR_S, "headroom_k": 5.0, "in_phase_s": 0.0}
    return Facts(**(usual | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("phase", "changes", "then"),
    [
        (HOLD_OFF, {"hot_s": HOUR_S - 1.0}, HOLD_OFF),
        (HOLD_OFF, {"hot_s": HOUR_S}, FIRST_DRAW),
        (HOLD_OFF, {"blind": True}, HOLD_OFF),
        (FIRST_DRAW, {"in_phase_s": 3 * DAY_S - 1.0}, FIRST_DRAW),
        (FIRST_DRAW, {"in_phase_s": 3 * DAY_S}, HARVEST),
        (FIRST_DRAW, {"in_phase_s": 3 * DAY_S, "headroom_k": 0.0}, REST),
        (FIRST_DRAW, {"headroom_k": 0.1}, FIRST_DRAW),
        (FIRST_DRAW, {"blind": True}, FAULTED),
        (HARVEST, {"headroom_k": 0.0}, REST),
        (HARVEST, {"headroom_k": 0.1}, HARVEST),
        (REST, {"headroom_k": 1.5, "in_phase_s": 2 * HOUR_S}, HARVEST),
        (REST, {"headroom_k": 1.4, "in_phase_s": 2 * HOUR_S}, REST),
        (REST, {"headroom_k": 1.5, "in_phase_s": 2 * HOUR_S - 1.0}, REST),
        (REST, {"headroom_k": -3.1, "in_phase_s": 14 * DAY_S}, WINDING_DOWN),
        (REST, {"headroom_k": -3.0, "in_phase_s": 14 * DAY_S}, REST),
        (REST, {"headroom_k": -3.1, "in_phase_s": 14 * DAY_S - 1.0}, REST),
        (WINDING_DOWN, {"hot_s": HOUR_S, "headroom_k": 1.5}, FIRST_DRAW),
        (WINDING_DOWN, {"hot_s": HOUR_S - 1.0, "headroom_k": 1.5}, WINDING_DOWN),
        (WINDING_DOWN, {"hot_s": HOUR_S, "headroom_k": 1.4}, WINDING_DOWN),
        (FAULTED, {"blind": True}, FAULTED),
        (FAULTED, {}, REST),
        (HARVEST, {"drained": True, "by_hand": True}, DRAINED),
        (HARVEST, {"by_hand": True}, MANUAL),
        (MANUAL, {"before": HARVEST}, HARVEST),
        (MANUAL, {"before": FIRST_DRAW}, FIRST_DRAW),
        (MANUAL, {"before": HARVEST, "headroom_k": 0.0}, REST),
        (MANUAL, {"before": REST}, REST),
        (MANUAL, {"before": HARVEST, "blind": True}, FAULTED),
        (MANUAL, {"before": WINDING_DOWN}, WINDING_DOWN),
        (DRAINED, {"before": HARVEST}, REST),
        (DRAINED, {"before": HOLD_OFF, "blind": True}, HOLD_OFF),
    ],
)
def test_phases(phase: str, changes: dict[str, float | bool | str], then: str) -> None:
    following, cause = next_phase(phase, facts(**changes))
    assert following == then and bool(cause) is (then != phase)
    if phase in (MANUAL, DRAINED):
        assert cause.startswith(
            "the hand-run is over" if phase == MANUAL else "the grower declared that the loop is filled"
        )


@pytest.mark.parametrize(("phase", "changes"), [(DRAINED, {"drained": True}), (MANUAL, {"by_hand": True})])
def test_a_declared_phase_lasts_as_long_as_it_is_declared(phase: str, changes: dict[str, bool]) -> None:
    assert next_phase(phase, facts(**changes)) == (phase, "")


# --- the pump without water


def dry(seconds: float, flow: float = 0.0, drive: PumpDrive | None = None, supply_c: float = 20.0) -> PumpDrive:
    drive = drive or running()
    for _ in range(round(seconds)):
        drive.drive(0.06, flow, supply_c, 12.0, 1.0)
    return drive


def running(supply_c: float = 20.0) -> PumpDrive:
    drive = PumpDrive(S)
    drive.mode, drive.ramped_kg_s, drive.duty = RUN, 0.06, 0.3
    drive.start_supply_c = drive.moved_supply_c = supply_c
    drive.kick_seen = True
    return drive


def test_thirty_seconds_without_water_are_enough() -> None:
    assert dry(29.0).mode == RUN
    tried = dry(30.0)
    assert tried.mode == ARMED and tried.tries == 1.0 and tried.dry_s == 0.0 and not tried.suspect


@pytest.mark.parametrize(("flow", "moves"), [(0.009, False), (0.0091, True), (nan, False)])
def test_fifteen_in_a_hundred_of_what_is_asked_counts_as_water(flow: float, moves: bool) -> None:
    drive = running()
    assert drive.moves(flow) is moves
    drive.dry_s, drive.tries, drive.pause_s, drive.suspect, drive.locked_cold = 9.0, 2.0, 3600.0, True, True
    drive._watch(flow, 20.0, 1.0)
    if moves:
        assert (drive.dry_s, drive.tries, drive.pause_s) == (0.0, 0.0, 900.0)
        assert not drive.suspect and not drive.locked_cold


@pytest.mark.parametrize(("flow", "of_least"), [(0.05, 1.0), (nan, 1.15)])
def test_a_trickle_that_no_meter_sees_is_asked_for_with_more_than_the_least_duty(flow: float, of_least: float) -> None:
    """A pump a little weaker than its curve stands at that; a meter that was good until now shows so no more."""
    drive = running()
    for _ in range(200):
        drive.drive(0.001, 0.05, 20.0, 12.0, 1.0)
    assert drive.drive(0.001, flow, 20.0, 12.0, 1.0) == pytest.approx(of_least * drive.least_duty)


@pytest.mark.parametrize(("flow", "due_kg_s", "moves"), [(0.02, 0.4, False), (0.021, 0.4, True), (0.01, 0.1, True)])
def test_a_trickle_for_the_duty_is_no_flow(flow: float, due_kg_s: float, moves: bool) -> None:
    drive = running()
    drive.due_kg_s = due_kg_s
    assert drive.moves(flow) is moves


def test_a_meter_that_counted_the_first_kick_is_not_called_dead_in_the_next_try() -> None:
    """A probe follows slowly: it may still rise by what the first kick brought, while the pump stands in the second try."""
    drive = PumpDrive(S)
    for flow, supply_c in ((0.0, 5.0), (0.2, 6.0), *[(0.0, 20.0)] * 31):
        drive.drive(0.06, flow, supply_c, 12.0, 1.0)
    assert drive.tries == 1.0 and drive.kick_seen
    for _ in range(40):
        drive.drive(0.06, 0.0, 28.0, 12.0, 1.0)
    assert drive.tries == 2.0 and drive.kick_seen and not drive.dead_meter
    drive.water_moves()
    drive.rest(120.0)
    for _ in range(3):
        drive.drive(0.06, 0.0, 28.0, 12.0, 1.0)
    assert not drive.kick_seen  # another start begins anew


def test_cold_water_against_a_meter_called_dead_ends_the_tries_at_once() -> None:
    drive = running()
    drive.dead_meter = True
    drive.try_again(cold=True)
    assert drive.locked and drive.locked_cold and not drive.dead_meter
    assert drive.doubted_s == 24 * 3600.0
    drive.kick_seen = False
    dry(30.0, drive=drive, supply_c=40.0)
    assert not drive.dead_meter  # a warm supply has proved nothing before
    other = running()
    other.dead_meter = True
    other.try_again()
    assert not other.locked and other.dead_meter and other.tries == 1.0


@pytest.mark.parametrize(
    ("tries", "suspect", "dead", "doubted"),
    [(1.0, False, False, True), (0.0, False, False, False), (1.0, True, False, False), (1.0, False, True, False)],
)
def test_a_meter_that_falls_silent_after_it_said_no_water_leaves_a_doubt(
    tries: float, suspect: bool, dead: bool, doubted: bool
) -> None:
    drive = running()
    drive.tries, drive.suspect, drive.dead_meter = tries, suspect, dead
    drive._watch(nan, 40.0, 1.0)
    assert (drive.doubted_s > 0.0) is doubted


def test_a_doubt_lasts_a_day_unless_water_stood_again_or_moves() -> None:
    drive = running()
    drive.doubted_s = 3600.0
    drive.rest(1800.0)
    assert drive.doubted_s == 1800.0
    drive.try_again(cold=True)
    assert drive.doubted_s == 24 * 3600.0 and drive.tries == 2.0 and not drive.locked
    drive.try_again(cold=True)
    assert drive.locked_cold and drive.locked_s == 900.0  # after two tries, not four
    drive.try_again()
    drive.rest(25 * 3600.0)
    assert drive.doubted_s == 0.0
    drive.try_again(cold=True)
    assert drive.doubted_s == 0.0
    drive.doubted_s = 3600.0
    drive.water_moves()
    assert drive.doubted_s == 0.0


@pytest.mark.parametrize(
    ("counted", "doubted"), [(0.078, True), (0.082, True), (0.084, False), (0.12, False), (nan, False)]
)
def test_a_meter_that_counts_at_rest_and_no_more_while_the_pump_turns_leaves_a_doubt(
    counted: float, doubted: bool
) -> None:
    drive = PumpDrive(S)
    drive.rest(120.0)
    for _ in range(32):
        drive.drive(0.06, 0.078, 50.0, 12.0, 1.0)
    assert drive.counts_idle and drive.mode == RUN and drive.doubted_s == 0.0  # thirty seconds prove nothing
    for _ in range(33):
        drive.drive(0.06, counted, 50.0, 12.0, 1.0)
    assert (drive.doubted_s > 0.0) is doubted


def test_only_water_that_came_back_warm_ends_a_doubt() -> None:
    witness = FlowWitness(250.0)
    for minute in range(4):
        assert not witness.update(15.0, 45.0, 15.0, 60.0, 0.06, 60.0, doubted=True)
        assert witness.stands(False, 3600.0) is (minute == 3)
    assert witness.update(15.0, 45.0, 15.0, 60.0, 0.06, 60.0)
    assert [witness.came_back(c) for c in (nan, 8.0, 5.0, nan, 8.0, 8.1)] == [False] * 5 + [True]
    witness.rest()
    assert not witness.came_back(8.1)
    assert not witness.came_back(5.0) and not witness.came_back(7.0)


@pytest.mark.parametrize(
    ("moved_k", "kick_seen", "flow", "dead"),
    [
        (4.0, False, 0.0, False),
        (4.5, False, 0.0, True),
        (-4.5, False, 0.001, True),
        (4.5, False, 0.002, False),  # a meter that shows anything is not dead
        (4.5, True, 0.0, False),
    ],
)
def test_a_supply_that_moved_by_four_kelvin_makes_the_meter_dead(
    moved_k: float, kick_seen: bool, flow: float, dead: bool
) -> None:
    drive = running()
    drive.kick_seen, drive.trim.integral = kick_seen, 0.2
    dry(30.0, flow=flow, drive=drive, supply_c=20.0 + moved_k)
    assert drive.dead_meter is dead and drive.tries == (0.0 if dead else 1.0)
    if dead:
        assert drive.trim.integral == 0.0 and drive.metered(0.0) is False
        assert drive.flow_kg_s(0.0, 12.0) > 0.0  # by the curve
        drive._watch(0.0, 60.0, 99.0)
        assert drive.dry_s < 31.0  # a dead meter is not counted against the pump
        drive._watch(0.05, 60.0, 1.0)
        assert not drive.dead_meter and drive.moved_supply_c == 60.0


def test_a_dry_pump_is_pushed_by_the_time_that_passed_ten_seconds_at_most() -> None:
    drive = running()
    drive._watch(0.0, 20.0, 1.0)
    assert drive.trim.integral == pytest.approx(0.03)
    drive._watch(0.0, 20.0, 20.0)
    assert drive.trim.integral == pytest.approx(0.33)


def test_without_a_reading_nothing_is_called_dry() -> None:
    assert dry(300.0, flow=nan).tries == 0.0


def test_three_tries_then_a_rest_that_doubles_up_to_four_hours() -> None:
    drive = running()
    for tries in (1.0, 2.0, 3.0):
        drive.try_again()
        assert drive.tries == tries and drive.mode == ARMED and not drive.locked
    pauses_s = []
    for _ in range(6):
        drive.try_again(cold=True)
        assert drive.locked and drive.mode == OFF and drive.duty == 0.0 and drive.locked_cold and drive.tries == 2.0
        pauses_s.append(drive.locked_s)
        drive.rest(drive.locked_s - 1.0)
        assert drive.locked
        drive.rest(1.0)
        assert not drive.locked
        drive.try_again()
        assert drive.mode == ARMED and not drive.suspect
    assert pauses_s == [900.0, 1800.0, 3600.0, 7200.0, 14400.0, 14400.0]


def test_between_two_tries_told_by_temperatures_a_dry_pump_has_a_minute_of_rest() -> None:
    drive = running()
    drive.try_again(cold=True)
    assert drive.mode == OFF and drive.duty == 0.0 and not drive.locked
    duties = [drive.drive(0.06, nan, 20.0, 12.0, 1.0) for _ in range(62)]
    assert duties[:60] == [0.0] * 60 and duties[60] == 1.0 and drive.mode == RUN
    drive.try_again(cold=True)
    drive.rest(60.0)
    assert drive.breath_s == 0.0
    drive.try_again()
    assert drive.mode == ARMED and drive.breath_s == 0.0


def test_rest_forgets_the_run() -> None:
    drive = running()
    drive.on_s, drive.dry_s = 60.0, 5.0
    assert drive.rest(60.0) == 0.0
    assert (drive.mode, drive.duty, drive.ramped_kg_s, drive.on_s, drive.dry_s) == (OFF, 0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize(("kick_kg_s", "seen"), [(0.005, False), (0.006, True)])
def test_a_meter_that_shows_the_kick_works(kick_kg_s: float, seen: bool) -> None:
    drive = PumpDrive(S)
    drive.drive(0.06, 0.0, 20.0, 12.0, 1.0)
    drive.drive(0.06, kick_kg_s, 20.0, 12.0, 2.0)
    assert drive.kick_seen is seen


@pytest.mark.parametrize(("volts", "counts_as_v"), [(6.0, 12.0), (6.5, 6.5), (19.5, 19.5), (20.0, 12.0), (nan, 12.0)])
def test_a_voltage_that_no_battery_has_counts_as_twelve(volts: float, counts_as_v: float) -> None:
    drive = running()
    idle, slope_kg_s = 0.85 * 0.17, 0.8 / (1.0 - 0.85 * 0.17)  # the curve of the default pump
    assert drive.curve_flow_kg_s(volts) == pytest.approx(max(0.0, (0.3 * counts_as_v / 12.0 - idle) * slope_kg_s))


def test_which_flow_counts() -> None:
    drive = running()
    assert drive.flow_kg_s(0.05, 12.0) == 0.05 and drive.flow_kg_s(-0.05, 12.0) == 0.0 and drive.metered(0.05)
    assert drive.flow_kg_s(nan, 12.0) == pytest.approx(drive.curve_flow_kg_s(12.0)) and not drive.metered(nan)
    drive.suspect = True
    assert drive.flow_kg_s(nan, 12.0) == 0.0 and drive.flow_kg_s(0.05, 12.0) == 0.05
    drive.duty = 0.0
    assert drive.flow_kg_s(0.05, 12.0) == 0.0


# --- how much may be drawn


@pytest.mark.parametrize(
    ("floor_c", "sd_c", "made_w_kg", "end_c"),
    [(45.0, 0.0, 0.25, 49.0), (45.0, 2.0, 0.25, 50.0), (45.0, 0.0, 0.0, 57.0), (45.0, 0.0, 0.125, 53.0),
     (45.0, 0.0, nan, 53.0), (45.0, 0.0, 9.0, 49.0), (45.0, 0.0, -9.0, 57.0)],
)  # fmt: skip
def test_where_the_draw_ends(floor_c: float, sd_c: float, made_w_kg: float, end_c: float) -> None:
    assert zero_draw_c(floor_c, sd_c, made_w_kg) == end_c


@pytest.mark.parametrize(("slope_k_day", "room_k"), [(0.0, 10.0), (-4.0, 8.0), (4.0, 10.0), (-40.0, 0.0)])
def test_headroom_half_a_day_ahead(slope_k_day: float, room_k: float) -> None:
    assert headroom_k(60.0, slope_k_day / DAY_S, 50.0) == pytest.approx(room_k)


@pytest.mark.parametrize(
    ("room_k", "watts", "share"),
    [(0.0, 0.0, 0.0), (2.0, 200.0, 0.25), (0.5, 50.0, 0.0625), (8.0, 800.0, 1.0), (20.0, 1500.0, 1.0), (nan, 0.0, 0.0)],
)
def test_what_headroom_allows(room_k: float, watts: float, share: float) -> None:
    assert tapered_w(room_k, 1000.0) == pytest.approx(watts) and generosity(room_k) == pytest.approx(share)


@pytest.mark.parametrize(
    ("house_c", "need"), [(7.0, 1.0), (7.25, 0.5), (7.375, 0.25), (7.5, 0.0), (9.0, 0.0), (3.0, 1.0), (nan, 0.5)]
)
def test_need(house_c: float, need: float) -> None:
    assert crop_need(house_c, 7.0) == pytest.approx(need)


@pytest.mark.parametrize(
    ("giving", "need", "full", "gives"),
    [
        (False, 0.4, 0.35, True),
        (False, 0.39, 0.9, False),
        (False, 1.0, 0.34, False),
        (True, 0.01, 0.01, True),
        (True, 0.0, 0.9, False),
        (True, 0.9, 0.0, False),
    ],
)
def test_when_heat_is_given(giving: bool, need: float, full: float, gives: bool) -> None:
    account = HeatAccount(1000.0)
    account.giving, account.balance_j = giving, full * 12e6
    assert account.gives(need) is gives and account.giving is gives


def test_the_account_holds_twelve_kilojoules_a_kilogram_either_way() -> None:
    account = HeatAccount(1000.0)
    account.book(300.0, 100.0, 60.0)
    assert account.balance_j == 12000.0
    account.book(1e9, 0.0, 60.0)
    assert account.balance_j == 12e6
    account.book(0.0, 1e9, 60.0)
    assert account.balance_j == -12e6


@pytest.mark.parametrize(
    ("mass_kg", "natural_c", "end_c"),
    [
        (4000.0, 66.0, 63.0),
        (7000.0, 66.0, 60.25),
        (8500.0, 66.0, 56.8125),
        (10000.0, 66.0, 52.0),
        (1000.0, 66.0, 63.0),
        (30000.0, 66.0, 52.0),
        (4000.0, 54.5, 52.0),
    ],
)
def test_how_deep_a_pile_is_drawn(mass_kg: float, natural_c: float, end_c: float) -> None:
    assert Outlook(mass_kg).lowest_c(natural_c, nan, True, 0.0) == pytest.approx(end_c)


def test_the_strength_is_followed_half_way_in_two_days_and_the_age_counts_once_hot() -> None:
    o = Outlook(8000.0)
    o.lowest_c(60.0, nan, False, DAY_S)
    assert o.age_s == 0.0 and isnan(o.strength_w_kg)
    o.lowest_c(60.0, 800.0, True, DAY_S)
    assert o.age_s == DAY_S and o.strength_w_kg == pytest.approx(0.1)
    o.lowest_c(60.0, 1600.0, False, 2 * DAY_S)
    assert o.age_s == 3 * DAY_S and o.strength_w_kg == pytest.approx(0.15)
    o.lowest_c(60.0, nan, False, DAY_S)
    assert o.strength_w_kg == pytest.approx(0.15)
    small = Outlook(1000.0)
    small.lowest_c(60.0, 100.0, True, 60.0)
    assert small.strength_w_kg == pytest.approx(0.05)  # a small pile loses more per kilogram


def test_the_natural_temperature_sinks_a_tenth_of_a_kelvin_a_day_and_not_below_the_core() -> None:
    o = Outlook(8000.0)
    o.natural_c = 60.0
    o._follow(50.0, nan, True, DAY_S)
    assert o.natural_c == pytest.approx(59.9)
    o._follow(59.85, nan, True, DAY_S)
    assert o.natural_c == pytest.approx(59.85)
    o._follow(62.0, nan, True, DAY_S)
    assert o.natural_c == 62.0


# --- what is so: conditions at their thresholds


def so(
    code: str,
    phase: str = HARVEST,
    pump_duty: float = 0.0,
    made_w: float = 2000.0,
    heat_day_w: float = 0.0,
    room_k: float = 0.0,
    **seen: float,
) -> bool:
    c, now_s = drawing_controller()
    c.step(reading(now_s))
    c.phase, c.pump.duty, c.frost.heat_day_w = phase, pump_duty, heat_day_w
    for later_s in (60.0, 120.0, 180.0):
        r = c.checks.read(reading(now_s + later_s, **seen), now_s + later_s)
    v = c._view
    v.core_c, v.made_w, v.frost_barred, v.spending, v.flow_kg_s = r.pile_core_c, made_w, False, False, 0.0
    v.room_k = room_k
    return dict(zip(CODES, conditions(c, r, v), strict=True))[code]


@pytest.mark.parametrize(
    ("code", "changes", "is_so"),
    [
        ("pile-cold", {"pile_core_c": 60.0}, False),
        ("scald", {"pump_duty": 0.3, "water_supply_c": 49.0}, False),
        ("scald", {"pump_duty": 0.3, "water_supply_c": 49.5}, True),
        ("scald", {"pump_duty": 0.0, "water_supply_c": 60.0}, False),
        ("frost-cost", {"heat_day_w": 200.0}, False),
        ("frost-cost", {"heat_day_w": 201.0}, True),
        ("frost-drain", {"heat_day_w": 1000.0}, False),
        ("frost-drain", {"heat_day_w": 1001.0}, True),
        ("frost-drain", {"heat_day_w": 1001.0, "room_k": 0.01}, False),
        ("frost-drain", {"heat_day_w": 1001.0, "room_k": nan}, False),
        ("flow-while-off", {"water_flow_kg_s": 0.005}, False),
        ("flow-while-off", {"water_flow_kg_s": 0.006}, True),
        ("flow-while-off", {"water_flow_kg_s": 0.006, "pump_duty": 0.3}, False),
        ("co2", {"greenhouse_co2": 0.0012}, False),
        ("co2", {"greenhouse_co2": 0.0013}, True),
        ("pile-ending", {"phase": WINDING_DOWN}, True),
        ("pile-ending", {"phase": REST}, False),
    ],
)
def test_conditions(code: str, changes: dict[str, float | str], is_so: bool) -> None:
    assert so(code, **changes) is is_so  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("side", "locked_s", "mute_s", "allowed", "cut"),
    [
        ("fan", 0.0, 0.0, True, False),  # a motor that does its work has its supply
        ("fan", 60.0, 0.0, True, True),
        ("fan", 0.0, 1e9, True, True),
        ("pump", 0.0, 0.0, True, False),
        ("pump", 60.0, 0.0, True, True),
    ],
)
def test_a_load_without_sag_that_does_nothing_is_cut_off(
    side: str, locked_s: float, mute_s: float, allowed: bool, cut: bool
) -> None:
    c = Controller(DRAWING)
    health = c.fan_health if side == "fan" else c.pump_health
    health.starts, health.usual_share, health.sag_share = 50.0, 1.0, 0.0
    if side == "fan":
        c.fan_watch.locked_s, c.fan_watch.mute_s = locked_s, mute_s
    else:
        c.pump.locked_s = locked_s
    r, v = c.checks.read(reading(START_S), 0.0), c._view
    v.core_c, v.made_w, v.frost_barred, v.spending, v.flow_kg_s = 60.0, 2000.0, False, False, 0.0
    found = dict(zip(CODES, conditions(c, r, v), strict=True))
    assert found[f"{side}-supply-cut"] is cut
    assert found["no-flow"] is False and found["no-heat"] is False  # one fault, one notice


@pytest.mark.parametrize(
    ("locked_s", "cold", "phase", "code"),
    [
        (60.0, False, HARVEST, "no-flow"),
        (60.0, True, HARVEST, "no-heat"),
        (0.0, False, HARVEST, ""),
        (60.0, False, DRAINED, ""),
        (60.0, True, DRAINED, ""),
    ],
)
def test_a_pump_that_rests_for_lack_of_water(locked_s: float, cold: bool, phase: str, code: str) -> None:
    c = Controller(DRAWING)
    c.phase, c.pump.locked_s, c.pump.locked_cold = phase, locked_s, cold
    r, v = c.checks.read(reading(START_S), 0.0), c._view
    v.core_c, v.made_w, v.frost_barred, v.spending, v.flow_kg_s = 60.0, 2000.0, False, False, 0.0
    found = dict(zip(CODES, conditions(c, r, v), strict=True))
    assert {name for name in ("no-flow", "no-heat") if found[name]} == ({code} if code else set())


@pytest.mark.parametrize(
    ("barred", "locked_s", "outdoor_c", "phase", "is_so"),
    [
        (True, 0.0, -5.0, HARVEST, True),
        (False, 60.0, -5.0, HARVEST, True),
        (False, 0.0, -5.0, HARVEST, False),
        (True, 60.0, 5.0, HARVEST, False),
        (True, 60.0, -5.0, DRAINED, False),
    ],
)
def test_frost_that_nothing_can_be_done_against(
    barred: bool, locked_s: float, outdoor_c: float, phase: str, is_so: bool
) -> None:
    c = Controller(DRAWING)
    c.phase, c.pump.locked_s = phase, locked_s
    r, v = c.checks.read(reading(START_S, outdoor_c=outdoor_c), 0.0), c._view
    v.core_c, v.made_w, v.frost_barred, v.spending, v.flow_kg_s = 60.0, 2000.0, barred, False, 0.0
    assert dict(zip(CODES, conditions(c, r, v), strict=True))["frost"] is is_so


@pytest.mark.parametrize(("edge_above_k", "cold"), [(nan, True), (20.0, True), (20.5, False)])
def test_an_edge_far_hotter_than_the_core_is_another_alarm_than_a_cold_pile(edge_above_k: float, cold: bool) -> None:
    c = Controller(DRAWING)
    c.phase, c.slow.edge_above_k = HARVEST, edge_above_k
    r, v = c.checks.read(reading(START_S), 0.0), c._view
    v.core_c, v.made_w, v.frost_barred, v.spending, v.flow_kg_s = 44.0, 2000.0, False, False, 0.0
    assert dict(zip(CODES, conditions(c, r, v), strict=True))["pile-cold"] is cold


@pytest.mark.parametrize(
    ("silent", "told"),
    [(("pile_edge_c",), True), (("pile_core_c",), True), (("pile_core_c", "pile_edge_c"), False)],
)
def test_a_pile_nobody_sees_is_told_where_any_probe_was_fitted(silent: tuple[str, ...], told: bool) -> None:
    c = Controller(DRAWING)
    r, v = c.checks.read(reading(START_S, **dict.fromkeys(silent, nan)), 0.0), c._view
    v.core_c, v.made_w, v.frost_barred, v.spending, v.flow_kg_s = nan, nan, False, False, 0.0
    assert c.pile.blind
    assert dict(zip(CODES, conditions(c, r, v), strict=True))["pile-probe"] is told


@pytest.mark.parametrize(("hot_told_s", "is_so"), [(1800.0, False), (1801.0, True)])
def test_half_an_hour_of_hot_water_is_told_though_none_flows_now(hot_told_s: float, is_so: bool) -> None:
    c = Controller(DRAWING)
    c.loop.hot.told_s = hot_told_s
    r, v = c.checks.read(reading(START_S), 0.0), c._view
    v.core_c, v.made_w, v.frost_barred, v.spending, v.flow_kg_s = 60.0, 2000.0, False, False, 0.0
    assert dict(zip(CODES, conditions(c, r, v), strict=True))["scald"] is is_so


@pytest.mark.parametrize(
    ("code", "core_c", "phase", "is_so"),
    [
        ("pile-cold", 45.0, HARVEST, False),
        ("pile-cold", 44.9, HARVEST, True),
        ("pile-cold", 44.9, HOLD_OFF, False),
        ("pile-hot", 72.0, HARVEST, False),
        ("pile-hot", 72.5, HARVEST, True),
    ],
)
def test_conditions_of_the_core(code: str, core_c: float, phase: str, is_so: bool) -> None:
    c = Controller(DRAWING)
    r = c.checks.read(reading(START_S), 0.0)
    c.phase, v = phase, c._view
    v.core_c, v.made_w, v.frost_barred, v.spending, v.flow_kg_s = core_c, 2000.0, False, False, 0.0
    assert dict(zip(CODES, conditions(c, r, v), strict=True))[code] is is_so
