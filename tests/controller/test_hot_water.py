"""Too hot water by the numbers: what stops a draw, for how long, what the day keeps of it, and when patience is out."""

from __future__ import annotations

from math import nan

import pytest

from controller.hot_water import HotWater

LIMIT_C = 49.0
HOT_C, COOL_C = LIMIT_C + 2.0, LIMIT_C - 5.0


def flowed(times: int, supply_c: float = HOT_C, hot: HotWater | None = None, from_s: float = 0.0) -> HotWater:
    """Water of ten-second steps."""
    hot = hot or HotWater(LIMIT_C)
    for k in range(times):
        hot.flow(supply_c, from_s + 10.0 * (k + 1), 10.0)
    return hot


def test_water_that_stays_too_hot_stops_for_a_quarter_of_an_hour_and_is_counted_as_one() -> None:
    hot = flowed(47)
    assert (hot.pause_s, hot.scalds, hot.flows_s) == (0.0, 0.0, 470.0)
    assert hot.flow(HOT_C, 480.0, 10.0)
    assert (hot.pause_s, hot.scalds, hot.flows_s) == (900.0, 1.0, 0.0)
    for left_s in (840.0, 780.0):
        hot.stand(False, 60.0, 60.0)
        assert hot.pause_s == left_s
    hot.stand(False, 60.0, 5000.0)
    assert hot.pause_s == 0.0


def test_water_a_kelvin_below_the_limit_is_not_too_hot() -> None:
    """Above that it may be at the limit: a sound probe on a pipe reads up to a kelvin low."""
    assert flowed(600, LIMIT_C - 1.0).day_s == 0.0
    assert flowed(12, LIMIT_C - 0.9).day_s == 120.0


def test_patience_is_out_after_four_stops_and_two_hours_bring_it_back() -> None:
    hot = HotWater(LIMIT_C)
    for stops in range(1, 5):
        assert not hot.patience_is_out
        hot.flow(LIMIT_C + 21.0, 10.0, 10.0)
        assert hot.scalds == stops
    assert hot.patience_is_out
    hot.stand(False, 7200.0, 60.0)
    assert hot.patience_is_out
    hot.stand(False, 7200.1, 60.0)
    assert hot.scalds == 0.0


def test_a_spent_day_stops_hot_water_at_once_for_an_hour_and_lets_cool_water_flow() -> None:
    hot = HotWater(LIMIT_C)
    hot.day_s = 6600.0
    assert not hot.flow(COOL_C, 70.0, 10.0)
    hot.day_s = 6600.0
    assert hot.flow(HOT_C, 80.0, 10.0)
    assert (hot.pause_s, hot.scalds) == (3600.0, 0.0)


@pytest.mark.parametrize(("stopped", "counted_s"), [(True, 180.0), (False, 115.0)])
def test_only_what_was_stopped_from_outside_flowed_on_in_the_step_of_its_end(stopped: bool, counted_s: float) -> None:
    hot = flowed(12)
    hot.stand(stopped, 60.0, 60.0)
    assert hot.day_s == pytest.approx(counted_s)


def test_cool_water_that_is_stopped_counts_nothing() -> None:
    hot = flowed(1, COOL_C, flowed(12), 120.0)
    before_s = hot.day_s
    hot.stand(True, 60.0, 60.0)
    assert hot.day_s < before_s


def test_unknown_water_is_not_called_hot() -> None:
    hot = flowed(12, nan)
    assert (hot.day_s, hot.flows_s, hot.is_hot) == (0.0, 0.0, False)


@pytest.mark.parametrize(("since_s", "flows_s"), [(89.0, 200.0), (90.0, 0.0)])
def test_a_draw_soon_after_a_pulse_goes_on_with_its_hot_water(since_s: float, flows_s: float) -> None:
    hot = HotWater(LIMIT_C)
    for k in range(20):
        hot.stand(False, 0.0, 10.0)
        hot.pulse(HOT_C, 10.0 * (k + 1), 10.0)
    hot.stand(False, 0.0, since_s)
    hot.begin()
    assert hot.flows_s == flows_s
    assert not hot.was_hot


@pytest.mark.parametrize(("since_s", "counted_s"), [(60.0, 10.0), (61.0, 80.0)])
def test_a_pulse_that_shows_hot_water_at_last_was_hot_from_its_own_start(since_s: float, counted_s: float) -> None:
    """Within a minute of a hot look it is the same pulse, of which the beginning is counted already."""
    hot = HotWater(LIMIT_C)
    hot.pulse(HOT_C, 10.0, 10.0)
    hot.stand(False, 0.0, since_s)
    hot.day_s = 0.0
    hot.pulse(HOT_C, 80.0, 10.0)
    assert hot.day_s == pytest.approx(counted_s)


def test_a_cool_pulse_forgets_nothing_twice() -> None:
    """Standing forgets already."""
    hot = flowed(12)
    hot.pulse(COOL_C, 10.0, 10.0)
    assert hot.day_s == 120.0


@pytest.mark.parametrize(
    ("day_s", "above_k", "times"),
    [(3600.0, -0.9, 1.0), (5100.0, -0.9, 2.5), (6600.0, 19.0, 4.0), (6600.0, -1.0, 1.0), (0.0, 19.1, 4.0)],
)
def test_how_much_sooner_it_shall_be_over(day_s: float, above_k: float, times: float) -> None:
    hot = HotWater(LIMIT_C)
    hot.day_s = day_s
    assert hot.quicker(LIMIT_C + above_k) == pytest.approx(times)
    assert hot.quicker(nan) == 1.0


def test_what_is_told_is_forgotten_within_a_day_by_its_own_measure() -> None:
    hot = HotWater(LIMIT_C)
    hot.told_s, hot.day_s = 1000.0, 0.0
    hot.stand(False, 0.0, 900.0)
    assert 900.0 < hot.told_s < 1000.0 and hot.day_s == 0.0
    hot.told_s, hot.day_s = 0.0, 1000.0
    hot.stand(False, 0.0, 900.0)
    assert 900.0 < hot.day_s < 1000.0 and hot.told_s == 0.0


@pytest.mark.parametrize(("since_s", "flows_s"), [(80.0, 110.0), (90.0, 80.0)])
def test_a_pulse_a_minute_and_a_half_after_the_last_begins_anew(since_s: float, flows_s: float) -> None:
    hot = HotWater(LIMIT_C)
    hot.flows_s, hot.pulsed_s = 30.0, since_s
    hot.pulse(HOT_C, 80.0, 10.0)
    assert hot.flows_s == flows_s


@pytest.mark.parametrize(
    ("on_s", "kept_s", "counted_s"),
    [
        (300.0, 0.0, 10.0),  # a fresh reading
        (300.0, 70.0, 80.0),  # after a silence it was hot all that time
        (300.0, 230.0, 240.0),
        (300.0, 240.0, 300.0),  # a silence that began within a minute of the start: from the start
        (300.0, 900.0, 300.0),  # no longer than the draw
    ],
)
def test_water_that_shows_hot_after_a_silence_was_hot_through_it(on_s: float, kept_s: float, counted_s: float) -> None:
    hot = HotWater(LIMIT_C)
    hot.flow(COOL_C, 10.0, 10.0)
    hot.flow(HOT_C, on_s, 10.0, kept_s)
    assert hot.day_s == counted_s


def test_a_silence_in_hot_water_is_counted_once() -> None:
    hot = flowed(30)
    hot.flow(HOT_C, 310.0, 10.0, 90.0)
    assert hot.day_s == 310.0
