"""The observer, by hand arithmetic and on made-up piles."""

from __future__ import annotations

from math import exp, isnan, nan

import pytest
from helpers import reading

from controller import ControllerSettings
from controller.checks import Readings, SensorChecks
from controller.estimate import (
    DRUM_BELOW_K,
    EDGE_SHARE,
    HOLD_CORE_S,
    HOT_GAP_S,
    LOSS_W_K_8T,
    PLACED_SD_K,
    RESTED_S,
    SKIN_BELOW_K,
    SKIN_S,
    WITNESS_DOWN_K,
    WITNESS_GAIN,
    WITNESS_UP_K,
    PileObserver,
    Trend,
    WaterWitness,
    heat_capacity_j_kg_k,
    water_heat_w,
)


def seen(**changes: float) -> Readings:
    return SensorChecks().read(reading(**changes), 0.0)


def observer(**settings: float) -> PileObserver:
    return PileObserver(ControllerSettings(pile_wet_mass_kg=8000.0, **settings))


def watch(pile: PileObserver, hours: float, water_w: float = 0.0, **changes: float) -> None:
    r = seen(**changes)
    for _ in range(round(hours * 60)):
        pile.update(r, 0.0, water_w, 0.0, 60.0)


def test_specific_heat_is_a_mixture() -> None:
    assert heat_capacity_j_kg_k(0.5) == pytest.approx(0.5 * 4186 + 0.5 * 1300)


@pytest.mark.parametrize(
    ("flow", "supply_c", "return_c", "heat_w"),
    [(0.0631, 38.0, 18.0, 5282.7), (0.0, 38.0, 18.0, 0.0), (0.05, 10.0, 20.0, 0.0), (0.05, nan, 20.0, 0.0)],
)
def test_water_heat(flow: float, supply_c: float, return_c: float, heat_w: float) -> None:
    assert water_heat_w(flow, supply_c, return_c) == pytest.approx(heat_w, rel=1e-3)


def test_the_trend_finds_a_steady_slope() -> None:
    trend = Trend()
    for k in range(4 * 24 * 60):
        trend.update(60.0 - 1.5 * k / 1440.0, 60.0)
    assert trend.slope_per_s * 86400.0 == pytest.approx(-1.5, abs=0.02)
    assert trend.level == pytest.approx(60.0 - 6.0, abs=0.05)


def test_a_moved_probe_is_no_trend() -> None:
    trend = Trend()
    trend.update(60.0, 60.0)
    trend.update(50.0, 60.0)
    assert (trend.level, trend.slope_per_s) == (50.0, 0.0)


def test_nothing_is_known_before_the_first_reading() -> None:
    pile = observer()
    assert pile.blind and isnan(pile.core_c)
    e = pile.estimate(pile.heat_made_w(5.0), 50.0, nan, (nan, nan, nan))
    assert all(isnan(x) for x in (e.core_c, e.heat_made_w, e.sustainable_w, e.stored_j))


def test_the_core_probe_counts_and_the_edge_stands_in() -> None:
    pile = observer()
    watch(pile, 3.0, pile_core_c=60.0, pile_edge_c=40.0)
    assert pile.core_c == pytest.approx(60.0)
    watch(pile, 3.0, pile_core_c=nan, pile_edge_c=40.0)
    assert pile.core_c == pytest.approx(40.0 + 0.5 * 20.0, abs=0.1)  # half the gap that was learnt
    lone = observer()
    watch(lone, 1.0, pile_core_c=nan, pile_edge_c=52.0)
    assert lone.core_c == 52.0


MUTE = {"pile_core_c": nan, "pile_edge_c": nan, "water_supply_c": nan}
MINUTE_H = 1.0 / 60.0


def test_silence_holds_the_core_for_a_while_with_growing_doubt() -> None:
    pile = observer()
    watch(pile, 1.0)
    assert pile.core_sd_c == pytest.approx(PLACED_SD_K)
    watch(pile, HOLD_CORE_S / 3600.0, **MUTE)
    assert not pile.unseen and not pile.blind and pile.core_sd_c > PLACED_SD_K
    watch(pile, MINUTE_H, **MUTE)
    assert pile.unseen and pile.blind


def test_while_the_water_tells_the_core_is_reckoned_for_a_day() -> None:
    """Less all that is drawn since, as if nothing were made: 1 kW out of 0.6 x 8 t for an hour is 0.25 K."""
    settings = ControllerSettings(pile_wet_mass_kg=8000.0)
    pile, silent = PileObserver(settings), {"pile_core_c": nan, "pile_edge_c": nan}
    watch(pile, 1.0)
    core_c, capacity_j_k = pile.core_c, 0.6 * 8000.0 * heat_capacity_j_kg_k(settings.pile_moisture)
    watch(pile, 10.0, water_w=1000.0, **silent)
    assert pile.unseen and not pile.blind
    assert pile.core_c == pytest.approx(core_c - 36e6 / capacity_j_k)
    assert pile.core_sd_c == pytest.approx((PLACED_SD_K**2 + 10.0**2) ** 0.5)
    watch(pile, 14.0, **silent)
    assert not pile.blind
    watch(pile, MINUTE_H, **silent)
    assert pile.blind
    watch(pile, MINUTE_H)
    assert not pile.unseen and not pile.blind


def test_a_supply_that_fails_too_ends_the_reckoning_and_a_flicker_does_not() -> None:
    pile, silent = observer(), {"pile_core_c": nan, "pile_edge_c": nan}
    watch(pile, 1.0)
    watch(pile, 3.0, **silent)
    watch(pile, HOLD_CORE_S / 3600.0, **MUTE)
    assert not pile.blind
    watch(pile, MINUTE_H, **silent)
    watch(pile, HOLD_CORE_S / 3600.0, **MUTE)
    assert not pile.blind
    watch(pile, MINUTE_H, **MUTE)
    assert pile.blind


def test_what_is_made_stays_as_it_was_while_nobody_sees_the_pile() -> None:
    pile = observer()
    watch(pile, 30.0, water_w=500.0, pile_core_c=62.0)
    net_w = pile.net_w
    assert net_w > 0.0
    watch(pile, 12.0, water_w=3000.0, pile_core_c=nan, pile_edge_c=nan)
    assert pile.net_w == pytest.approx(net_w, rel=0.15)  # half an hour of it is a passing silence


def test_the_hot_hours_are_broken_by_cold_and_by_long_gaps_only() -> None:
    pile = observer(start_core_c=50.0)
    watch(pile, 10.0, pile_core_c=52.0)
    watch(pile, 0.5, pile_core_c=nan, pile_edge_c=nan)  # a short gap does not count, nor does it break
    watch(pile, 1.0, pile_core_c=52.0)
    assert pile.hot_s == pytest.approx(11 * 3600.0)
    watch(pile, HOT_GAP_S / 3600.0 + 0.1, pile_core_c=nan, pile_edge_c=nan)
    assert pile.hot_s == 0.0
    watch(pile, 1.0, pile_core_c=52.0)
    watch(pile, 1.0, pile_core_c=48.0)
    assert pile.hot_s == 0.0


def test_balance_of_a_steady_pile_is_draw_and_loss() -> None:
    """Steady core, 500 W drawn for a week: net is 500 W, made is that and the loss through the edge."""
    pile = observer()
    watch(pile, 7 * 24.0, water_w=500.0, pile_core_c=60.0, pile_edge_c=35.0, outdoor_c=5.0)
    assert pile.drawn_day_w == pytest.approx(500.0, rel=0.01)
    assert pile.heat_made_w(5.0) == pytest.approx(500.0 + 30.0 * LOSS_W_K_8T, rel=0.02)
    assert pile.sustainable_w(60.0) == pytest.approx(500.0, rel=0.02)
    assert pile.sustainable_w(50.0) == pytest.approx(500.0 + 10.0 * EDGE_SHARE * LOSS_W_K_8T, rel=0.02)
    e = pile.estimate(pile.heat_made_w(5.0), 50.0, nan, (nan, nan, nan))
    assert e.stored_j == pytest.approx(15.0 * 0.6 * 8000.0 * heat_capacity_j_kg_k(0.6))


def test_a_cooling_pile_nets_less_than_is_drawn() -> None:
    pile = observer()
    for k in range(6 * 1440):
        pile.update(seen(pile_core_c=64.0 - 1.0 * k / 1440.0), 0.0, 1000.0, 0.0, 60.0)
    capacity = 0.6 * 8000.0 * heat_capacity_j_kg_k(0.6)
    assert pile.net_w == pytest.approx(1000.0 - capacity / 86400.0, abs=30.0)


def test_without_edge_probe_and_outdoor_the_loss_is_guessed() -> None:
    pile = observer()
    watch(pile, 48.0, pile_core_c=55.0, pile_edge_c=nan, outdoor_c=nan)
    assert pile.heat_made_w(nan) == pytest.approx(EDGE_SHARE * 50.0 * LOSS_W_K_8T, rel=0.02)


class Draws:
    """A witness fed with rests and draws."""

    def __init__(self, drum_m3: float = 0.0) -> None:
        self.witness = WaterWitness(drum_m3)

    def rest(self, seconds: float) -> list[float]:
        return [self.witness.update(0.0, 20.0, 60.0) for _ in range(round(seconds / 60.0))]

    def draw(self, kg: float, supply_c: float) -> list[float]:
        said = [self.witness.update(0.1, supply_c, 10.0) for _ in range(round(kg))]
        return [x for x in said if x == x]


def test_the_hottest_water_after_a_rest_is_the_witness_once() -> None:
    draws = Draws()
    draws.rest(RESTED_S)
    draws.draw(5.0, 40.0)
    assert draws.draw(10.0, 58.0) == [58.0 + DRUM_BELOW_K]
    assert draws.draw(20.0, 50.0) == []


def test_after_a_short_rest_there_is_no_witness() -> None:
    draws = Draws()
    draws.rest(RESTED_S / 2)
    assert draws.draw(30.0, 58.0) == []


def test_a_draw_that_ends_early_still_speaks() -> None:
    draws = Draws(drum_m3=0.2)
    draws.rest(RESTED_S)
    assert draws.draw(10.0, 57.0) == []
    assert [x for x in draws.rest(120.0) if x == x] == [58.0]


@pytest.mark.parametrize(("unseen_kg", "thorough"), [(7.0, True), (8.0, False)])
def test_a_draw_of_which_more_than_a_quarter_passed_unseen_is_not_thorough(unseen_kg: float, thorough: bool) -> None:
    """The hottest water may have been in it: then cool water says nothing about the core."""
    draws = Draws(drum_m3=0.2)
    draws.rest(RESTED_S)
    draws.draw(unseen_kg, nan)
    assert draws.draw(30.0 - unseen_kg, 40.0) == [40.0 + DRUM_BELOW_K]
    assert draws.witness.thorough is thorough
    draws.rest(RESTED_S)
    draws.draw(30.0, 40.0)
    assert draws.witness.thorough  # the next draw begins anew


def pile_with_witness(rest_h: float, supply_c: float) -> PileObserver:
    pile = observer(drum_volume_m3=0.0)
    watch(pile, rest_h, pile_core_c=55.0)
    r = seen(pile_core_c=55.0, water_supply_c=supply_c)
    for _ in range(30):
        pile.update(r, 0.1, 0.0, 0.0, 10.0)
    return pile


def test_hot_water_proves_a_hot_core() -> None:
    pile = pile_with_witness(2.0, 57.0)
    assert pile.offset_k == pytest.approx(WITNESS_GAIN * (57.0 + DRUM_BELOW_K - 55.0), rel=1e-3)
    assert pile.core_sd_c < PLACED_SD_K


def test_cool_water_proves_a_cool_core_less_what_the_rest_has_not_yet_made_up() -> None:
    lag_k = SKIN_BELOW_K * exp(-3600.0 / SKIN_S)
    miss_k = 45.0 + DRUM_BELOW_K + lag_k - 55.0
    assert pile_with_witness(1.0, 45.0).offset_k == pytest.approx(WITNESS_GAIN * miss_k, rel=0.01)
    assert pile_with_witness(1.0, 54.5 - lag_k).offset_k == 0.0


def test_a_short_pulse_of_cool_water_proves_nothing() -> None:
    pile = observer(drum_volume_m3=0.2)
    watch(pile, 3.0, pile_core_c=55.0)
    r = seen(pile_core_c=55.0, water_supply_c=30.0)
    for _ in range(6):
        pile.update(r, 0.1, 0.0, 0.0, 10.0)
    watch(pile, 0.1, pile_core_c=55.0)
    assert pile.offset_k == 0.0


@pytest.mark.parametrize(("supply_c", "bound_k"), [(80.0, WITNESS_UP_K), (20.0, -WITNESS_DOWN_K)])
def test_the_correction_is_bounded_and_upward_more_closely(supply_c: float, bound_k: float) -> None:
    pile = observer(drum_volume_m3=0.0)
    water, still = seen(pile_core_c=50.0, water_supply_c=supply_c), seen(pile_core_c=50.0)
    for _ in range(20):
        for _ in range(int(2 * RESTED_S / 60.0)):
            pile.update(still, 0.0, 0.0, 0.0, 60.0)
        for _ in range(30):
            pile.update(water, 0.1, 0.0, 0.0, 10.0)
    assert pile.offset_k == pytest.approx(bound_k, rel=0.01)
