"""The slow detectors one by one: what each says at, just below and just above its thresholds (own judgement)."""

from __future__ import annotations

from math import isnan, nan

import pytest
from helpers import reading

from controller.alarm_kinds_slow import FLICKERING
from controller.checks import SENSORS, SensorChecks
from controller.dawn_volts import DawnVolts, keeps_falling
from controller.edge_watch import EdgeWatch
from controller.flicker import Flicker
from controller.house_watch import HouseWatch
from controller.idle_water import IdleWater
from controller.output_trend import OutputTrend
from controller.pulled_probe import PulledProbe

DAY_S, HOUR_S = 86400.0, 3600.0

# --- a core probe that left the pile


def in_the_pile(core_c: float = 60.0) -> PulledProbe:
    probe = PulledProbe()
    assert probe.screen(core_c, 5.0, 60.0, False) == core_c and not probe.pulled
    return probe


@pytest.mark.parametrize(
    ("core_c", "elapsed_s", "believed"),
    [
        (50.0, 0.0, True),  # exactly as fast as tonnes of compost never fall
        (49.9, 0.0, False),
        (49.9, 60.0, True),  # the mean follows meanwhile
        (49.8, 60.0, False),
        (42.0, 3600.0, True),  # an hour: half of the fall is in the mean
        (39.0, 3600.0, False),
        (95.0, 60.0, True),  # a rise is not its business
    ],
)
def test_a_fall_is_too_fast_against_the_hours_mean(core_c: float, elapsed_s: float, believed: bool) -> None:
    told_c = in_the_pile().screen(core_c, 5.0, elapsed_s, False)
    assert told_c == core_c if believed else isnan(told_c)


def test_the_mean_goes_half_way_in_an_hour_silence_included() -> None:
    probe = in_the_pile()
    probe.screen(56.0, 5.0, 3600.0, False)
    assert probe.mean_c == 58.0
    assert isnan(probe.screen(nan, 5.0, 3000.0, False))
    probe.screen(54.0, 5.0, 600.0, False)
    assert probe.mean_c == 56.0 and probe.unseen_s == 0.0


def test_it_is_pulled_after_ten_minutes_of_doubt_and_only_then() -> None:
    probe = in_the_pile()
    for _ in range(9):
        assert isnan(probe.screen(20.0, 5.0, 60.0, False)) and not probe.pulled
    assert isnan(probe.screen(21.0, 5.0, 60.0, False)) and probe.pulled
    assert probe.to_c == 21.0 and probe.doubt_s == 0.0


def test_a_sound_reading_ends_the_doubt() -> None:
    probe = in_the_pile()
    for core_c in (*[20.0] * 9, 59.0, *[20.0] * 9):
        probe.screen(core_c, 5.0, 60.0, False)
        assert not probe.pulled


def test_a_restless_plug_is_doubted_but_never_pulled() -> None:
    probe = in_the_pile()
    for _ in range(30):
        assert isnan(probe.screen(20.0, 5.0, 60.0, True)) and not probe.pulled


def pulled_out() -> PulledProbe:
    probe = in_the_pile()
    for _ in range(10):
        probe.screen(20.0, 5.0, 60.0, False)
    assert probe.pulled
    return probe


def test_it_is_believed_again_after_three_hours_well_above_the_air() -> None:
    probe = pulled_out()
    for _ in range(179):
        assert isnan(probe.screen(40.0, 20.0, 60.0, False))
    assert probe.screen(41.0, 20.0, 60.0, False) == 41.0
    assert not probe.pulled and probe.mean_c == 41.0


@pytest.mark.parametrize(("core_c", "back"), [(35.0, False), (35.5, True)])
def test_well_above_the_air_is_fifteen_kelvin(core_c: float, back: bool) -> None:
    probe = pulled_out()
    for _ in range(181):
        probe.screen(core_c, 20.0, 60.0, False)
    assert probe.pulled is not back


def test_one_reading_like_air_begins_the_three_hours_anew() -> None:
    probe = pulled_out()
    for core_c in (*[40.0] * 100, 25.0, *[40.0] * 179):
        probe.screen(core_c, 20.0, 60.0, False)
    assert probe.pulled
    probe.screen(40.0, 20.0, 60.0, False)
    assert not probe.pulled


def test_pulled_a_second_time_it_waits_as_long() -> None:
    probe = pulled_out()
    for core_c in (*[60.0] * 180, *[20.0] * 11, *[60.0] * 179):
        probe.screen(core_c, 20.0, 60.0, False)
    assert probe.pulled


# --- standing water


def idle(steps: int, water: IdleWater | None = None, tick_s: float = 600.0, **seen: float) -> IdleWater:
    water = water or IdleWater(0.8)
    now = {"supply_c": 12.0, "return_c": 12.0, "air_c": 10.0, "flow_kg_s": 0.0} | seen
    for _ in range(steps):
        water.update(**now, elapsed_s=tick_s)
    return water


@pytest.mark.parametrize(
    ("flow_kg_s", "ticks", "runs_on"), [(0.25, 4, False), (0.25, 5, True), (0.24, 20, False), (nan, 20, False)]
)
def test_a_pump_that_runs_on_moves_more_than_a_third_of_full_for_five_minutes(
    flow_kg_s: float, ticks: int, runs_on: bool
) -> None:
    assert idle(ticks, tick_s=60.0, flow_kg_s=flow_kg_s).runs_on is runs_on


def test_a_meter_that_falls_silent_does_not_refute_that_the_pump_runs_on() -> None:
    water = idle(5, tick_s=60.0, flow_kg_s=0.3)
    assert idle(60, water, tick_s=60.0, flow_kg_s=nan).runs_on
    assert not idle(1, water, tick_s=60.0, flow_kg_s=0.24).runs_on
    assert not idle(60, water, tick_s=60.0, flow_kg_s=nan).runs_on


def test_a_moment_without_flow_gives_five_minutes_again() -> None:
    water = idle(4, tick_s=60.0, flow_kg_s=0.3)
    idle(1, water, tick_s=60.0)
    assert not idle(4, water, tick_s=60.0, flow_kg_s=0.3).runs_on


@pytest.mark.parametrize(
    ("first_c", "then_c", "air_c", "warm"),
    [
        (11.0, 18.0, 10.0, False),  # 8 K above the air is not more than that
        (11.0, 18.5, 10.0, True),
        (20.0, 26.0, 0.0, False),  # nor is a rise of 6 K
        (20.0, 26.5, 0.0, True),
        (40.0, 40.0, 0.0, False),  # warm from the draw before: cools, does not rise
    ],
)
def test_water_that_warms_by_itself(first_c: float, then_c: float, air_c: float, warm: bool) -> None:
    water = idle(6, supply_c=first_c, air_c=air_c)
    assert not water.warm
    assert idle(1, water, supply_c=then_c, air_c=air_c).warm is warm


@pytest.mark.parametrize(
    ("flow_kg_s", "minutes", "return_c", "air_c", "warm"),
    [
        (0.04, 5, 26.0, 4.0, True),
        (0.04, 4, 26.0, 4.0, False),  # five minutes of flow are wanted
        (0.0, 5, 26.0, 4.0, False),
        (nan, 5, 26.0, 4.0, False),  # without a meter it may be a probe that lies in the sun
        (0.04, 5, 18.0, 4.0, False),  # a rise of 6 K is not more than that
        (0.04, 5, 18.5, 4.0, True),
        (0.04, 5, 18.5, 10.5, False),  # nor are 8 K above the air
        (0.04, 5, nan, 4.0, False),
    ],
)
def test_within_the_first_hour_a_return_that_grows_warm_while_a_meter_counts_is_proof(
    flow_kg_s: float, minutes: int, return_c: float, air_c: float, warm: bool
) -> None:
    water = idle(6, tick_s=60.0, supply_c=60.0, air_c=air_c)
    assert not water.warm
    idle(minutes, water, tick_s=60.0, supply_c=60.0, return_c=return_c, air_c=air_c, flow_kg_s=flow_kg_s)
    assert water.warm is warm
    assert not idle(1, water, tick_s=60.0, supply_c=60.0, return_c=return_c, air_c=air_c).warm


def test_from_five_minutes_after_the_stop_the_return_is_followed() -> None:
    water = idle(5, tick_s=60.0, flow_kg_s=0.04)
    assert idle(1, water, tick_s=60.0, return_c=40.0, flow_kg_s=0.04).warm


def test_what_the_draw_brings_back_within_five_minutes_of_its_end_is_no_proof() -> None:
    water = idle(4, tick_s=60.0, flow_kg_s=0.04)
    assert not idle(20, water, tick_s=60.0, return_c=40.0, flow_kg_s=0.04).warm
    water.pump_ran()
    assert not idle(20, water, tick_s=60.0, return_c=40.0, flow_kg_s=0.04).warm


def test_nothing_is_judged_by_the_supply_within_the_first_hour() -> None:
    water = idle(1, supply_c=10.0)
    assert not idle(4, water, supply_c=60.0).warm
    assert not idle(1, water, supply_c=60.0).warm  # an hour, but the rise was before it
    assert not idle(1, water, supply_c=66.0).warm
    assert idle(1, water, supply_c=66.5).warm


def test_the_lowest_counts_not_the_last() -> None:
    water = idle(6, supply_c=30.0)
    for supply_c, warm in ((25.0, False), (28.0, False), (31.0, False), (32.0, True)):
        assert idle(1, water, supply_c=supply_c).warm is warm


def test_the_warmest_air_around_the_pipe_counts_and_unknown_air_does_not() -> None:
    water = idle(6, supply_c=20.0, air_c=22.0)
    assert not idle(1, water, supply_c=29.0, air_c=0.0).warm
    assert not idle(1, water, supply_c=29.0, air_c=nan).warm
    assert idle(1, water, supply_c=31.0, air_c=0.0).warm


def test_where_a_meter_counts_warm_water_needs_no_rise() -> None:
    assert idle(6, supply_c=20.0, flow_kg_s=0.012).warm
    assert not idle(6, supply_c=20.0, flow_kg_s=0.005).warm
    assert not idle(6, supply_c=17.0, flow_kg_s=0.012).warm


def test_a_meter_that_counts_for_an_hour_in_cold_water_lies() -> None:
    assert not idle(5, flow_kg_s=0.05).lies
    assert idle(6, flow_kg_s=0.05).lies
    late = idle(5, idle(1), flow_kg_s=0.05)
    assert not late.lies and idle(1, late, flow_kg_s=0.05).lies


def test_neither_warm_water_nor_a_pump_that_runs_on_makes_a_liar_of_the_meter() -> None:
    assert not idle(12, supply_c=30.0, flow_kg_s=0.05).lies
    assert not idle(12, flow_kg_s=0.5).lies


def test_a_lying_meter_is_believed_after_ten_minutes_of_nothing() -> None:
    water = idle(6, flow_kg_s=0.05)
    assert idle(9, water, tick_s=60.0).lies
    assert idle(1, water, tick_s=60.0, flow_kg_s=nan).lies  # silence vouches for nothing
    assert idle(9, water, tick_s=60.0, flow_kg_s=0.005).lies
    assert not idle(1, water, tick_s=60.0, flow_kg_s=0.005).lies


def test_that_it_runs_on_outlasts_a_run_of_the_pump_and_ends_with_the_flow() -> None:
    water = idle(5, tick_s=60.0, flow_kg_s=0.25)
    for flow_kg_s, runs_on in ((0.25, True), (0.25, True), (0.24, False), (0.25, False)):
        water.pump_ran()
        assert idle(1, water, tick_s=60.0, flow_kg_s=flow_kg_s).runs_on is runs_on
    water.pump_ran()
    assert not idle(4, water, tick_s=60.0, flow_kg_s=0.25).runs_on  # once refuted, five minutes again
    assert idle(1, water, tick_s=60.0, flow_kg_s=0.25).runs_on


def test_a_run_of_the_pump_begins_everything_anew_but_what_its_meter_does() -> None:
    water = idle(7, supply_c=40.0, air_c=30.0, flow_kg_s=0.5)
    water.lies = True
    water.pump_ran()
    assert water.runs_on and not water.warm and water.lies
    assert water.off_s == water.flow_s == 0.0
    assert not idle(5, water, supply_c=40.0, flow_kg_s=0.05).warm
    assert idle(1, water, supply_c=40.0, flow_kg_s=0.05).warm  # the warm air of before is forgotten
    water.pump_ran()
    idle(6, water, supply_c=50.0)
    assert not water.warm  # and so is the cold water


# --- what a motor gives at the same drive


def taught(samples: int = 300, **points: float) -> OutputTrend:
    """A trend that learnt 0.06 at 0.31 of drive and 0.1 at 0.51, in turn."""
    trend = OutputTrend()
    for k in range(samples):
        drive, output = ((0.31, 0.06), (0.51, 0.10))[k % 2]
        trend.update(drive, output, 0.0)
    return trend


@pytest.mark.parametrize(
    ("drive", "output"),
    [(0.31, 0.06), (0.51, 0.10), (0.41, 0.08), (0.56, 0.11), (0.26, 0.05), (0.58, nan), (0.24, nan)],
)
def test_the_curve_of_the_first_days_is_straight_between_its_points_and_a_little_beyond(
    drive: float, output: float
) -> None:
    first = taught().first_output(drive)
    assert first == pytest.approx(output, nan_ok=True)


def test_the_curve_ends_where_it_says() -> None:
    trend = taught()
    low, high = trend.drives[15], trend.drives[25]
    assert not isnan(trend.first_output(low - 0.06)) and not isnan(trend.first_output(high + 0.06))


@pytest.mark.parametrize(("drive", "output"), [(0.56, 0.135), (0.41, 0.09), (0.21, 0.04), (0.06, 0.01)])
def test_a_bent_curve_goes_on_as_its_last_piece_does(drive: float, output: float) -> None:
    trend = OutputTrend()
    for k in range(30):
        trend.update(*((0.11, 0.02), (0.31, 0.06), (0.51, 0.12))[k % 3], 0.0)
    assert trend.first_output(drive) == pytest.approx(output)


@pytest.mark.parametrize(("samples", "output"), [(9, 0.08), (10, 0.2)])
def test_ten_samples_make_a_point(samples: int, output: float) -> None:
    trend = taught()
    for _ in range(samples):
        trend.update(0.41, 0.2, 0.0)
    assert trend.first_output(0.41) == pytest.approx(output)


@pytest.mark.parametrize(
    ("drive", "known"), [(0.31, True), (0.318, True), (0.322, False), (0.295, False), (0.302, True)]
)
def test_a_single_point_speaks_for_its_own_bin(drive: float, known: bool) -> None:
    trend = OutputTrend()
    for _ in range(20):
        trend.update(0.31, 0.06, 0.0)
    first = trend.first_output(drive)
    assert first == pytest.approx(0.06) if known else isnan(first)
    assert isnan(OutputTrend().first_output(0.31))


def test_a_point_is_the_mean_of_drive_and_of_output() -> None:
    trend = OutputTrend()
    for _ in range(10):
        trend.update(0.302, 0.05, 0.0)
        trend.update(0.318, 0.07, 0.0)
    assert trend.drives[15] == pytest.approx(0.31) and trend.outputs[15] == pytest.approx(0.06)
    assert trend.counts[15] == 20.0


def test_it_learns_for_ten_days_and_three_hundred_samples() -> None:
    few, early = taught(299), taught(300)
    few.update(0.31, 0.03, 10 * DAY_S)
    assert few.samples == 0.0 and few.learnt == 300.0
    few.update(0.31, 0.03, 10 * DAY_S)
    assert few.samples == 1.0 and few.learnt == 300.0
    early.update(0.31, 0.06, 10 * DAY_S - 1.0)
    assert early.samples == 0.0 and early.learnt == 301.0
    early.update(0.31, 0.06, 10 * DAY_S)
    assert early.samples == 1.0


def test_the_ten_days_begin_with_the_first_sample() -> None:
    trend = OutputTrend()
    for k in range(300):
        trend.update(0.31, 0.06, 5 * DAY_S + k)
    trend.update(0.31, 0.03, 14 * DAY_S)
    assert trend.samples == 0.0
    trend.update(0.31, 0.03, 15 * DAY_S)
    assert trend.samples == 1.0


def test_the_share_is_first_a_plain_mean_with_one_then_follows_over_two_hundred() -> None:
    trend = taught()
    trend.update(0.31, 0.048, 10 * DAY_S)
    assert trend.share == pytest.approx(0.9)
    trend.update(0.51, 0.08, 10 * DAY_S)
    assert trend.share == pytest.approx(0.9 - 0.1 / 3.0)
    trend.samples, trend.share = 500.0, 1.0
    trend.update(0.41, 0.064, 11 * DAY_S)
    assert trend.share == pytest.approx(0.999)


def test_one_wild_reading_counts_as_three_times_as_much_at_most() -> None:
    trend = taught()
    trend.update(0.31, 9.0, 10 * DAY_S)
    assert trend.share == pytest.approx(2.0)


def test_it_tells_after_a_hundred_samples() -> None:
    trend = taught()
    for _ in range(99):
        trend.update(0.31, 0.03, 10 * DAY_S)
    assert isnan(trend.told)
    trend.update(0.31, 0.03, 10 * DAY_S)
    assert trend.told == trend.share < 0.52


@pytest.mark.parametrize(("drive", "output"), [(nan, 0.06), (0.31, nan), (-0.1, 0.06), (0.31, -0.01), (0.9, 0.06)])
def test_what_tells_nothing_is_left_out(drive: float, output: float) -> None:
    trend = taught()
    trend.update(drive, output, 10 * DAY_S)
    assert trend.samples == 0.0 and trend.share == 1.0 and trend.learnt == 300.0


def test_a_motor_that_stands_counts_and_so_does_drive_above_full() -> None:
    trend = taught()
    trend.update(0.31, 0.0, 10 * DAY_S)
    assert trend.samples == 1.0 and trend.share == pytest.approx(0.5)
    other = OutputTrend()
    for drive, place in ((0.0, 0), (1.3, 49), (0.999, 49)):
        before = other.counts[place]
        other.update(drive, 0.0, 0.0)
        assert other.counts[place] == before + 1.0


def test_an_output_that_was_nothing_at_first_is_compared_with_nothing() -> None:
    trend = OutputTrend()
    for _ in range(300):
        trend.update(0.31, 0.0, 0.0)
    trend.update(0.31, 0.06, 10 * DAY_S)
    assert trend.samples == 0.0 and trend.share == 1.0


# --- dawns


@pytest.mark.parametrize(
    ("dawns_v", "low_v", "falls"),
    [
        ((12.5, 12.375, 12.25, 12.125), 11.75, False),  # three more such nights end exactly there
        ((12.5, 12.375, 12.25, 12.125), 11.8, True),
        ((12.09375, 12.0625, 12.03125, 12.0), 12.0, True),
        ((12.09, 12.06, 12.03, 12.005), 12.0, False),  # one night fell by less than 0.03 V
        ((12.5, 12.375, 12.4, 12.125), 11.8, False),
        ((nan, 12.375, 12.25, 12.125), 11.8, False),
        ((12.5, 12.375, 12.25, nan), 11.8, False),
        ((12.2, 12.175, 12.15, 12.125), 12.1, False),
        ((0.0, -0.03, -0.06, -0.09), 0.0, False),  # exactly 0.03 V each night, in numbers whose differences are exact
    ],
)
def test_dawns_that_keep_falling(dawns_v: tuple[float, ...], low_v: float, falls: bool) -> None:
    assert keeps_falling(list(dawns_v), low_v) is falls


def test_each_day_keeps_its_lowest_voltage() -> None:
    dawn = DawnVolts(11.9)
    for volts in (12.8, 12.3, nan):
        dawn.update(volts, 6 * HOUR_S)
    assert isnan(dawn.last_v)
    dawn.update(12.6, 6 * HOUR_S)
    assert dawn.last_v == 12.3 and dawn.day_s == 0.0
    for volts in (12.9, 12.7, 12.8, 12.75):
        dawn.update(volts, 6 * HOUR_S)
    assert dawn.dawns_v[2:] == [12.3, 12.7]
    for _ in range(4):
        dawn.update(nan, 6 * HOUR_S)
    assert isnan(dawn.last_v) and not dawn.falling


def test_four_falling_days_are_told_on_the_fourth() -> None:
    dawn = DawnVolts(11.9)
    told = []
    for night in range(5):
        dawn.update(12.4 - 0.1 * night, DAY_S)
        told.append(dawn.falling)
    assert told == [False, False, False, True, True]


# --- the edge of the pile


def edge_after(edge_c: float, core_c: float, fan_s: float = 0.0) -> EdgeWatch:
    watch = EdgeWatch()
    watch.update(50.0, 60.0, False, HOUR_S)
    watch.update(edge_c, core_c, False, HOUR_S)
    watch.fan_s = fan_s
    return watch


@pytest.mark.parametrize(
    ("edge_c", "core_c", "fan_s", "cools", "by_air"),
    [
        (40.0, 60.0, 0.0, False, False),
        (39.5, 60.0, 0.0, True, False),
        (39.5, 56.0, 0.0, False, False),
        (39.5, 56.5, 0.0, True, False),
        (39.5, 60.0, 1800.0, True, True),
        (39.5, 60.0, 1799.0, True, False),
        (45.0, 60.0, 9999.0, False, False),
        (nan, 60.0, 0.0, False, False),
        (39.5, nan, 0.0, False, False),
    ],
)
def test_an_edge_that_cools_alone(edge_c: float, core_c: float, fan_s: float, cools: bool, by_air: bool) -> None:
    watch = edge_after(edge_c, core_c, fan_s)
    assert watch.cools is cools and watch.by_air is by_air


def test_the_edge_is_held_against_the_last_full_day() -> None:
    watch = EdgeWatch()
    watch.update(60.0, 60.0, False, 600.0)  # the first reading is kept at once
    falls_k = []
    for _ in range(24):
        watch.update(45.0, 60.0, False, HOUR_S)
        falls_k.append(watch.edge_fall_k)
    assert falls_k == [15.0] * 23 + [0.0]


def test_one_reading_an_hour_is_kept() -> None:
    watch = EdgeWatch()
    watch.update(40.0, 60.0, False, 600.0)
    for edge_c in (*[55.0] * 5, 50.0):
        watch.update(edge_c, 61.0, False, 600.0)
    assert watch.edges_c[-2:] == [40.0, 50.0] and watch.cores_c[-2:] == [60.0, 61.0]
    assert watch.hour_s == 0.0


def test_the_fans_time_fades_within_a_day() -> None:
    watch = EdgeWatch()
    watch.update(50.0, 60.0, True, 1800.0)
    assert watch.fan_s == 1800.0
    watch.update(50.0, 60.0, False, DAY_S / 2.0)
    assert watch.fan_s == 900.0
    watch.update(50.0, 60.0, False, 2.0 * DAY_S)
    assert watch.fan_s == 0.0


# --- the house


def house(days_k: list[float], above_k: float = nan) -> HouseWatch:
    watch = HouseWatch()
    watch.lowest_k = [nan] * (7 - len(days_k)) + days_k
    watch.above_k = above_k
    return watch


def opened(watch: HouseWatch, gap_k: float, ticks: int) -> bool:
    for _ in range(ticks):
        watch.update(gap_k + 2.0, 2.0, 0.5, 600.0)
    return watch.open


@pytest.mark.parametrize(
    ("days_k", "gap_k", "ticks", "is_open"),
    [
        ([10.0] * 5, 3.5, 2, False),
        ([10.0] * 5, 3.5, 3, True),
        ([10.0] * 5, 4.0, 9, False),  # 0.4 of what is usual is not less than that
        ([10.0] * 4, 1.0, 9, False),  # four days are too few
        ([4.0] * 5, 1.0, 9, True),
        ([3.75] * 5, 1.0, 9, False),  # a leaky house tells nothing
        ([20.0, 20.0, 20.0, 20.0, 5.0], 3.0, 9, False),  # the narrowest of the days is usual
        ([20.0, 20.0, 20.0, 20.0, 5.0], 1.5, 9, True),
    ],
)
def test_an_open_house(days_k: list[float], gap_k: float, ticks: int, is_open: bool) -> None:
    assert opened(house(days_k, gap_k), gap_k, ticks) is is_open


def test_a_house_that_is_closed_again_begins_anew() -> None:
    watch = house([10.0] * 5, 1.0)
    assert not opened(watch, 1.0, 2)
    watch.above_k = 10.0
    assert not opened(watch, 10.0, 1)
    watch.above_k = 1.0
    assert not opened(watch, 1.0, 2) and opened(watch, 1.0, 1)


def test_the_gap_is_followed_half_way_in_half_an_hour_and_unknown_air_changes_nothing() -> None:
    watch = HouseWatch()
    watch.update(12.0, 2.0, 0.5, 600.0)
    assert watch.above_k == 10.0
    watch.update(8.0, 2.0, 0.5, 1800.0)
    assert watch.above_k == 8.0
    watch.update(nan, 2.0, 0.5, 600.0)
    watch.update(8.0, nan, 0.5, 600.0)
    assert watch.above_k == 8.0


def test_each_day_keeps_its_narrowest_gap_but_not_the_one_that_is_alarmed() -> None:
    watch = house([10.0] * 5, 10.0)
    for _ in range(23):
        watch.update(12.0, 2.0, 0.5, HOUR_S)
    watch.above_k = 1.0
    watch.update(3.0, 2.0, 0.5, HOUR_S)
    assert watch.lowest_k[-2:] == [10.0, 10.0] and watch.day_s == 0.0
    watch.above_k = 9.0
    watch.update(11.0, 2.0, 0.5, DAY_S)
    assert watch.lowest_k[-2:] == [10.0, 9.0]
    watch.update(nan, 2.0, 0.5, DAY_S)
    assert watch.lowest_k[-2:] == [10.0, 9.0]  # a day without readings is no day


def test_the_narrowest_day_starts_afresh_each_morning() -> None:
    watch = HouseWatch()
    for gap_k in (5.0, 9.0):
        watch.above_k = gap_k
        for _ in range(24):
            watch.update(gap_k + 2.0, 2.0, 0.5, HOUR_S)
    assert watch.lowest_k[-2:] == [5.0, 9.0]


def test_a_week_is_remembered_and_no_more() -> None:
    watch = HouseWatch()
    usual_k = []
    for gap_k in (5.0, *[10.0] * 8):
        watch.above_k = gap_k
        watch.update(gap_k + 2.0, 2.0, 0.5, DAY_S)
        usual_k.append(min(k for k in watch.lowest_k if k == k))
    assert usual_k == [5.0] * 7 + [10.0] * 2


def wet_day(watch: HouseWatch, hours: int, rh: float = 0.95) -> None:
    for hour in range(24):
        watch.update(10.0, 2.0, rh if hour < hours else 0.8, HOUR_S)


@pytest.mark.parametrize(
    ("hours", "wet_hours", "wet"), [((22, 22), 44.0, True), ((22, 21), 43.0, False), ((24, 22, 5), 27.0, False)]
)
def test_wet_hours_of_the_last_two_days(hours: tuple[int, ...], wet_hours: float, wet: bool) -> None:
    watch = HouseWatch()
    for some in hours:
        wet_day(watch, some)
    assert watch.wet_hours == wet_hours and watch.wet is wet


@pytest.mark.parametrize("rh", [0.9, nan])
def test_at_the_limit_and_unknown_it_is_not_wet(rh: float) -> None:
    watch = HouseWatch()
    wet_day(watch, 24, rh)
    assert watch.wet_hours == 0.0


# --- flicker

PLACE = {name: i for i, name in enumerate(SENSORS)}
BIT = {name: 1 << i for i, name in enumerate(FLICKERING)}


def fitted(**rejects: float) -> SensorChecks:
    checks = SensorChecks()
    checks.read(reading(), 0.0)
    for name, n in rejects.items():
        checks.sensors[PLACE[name]].rejects = n
    return checks


@pytest.mark.parametrize(
    ("rejects", "steps", "bad"),
    [
        ({"pile_core_c": 2.0}, 10.0, ""),
        ({"pile_core_c": 2.5}, 10.0, "pile_core_c"),
        ({"outdoor_c": 3.0}, 8.0, "outdoor_c"),
        ({"outdoor_c": 3.0}, 7.0, ""),  # too few readings
        ({"outdoor_c": 3.0, "tank_c": 5.0}, 10.0, "outdoor_c tank_c"),
        ({"outdoor_c": 10.0}, 10.0, ""),  # nothing but bad readings: silent, which is another alarm
        ({"outdoor_c": 9.0}, 10.0, "outdoor_c"),
    ],
)
def test_the_flickering_sensors(rejects: dict[str, float], steps: float, bad: str) -> None:
    flicker = Flicker()
    flicker.review(fitted(**rejects), steps, 600.0)
    assert flicker.bad == sum(BIT[name] for name in bad.split())


def test_a_window_lasts_ten_minutes_and_then_begins_anew() -> None:
    flicker, checks = Flicker(), fitted(pile_core_c=3.0)
    flicker.review(checks, 5.0, 599.0)
    assert flicker.bad == 0.0 and checks.sensors[PLACE["pile_core_c"]].rejects == 3.0
    flicker.review(checks, 5.0, 1.0)
    assert flicker.bad == BIT["pile_core_c"] and checks.sensors[PLACE["pile_core_c"]].rejects == 0.0
    assert flicker.steps == flicker.time_s == 0.0
    flicker.review(checks, 10.0, 600.0)
    assert flicker.bad == 0.0


def test_missing_sensors_and_jumps_that_last_do_not_flicker() -> None:
    flicker, checks = Flicker(), fitted(pile_core_c=5.0)
    sensor = checks.sensors[PLACE["pile_core_c"]]
    sensor.fitted = False
    flicker.review(checks, 10.0, 600.0)
    assert flicker.bad == 0.0
    sensor.fitted, sensor.rejects, sensor.pending, sensor.doubted = True, 5.0, 3.0, 70.0
    flicker.review(checks, 10.0, 600.0)
    assert flicker.bad == 0.0 and sensor.rejects == sensor.pending == 0.0


@pytest.mark.parametrize(
    ("bad", "rejects", "restless"),
    [
        (0.0, 2.0, False),
        (0.0, 2.5, True),
        (BIT["pile_core_c"], 0.0, True),
        (BIT["pile_core_c"] + BIT["tank_c"], 0.0, True),
        (BIT["tank_c"], 0.0, False),
        (BIT["tank_c"], 3.0, True),
        (nan, 0.0, False),
    ],
)
def test_a_restless_sensor_is_known_or_flickers_now(bad: float, rejects: float, restless: bool) -> None:
    flicker = Flicker()
    flicker.bad = float(bad)
    assert flicker.restless(fitted(pile_core_c=rejects), "pile_core_c", 10.0) is restless


def test_a_sensor_that_flickered_is_doubted_for_six_hours_more() -> None:
    flicker, checks = Flicker(), fitted(water_supply_c=5.0)
    assert not flicker.doubted(checks, "water_supply_c", 100.0) and flicker.doubted(checks, "water_supply_c", 10.0)
    flicker.review(checks, 10.0, 600.0)
    assert flicker.last == BIT["water_supply_c"] and flicker.last_s == 0.0
    flicker.review(checks, 100.0, 6 * HOUR_S - 1.0)
    assert flicker.bad == 0.0
    assert flicker.doubted(checks, "water_supply_c", 10.0) and not flicker.doubted(checks, "tank_c", 10.0)
    flicker.review(checks, 10.0, 600.0)
    assert not flicker.doubted(checks, "water_supply_c", 10.0)
    assert not Flicker().doubted(checks, "pile_core_c", 10.0)
