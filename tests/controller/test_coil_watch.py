"""What a coil passes tells the bed it lies in."""

from __future__ import annotations

from math import exp, isnan, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.coil import TELLING_SPAN_K, conductance_w_k
from controller.coil_watch import CoilWatch
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
    assert not watch.rests and watch.usual_w_k == pytest.approx(220.0, rel=0.01)


@pytest.mark.parametrize(("stood_kg", "fresh_kg"), [(0.0, 40.0), (30.0, 40.0), (100.0, 100.0)])
def test_water_that_stood_in_the_coil_says_nothing(stood_kg: float, fresh_kg: float) -> None:
    """Forty kilograms, or all that stood there."""
    watch = CoilWatch()
    watch.update(0.5, 20.0, 8.0, 62.0, stood_kg, 2.0 * fresh_kg - 1.0)
    assert isnan(watch.usual_w_k)
    watch.update(0.5, 20.0, 8.0, 62.0, stood_kg, 1.0)
    assert watch.usual_w_k > 0.0


def shown(watch: CoilWatch, ua_w_k: float, dt_s: float) -> None:
    """A reading of so much conductance, the water being fresh."""
    watch.passed_kg = 1000.0
    watch.update(FLOW, supply_c(ua_w_k, 62.0), 8.0, 62.0, 0.0, dt_s)


def test_what_is_shown_is_smoothed_over_a_quarter_of_an_hour() -> None:
    watch = CoilWatch()
    shown(watch, 200.0, 60.0)
    shown(watch, 260.0, 100.0)
    assert watch.now_w_k == pytest.approx(200.0 + 60.0 * 100.0 / 1000.0, rel=1e-6)


@pytest.mark.parametrize(
    ("now_w_k", "follow_s"), [(260.0, 3600.0), (140.0, 20 * 86400.0)], ids=["up in an hour", "down in weeks"]
)
def test_the_usual_follows_up_soon_and_down_slowly(now_w_k: float, follow_s: float) -> None:
    watch = CoilWatch()
    watch.usual_w_k = 200.0
    shown(watch, now_w_k, 3600.0)
    assert watch.usual_w_k == pytest.approx(200.0 + (now_w_k - 200.0) * 3600.0 / (follow_s + 3600.0), rel=1e-6)


def test_a_fouling_coil_becomes_the_usual_one() -> None:
    watch = CoilWatch()
    watch.usual_w_k = 220.0
    for day in range(60):
        watch.passed_kg = 0.0
        drawn(watch, 8.0, 62.0, 220.0 * (1.0 - day / 150.0))
        watch.now_w_k = nan
    assert watch.usual_w_k < 200.0 and watch.bed_c == pytest.approx(62.0 - 8.0, abs=4.0)


@pytest.mark.parametrize(("stall_min", "kept"), [(1, True), (2, True), (3, False)])
def test_a_pump_that_stalls_for_two_minutes_leaves_the_coil_as_it_was(stall_min: int, kept: bool) -> None:
    """A worn pump stops and goes a hundred times in a draw: that draw chills the bed as well as one that runs through."""
    watch = CoilWatch()
    drawn(watch, 2.0, 44.0)
    passed_kg = watch.passed_kg
    for _ in range(stall_min):
        watch.update(0.0, 40.0, 8.0, 62.0, 0.0, 60.0)
        assert isnan(watch.bed_c)
    drawn(watch, 1.0 / 60.0, 44.0)
    assert (watch.bed_c == watch.bed_c) is kept
    assert watch.passed_kg == pytest.approx(60.0 * FLOW + (passed_kg if kept else 0.0))
    for _ in range(20):
        for _ in range(2):
            watch.update(0.0, 40.0, 8.0, 62.0, 0.0, 60.0)
        drawn(watch, 1.0 / 60.0, 44.0)
    assert watch.bed_c == watch.bed_c  # stalls do not add up; two and a half kilograms a minute did


def unseen(watch: CoilWatch, minutes: int, flow_kg_s: float = FLOW) -> None:
    for _ in range(minutes):
        watch.update(flow_kg_s, nan, 8.0, 62.0, 0.0, 60.0)


def test_after_much_water_that_no_probe_shows_the_draw_rests_for_three_hours() -> None:
    watch = CoilWatch()
    unseen(watch, 40)  # 120 kg
    assert not watch.rests
    unseen(watch, 1)
    assert watch.rest_s == 10800.0
    unseen(watch, 179, 0.0)
    assert watch.rests
    watch.update(0.0, nan, 8.0, 62.0, 0.0, 59.5)
    assert watch.rests
    unseen(watch, 1, 0.0)
    assert not watch.rests


def test_short_unseen_draws_do_not_add_up_and_a_longer_rest_is_not_cut() -> None:
    watch = CoilWatch()
    for _ in range(20):
        unseen(watch, 20)
        unseen(watch, 3, 0.0)
    assert not watch.rests
    watch.rest_s = 21600.0
    unseen(watch, 60)
    assert watch.rest_s == 18000.0


def test_the_bed_of_a_long_draw_follows_from_what_the_coil_usually_passes() -> None:
    watch = CoilWatch()
    assert isnan(watch.bed_c)
    drawn(watch, 0.2, 62.0)  # 36 kg: what stood in coil and pipe
    assert isnan(watch.bed_c)
    drawn(watch, 1.0, 62.0)
    assert watch.bed_c == pytest.approx(62.0, abs=0.01)
    drawn(watch, 1.0 / 60.0, 50.0)
    assert watch.bed_c == pytest.approx(50.0, abs=0.2)
    watch.update(0.0, 50.0, 8.0, 62.0, 0.0, 60.0)
    assert isnan(watch.bed_c)
    watch.update(FLOW, nan, 8.0, 62.0, 0.0, 60.0)
    assert isnan(watch.bed_c)
