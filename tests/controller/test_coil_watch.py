"""A coil that passes far less than usual lies in chilled compost."""

from __future__ import annotations

from math import exp, isnan, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.coil import TELLING_SPAN_K, conductance_w_k
from controller.coil_watch import CHILLED_SHARE, FRESH_KG, REST_S, UNSEEN_KG, UNSEEN_REST_S, CoilWatch
from controller.media import WATER_J_KG_K

FLOW = 0.05


def supply_c(ua_w_k: float, around_c: float, return_c: float = 8.0) -> float:
    """The textbook effectiveness, 1 - exp(-UA / m cp)."""
    return return_c + (around_c - return_c) * (1.0 - exp(-ua_w_k / (FLOW * WATER_J_KG_K)))


def drawn(watch: CoilWatch, hours: float, around_c: float, ua_w_k: float = 220.0, probe_c: float = 62.0) -> None:
    for _ in range(round(hours * 60.0)):
        watch.update(FLOW, supply_c(ua_w_k, around_c), 8.0, probe_c, 0.0, 60.0)


@given(st.floats(20.0, 600.0), st.floats(30.0, 70.0))
def test_the_conductance_is_that_of_the_textbook(ua_w_k: float, core_c: float) -> None:
    shown = conductance_w_k(FLOW, supply_c(ua_w_k, core_c), 8.0, core_c)
    assert shown == pytest.approx(ua_w_k, rel=1e-6) or supply_c(ua_w_k, core_c) - 8.0 > 0.949 * (core_c - 8.0)


@pytest.mark.parametrize(
    ("flow_kg_s", "supply", "back", "core"),
    [
        (0.0, 40.0, 8.0, 60.0),
        (nan, 40.0, 8.0, 60.0),
        (FLOW, nan, 8.0, 60.0),
        (FLOW, 40.0, nan, 60.0),
        (FLOW, 12.0, 8.0, 8.0 + TELLING_SPAN_K),
    ],
)
def test_what_tells_nothing_is_nothing(flow_kg_s: float, supply: float, back: float, core: float) -> None:
    assert isnan(conductance_w_k(flow_kg_s, supply, back, core))


def test_a_long_draw_from_compost_that_keeps_up_goes_on() -> None:
    watch = CoilWatch()
    drawn(watch, 12.0, 62.0)
    assert not watch.chilled and watch.usual_w_k == pytest.approx(220.0, rel=0.01)


def test_chilled_compost_rests_the_draw_for_hours_though_the_probe_stays_hot() -> None:
    watch = CoilWatch()
    drawn(watch, 2.0, 62.0)
    drawn(watch, 1.0, 50.0)
    assert not watch.chilled
    drawn(watch, 1.0, 25.0)
    assert watch.chilled
    for _ in range(round(REST_S / 60.0)):
        watch.update(0.0, 9.0, 9.0, 62.0, 0.0, 60.0)
    assert not watch.chilled


def test_water_that_stood_in_the_coil_says_nothing() -> None:
    watch = CoilWatch()
    watch.update(FLOW, 20.0, 8.0, 62.0, 0.0, (FRESH_KG - 1.0) / FLOW)
    assert isnan(watch.usual_w_k)
    watch.update(FLOW, 20.0, 8.0, 62.0, 0.0, 2.0 / FLOW)
    assert watch.usual_w_k > 0.0
    known = CoilWatch()
    known.update(FLOW, 20.0, 8.0, 62.0, 100.0, 60.0 / FLOW)
    assert isnan(known.usual_w_k)


def test_a_fouling_coil_becomes_the_usual_one() -> None:
    watch = CoilWatch()
    watch.usual_w_k = 220.0
    for day in range(60):
        watch.passed_kg = 0.0
        drawn(watch, 8.0, 62.0, 220.0 * (1.0 - day / 150.0))
        watch.now_w_k = nan
    assert not watch.chilled and watch.usual_w_k < 200.0


def test_one_low_reading_rests_nothing() -> None:
    watch = CoilWatch()
    drawn(watch, 2.0, 62.0)
    watch.update(FLOW, supply_c(0.4 * CHILLED_SHARE * 220.0, 62.0), 8.0, 62.0, 0.0, 60.0)
    assert not watch.chilled


def unseen(watch: CoilWatch, minutes: int, flow_kg_s: float = FLOW) -> None:
    for _ in range(minutes):
        watch.update(flow_kg_s, nan, 8.0, 62.0, 0.0, 60.0)


def test_after_much_water_that_no_probe_shows_the_draw_rests_for_an_hour() -> None:
    watch = CoilWatch()
    unseen(watch, round(UNSEEN_KG / FLOW / 60.0))
    assert not watch.chilled
    unseen(watch, 1)
    assert watch.rest_s == UNSEEN_REST_S
    unseen(watch, 59, 0.0)
    assert watch.chilled
    unseen(watch, 1, 0.0)
    assert not watch.chilled


def test_short_unseen_draws_do_not_add_up_and_a_longer_rest_is_not_cut() -> None:
    watch = CoilWatch()
    for _ in range(20):
        unseen(watch, 20)
        unseen(watch, 1, 0.0)
    assert not watch.chilled
    watch.rest_s = REST_S
    unseen(watch, 60)
    assert watch.rest_s == REST_S - 3600.0
