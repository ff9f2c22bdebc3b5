"""A line whose return probe has failed is pulsed as it bore before, not as a bare pipe."""

from __future__ import annotations

from math import isnan, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_frost_guard import Night

from controller.borne_frost import LIQUID_C, SHARE, BorneFrost
from controller.frost import IMPOSSIBLE_C, LONGEST_WAIT_S, PULSE_BELOW_C

HOUR_S = 3600.0


def borne(hours: float, outdoor_c: float, coldest_c: float) -> BorneFrost:
    frost = BorneFrost()
    frost.stand(outdoor_c, hours * HOUR_S)
    frost.show(coldest_c)
    return frost


def test_what_was_borne_by_hand() -> None:
    """Two hours at -10 degC: 20 K h, of which 16 are trusted at once and half of that after eight days."""
    frost = borne(2.0, -10.0, 2.0)
    assert frost.trusted_k_s == pytest.approx(0.8 * 20.0 * HOUR_S)
    frost.stand(3.0, 8 * 86400.0)
    assert frost.trusted_k_s == pytest.approx(SHARE * 10.0 * HOUR_S)
    assert frost.covers
    frost.stand(-20.0, 0.3 * HOUR_S)
    assert frost.covers
    frost.stand(-20.0, 0.2 * HOUR_S)
    assert not frost.covers


@pytest.mark.parametrize(
    ("coldest_c", "known"),
    [(0.3, False), (0.0, False), (0.31, True)],
    ids=["ice perhaps", "ice", "none"],
)
def test_water_that_may_hold_ice_ends_the_trust(coldest_c: float, known: bool) -> None:
    frost = borne(2.0, -10.0, 2.0)
    frost.stand(-10.0, 2 * HOUR_S)
    frost.show(coldest_c)
    assert isnan(frost.trusted_k_s) is not known


def test_a_pulse_that_nobody_saw_changes_nothing_but_the_count() -> None:
    frost = borne(2.0, -10.0, 2.0)
    frost.stand(-10.0, 5 * HOUR_S)
    frost.show(nan)
    assert (frost.most_k_s, frost.since_k_s) == (20.0 * HOUR_S, 0.0)


def test_a_short_wait_takes_nothing_back_and_a_long_one_counts_anew() -> None:
    frost = borne(2.0, -10.0, 2.0)
    frost.stand(-10.0, 0.5 * HOUR_S)
    frost.show(2.0)
    assert frost.most_k_s == 20.0 * HOUR_S and frost.age_s == 0.5 * HOUR_S
    frost.stand(-10.0, 1.9 * HOUR_S)
    frost.show(2.0)
    assert (frost.most_k_s, frost.age_s) == (19.0 * HOUR_S, 0.0)


def test_without_an_outdoor_temperature_nothing_is_borne_out() -> None:
    frost = borne(2.0, -10.0, 2.0)
    frost.stand(nan, 60.0)
    assert not frost.covers
    frost.show(2.0)
    assert frost.most_k_s == 20.0 * HOUR_S and frost.covers


def test_nothing_is_trusted_of_a_line_that_was_never_seen() -> None:
    assert not BorneFrost().covers
    assert not borne(5.0, -10.0, nan).covers


@given(
    st.lists(
        st.tuples(st.floats(-25.0, 5.0), st.floats(60.0, 7200.0), st.floats(-1.0, 6.0) | st.just(nan)), max_size=20
    )
)
def test_never_more_is_trusted_than_was_borne_without_ice(nights: list[tuple[float, float, float]]) -> None:
    frost, most = BorneFrost(), 0.0
    for outdoor_c, stood_s, coldest_c in nights:
        frost.stand(outdoor_c, stood_s)
        if coldest_c > LIQUID_C:
            most = max(most, frost.since_k_s)
        frost.show(coldest_c)
        assert not frost.trusted_k_s > SHARE * most


def pulses_after(return_c: float, supply_c: float = 10.0, hours: float = 24.0, known: bool = True) -> int:
    night = Night(outdoor_c=-10.0, probe_c=0.9, line_c=0.9)
    if known:
        for _ in range(3):  # three waits of two hours
            night.guard.wait_s = 2 * HOUR_S
            while not night.pumped:
                night.hours(60.0 / HOUR_S)
            while night.pumped:
                night.hours(60.0 / HOUR_S)
    night.probe_c, night.line_c, night.supply_c = return_c, return_c, supply_c
    return night.hours(hours)


def test_a_return_probe_that_dies_does_not_make_the_line_a_bare_pipe() -> None:
    assert pulses_after(nan) <= 24.0 / (2 * SHARE) + 1 < pulses_after(nan, known=False) / 2


def test_a_return_probe_that_shows_moving_water_colder_than_ice_counts_as_dead() -> None:
    assert pulses_after(IMPOSSIBLE_C - 0.1) < pulses_after(IMPOSSIBLE_C + 0.2) / 2


def test_what_the_supply_shows_counts_for_more() -> None:
    assert pulses_after(nan, supply_c=PULSE_BELOW_C) > 2 * pulses_after(nan, supply_c=PULSE_BELOW_C + 0.1)


def test_it_counts_again_once_it_shows_water() -> None:
    night = Night(outdoor_c=-10.0, probe_c=-1.0, line_c=-1.0)
    night.hours(3.0)
    assert night.guard._low
    night.line_c = PULSE_BELOW_C
    night.hours(3.0)
    assert night.guard._low
    night.line_c = PULSE_BELOW_C + 0.1
    night.hours(3.0)
    assert not night.guard._low


def test_a_line_is_tried_after_the_longest_wait_whatever_it_bore() -> None:
    night = Night(outdoor_c=-0.5, probe_c=nan, line_c=nan)
    night.guard.borne.most_k_s = 1e9
    assert night.hours(24.0) == pytest.approx(24 * HOUR_S / LONGEST_WAIT_S, abs=1)


def test_as_much_as_is_trusted_is_enough() -> None:
    frost = BorneFrost()
    frost.most_k_s, frost.since_k_s = 10.0, 8.0
    assert frost.trusted_k_s == 8.0 and not frost.covers
    frost.show(2.0)
    assert frost.most_k_s == 8.0
