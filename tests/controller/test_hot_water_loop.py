"""The bound on hot water, number by number: what is asked of the pump, and for how long."""

from __future__ import annotations

from dataclasses import replace
from math import nan

import pytest

from controller import ControllerSettings
from controller.seen_supply import SeenSupply
from controller.water_loop import WaterLoop

S = ControllerSettings()
LIMIT_C, TARGET = S.supply_max_c, S.flow_target_kg_s


@pytest.mark.parametrize(
    ("hot_day_s", "times"), [(3600.0, 0.0), (3900.0, 1.3), (5100.0, 2.5), (6600.0, 4.0), (7200.0, 4.0)]
)
def test_how_much_a_draw_of_hot_water_is_quickened(hot_day_s: float, times: float) -> None:
    """From an hour to 110 minutes it rises from once to four times the target in a straight line."""
    loop = WaterLoop(S)
    loop.hot.day_s = hot_day_s
    assert loop.hasty_kg_s(0.0, LIMIT_C - 0.9) == pytest.approx(times * TARGET)
    assert loop.hasty_kg_s(0.0, LIMIT_C - 1.0) == 0.0


def test_water_far_too_hot_is_rushed_at_once() -> None:
    """No draw goes on with it, but a pulse against frost must: its two kilograms then pass in seconds."""
    loop = WaterLoop(S)
    assert loop.hasty_kg_s(0.0, LIMIT_C + 19.1) == pytest.approx(4.0 * TARGET)
    assert loop.hasty_kg_s(0.0, LIMIT_C + 19.0) == 0.0


def hot_draw(loop: WaterLoop, seconds: int, supply_c: float = LIMIT_C + 3.0) -> None:
    for k in range(seconds // 10):
        loop.flow_kg_s(True, 1.0, supply_c + 0.01 * k, 20.0, 60.0, 60.0, 10.0, 10.0)


def test_hot_water_of_a_draw_that_others_stop_counts_to_its_end() -> None:
    """Battery, tank or house may stop a draw between two looks; what flowed since the last one was as hot."""
    loop, cool = WaterLoop(S), WaterLoop(S)
    hot_draw(loop, 130)
    assert loop.hot.day_s == pytest.approx(120.0)
    loop.rest(60.0)
    assert loop.hot.day_s == pytest.approx(180.0)
    loop.rest(60.0)
    assert loop.hot.day_s == pytest.approx(175.0)
    hot_draw(cool, 130, LIMIT_C - 10.0)
    cool.rest(60.0)
    assert cool.hot.day_s == 0.0


@pytest.mark.parametrize("shown_at_s", [20, 100, 280])
def test_a_slow_pulse_that_shows_hot_water_late_was_hot_from_its_start(shown_at_s: int) -> None:
    """What stood in the pile comes first, however slowly a small pump brings it to the probe."""
    loop = WaterLoop(S)
    for on_s in range(10, 310, 10):
        loop.rest(10.0)
        loop.hot.pulse(LIMIT_C + (2.0 if on_s >= shown_at_s else -5.0), float(on_s), 10.0)
    assert loop.hot.day_s == pytest.approx(300.0, abs=26.0)


@pytest.mark.parametrize(("shown_at_s", "counted_s"), [(50, 50.0), (60, 60.0), (70, 10.0)])
def test_a_draw_whose_probe_shows_hot_water_within_a_minute_was_hot_from_its_start(
    shown_at_s: int, counted_s: float
) -> None:
    loop = WaterLoop(S)
    loop.flow_kg_s(True, 1.0, LIMIT_C - 5.0, 20.0, 60.0, 60.0, 10.0, 10.0)
    for on_s in range(10, shown_at_s + 10, 10):
        supply_c = LIMIT_C + (2.0 if on_s >= shown_at_s else -5.0 + 0.01 * on_s)
        loop.flow_kg_s(True, 1.0, supply_c, 20.0, 60.0, 60.0, 10.0, 10.0)
    assert loop.hot.day_s == pytest.approx(counted_s)


def test_a_clock_that_leaps_ahead_by_a_day_buys_no_new_hot_water() -> None:
    loop = WaterLoop(S)
    loop.hot.day_s = loop.hot.told_s = 3000.0
    loop.rest(86400.0)
    assert loop.hot.day_s == pytest.approx(2925.0) and loop.hot.told_s == pytest.approx(2962.5)
    hot_draw(loop, 130)
    loop.rest(86400.0)
    assert loop.hot.day_s < 4000.0  # nor is a gap a day of hot water


def test_a_draw_after_a_pulse_counts_from_its_start_too() -> None:
    """The probe lags: what it shows as too hot in the first seconds was so from the start, after a pulse as well."""
    loop = WaterLoop(S)
    loop.hot.pulse(LIMIT_C + 3.0, 10.0, 10.0)
    before_s = loop.hot.day_s
    loop.flow_kg_s(True, 1.0, LIMIT_C - 1.0, 20.0, 60.0, 60.0, 10.0, 10.0)
    for supply_c in (LIMIT_C - 1.0, LIMIT_C + 1.0):
        loop.flow_kg_s(True, 1.0, supply_c, 20.0, 60.0, 60.0, 10.0, 10.0)
    assert loop.hot.day_s - before_s == pytest.approx(20.0, abs=2.0)
    loop.flow_kg_s(True, 1.0, LIMIT_C - 1.0, 20.0, 60.0, 60.0, 10.0, 10.0)
    loop.flow_kg_s(True, 1.0, LIMIT_C + 1.0, 20.0, 60.0, 60.0, 10.0, 10.0)
    assert loop.hot.day_s - before_s == pytest.approx(29.0, abs=2.0)  # and no second time


@pytest.mark.parametrize(
    ("supply_c", "core_c", "scalds", "passed_kg", "flow_kg_s"),
    [
        (LIMIT_C - 2.9, 60.0, 4.0, 0.0, 52.0 / 360.0),
        (LIMIT_C - 3.0, 60.0, 4.0, 0.0, 0.0),
        (LIMIT_C + 5.0, 60.0, 3.0, 0.0, 0.0),
        (LIMIT_C + 5.0, 60.0, 4.0, 51.9, 52.0 / 360.0),
        (LIMIT_C + 5.0, 60.0, 4.0, 52.0, 0.0),
        (nan, LIMIT_C + 0.1, 0.0, 0.0, 52.0 / 360.0),
        (nan, LIMIT_C, 0.0, 0.0, 0.0),
    ],
)
def test_what_stood_in_forty_litres_is_brought_through_in_six_minutes(
    supply_c: float, core_c: float, scalds: float, passed_kg: float, flow_kg_s: float
) -> None:
    """1.3 times 40 kg, where the guard stopped four draws, or where nothing shows the water."""
    loop = WaterLoop(replace(S, coil_water_kg=40.0))
    loop.hot.scalds, loop.passed_kg = scalds, passed_kg
    assert loop._flush_kg_s(supply_c, core_c) == pytest.approx(flow_kg_s)


def test_unseen_water_of_an_unknown_coil_is_fifty_kilograms() -> None:
    assert WaterLoop(S)._flush_kg_s(nan, 60.0) == pytest.approx(50.0 / 360.0)


def flows(loop: WaterLoop, may: bool, times: int) -> list[bool]:
    return [loop.flow_kg_s(may, 1.0, 30.0 + 0.1 * k, 20.0, 40.0, 40.0, 60.0, 60.0) > 0.0 for k in range(times)]


def test_a_draw_lasts_three_minutes_and_rests_five() -> None:
    loop = WaterLoop(S)
    assert flows(loop, True, 1) == [True]
    assert flows(loop, False, 4) == [True, True, False, False]
    assert flows(loop, True, 4) == [False, False, False, True]  # the step that ended the draw counts as rest


@pytest.mark.parametrize("draws", [0, 3])
def test_a_pause_holds_to_its_end_in_a_draw_and_before_one(draws: int) -> None:
    loop = WaterLoop(S)
    flows(loop, True, draws)
    loop.hot.pause_s = 0.5
    assert flows(loop, True, 1) == [False]
    assert loop.asked_kg_s == 0.0
    loop.hot.pause_s = 0.5
    flows(loop, True, 1)
    assert loop.limit == "scald"


def test_a_restless_supply_may_be_as_hot_as_its_mean_and_one_leap() -> None:
    seen = SeenSupply()
    seen.begin(40.0)
    hottest_c = [seen.update(40.0 + 4.0 * (k % 2), 10.0) for k in range(40)]
    assert hottest_c[-2:] == pytest.approx([45.71, 46.29], abs=0.01)  # means a seventh of 2 K off 42, and 4 to and fro
    for _ in range(6):  # what leaps up is refused now, and kept readings wobble no more
        hottest_c.append(seen.update(40.0, 10.0))
    assert seen.restless and hottest_c[-1] > 43.9
    calm = SeenSupply()
    calm.begin(40.0)
    assert [calm.update(40.0 + k, 10.0) for k in range(3)] == [40.0, 41.0, 42.0]


def test_a_reading_that_was_there_before_the_draw_is_not_its_water() -> None:
    seen = SeenSupply()
    seen.begin(40.0)
    for on_s in (10.0, 20.0, 30.0):
        seen.update(40.0, 10.0)
        assert seen.unmoved(on_s) is (on_s >= 30.0)
    seen.update(40.1, 10.0)
    for on_s in (50.0, 60.0, 70.0, 80.0):
        seen.update(40.1, 10.0)
        assert not seen.unmoved(on_s)
    assert seen.held


def test_the_flow_is_not_held_back_for_the_supply_unless_that_is_asked_for() -> None:
    plain, free, held = (WaterLoop(S) for _ in range(3))
    seen = (True, 1.0, 30.0, 10.0, 55.0, 55.0, 10.0, 10.0)
    flow_kg_s = plain.flow_kg_s(*seen)
    assert flow_kg_s == free.flow_kg_s(*seen, hold_supply=False) > held.flow_kg_s(*seen, hold_supply=True)


def test_a_coil_of_half_a_kilogram_is_known() -> None:
    assert WaterLoop(replace(S, coil_water_kg=0.5))._stood_kg() == pytest.approx(0.65)


def test_a_supply_that_comes_and_goes_hides_no_minute_of_hot_water() -> None:
    """The probe is still rising when its reading is lost; what comes a minute later is far too hot."""
    loop = WaterLoop(S)
    shown_c = [20.0, 40.0, 44.0] + 8 * [44.0] + [LIMIT_C + 5.0]
    for supply_c in shown_c:
        loop.flow_kg_s(True, 1.0, supply_c, 20.0, 60.0, 60.0, 10.0, 10.0)
    assert loop.hot.day_s == pytest.approx(110.0)
