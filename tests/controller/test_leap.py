"""Leaps of a reading that changes smoothly: counted only between calm readings, and believed on the safe side."""

from __future__ import annotations

from math import exp

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.leap import FORGET_S, FURTHEST_K, LEAP_K, Leap

TICK_S = 60.0


def fed(values: list[float], tick_s: float = TICK_S) -> Leap:
    leap = Leap()
    for k, value in enumerate(values):
        leap.update(value, k * tick_s)
    return leap


def standing(minutes: int, begin_c: float = 48.0, air_c: float = 6.0, hours: float = 1.0) -> list[float]:
    """Water cooling in a pipe: Newton's law."""
    return [air_c + (begin_c - air_c) * exp(-k / 60.0 / hours) for k in range(minutes)]


@given(st.floats(10.0, 70.0), st.floats(-10.0, 15.0), st.floats(0.25, 6.0), st.integers(0, 10**6))
def test_water_that_cools_never_leaps(begin_c: float, air_c: float, hours: float, seed: int) -> None:
    noise = np.random.default_rng(seed).normal(0.0, 0.1, 240)
    values = [v + n for v, n in zip(standing(240, begin_c, air_c, hours), noise, strict=True)]
    assert fed(values).off_k == 0.0


@given(st.floats(3.5, 7.0), st.integers(5, 200), st.sampled_from((-1.0, 1.0)))
def test_a_leap_between_calm_readings_is_measured(by_k: float, at: int, sign: float) -> None:
    values = [v + sign * by_k * (k >= at) for k, v in enumerate(standing(240, hours=3.0))]
    assert fed(values).off_k == pytest.approx(sign * by_k, rel=0.15, abs=0.6)


@pytest.mark.parametrize(
    ("values", "off_k"),
    [
        ([20.0] * 10 + [20.0 - LEAP_K + 0.01] * 10, 0.0),
        ([20.0] * 10 + [20.0 - LEAP_K - 0.01] * 10, -LEAP_K),
        ([20.0] * 10 + [20.0 + FURTHEST_K + 0.1] * 10, 0.0),
        ([20.0] * 10 + [25.0] + [20.0] * 10, 0.0),
        ([20.0] * 10 + [25.0, 30.0, 34.0, 37.0, 39.0, 40.0], 0.0),
        ([20.0] * 10 + [25.0] * 10 + [20.0] * 10, 0.0),
        ([20.0] * 10 + [15.0] * 10 + [10.0] * 10, -FURTHEST_K),
        ([20.0] * 3 + [25.0] * 10, 0.0),
        ([20.0] * 4 + [25.0] * 10, 5.0),
        ([20.0] * 10 + [25.0] * 3, 0.0),
        ([20.0] * 10 + [25.0] * 4, 5.0),
    ],
    ids=[
        "small",
        "just",
        "too far",
        "back at once",
        "goes on",
        "back later",
        "bounded",
        "new",
        "no longer new",
        "unproven",
        "proven",
    ],
)
def test_what_counts(values: list[float], off_k: float) -> None:
    assert fed(values).off_k == pytest.approx(off_k, abs=0.02)


def test_it_is_forgotten_in_weeks_and_a_gap_begins_anew() -> None:
    leap = fed([20.0] * 10 + [15.0] * 10)
    assert FORGET_S == 864000.0  # ten days
    for k in range(1, 1440):
        leap.update(15.0, 1200.0 + 600.0 * k)
    assert leap.off_k == pytest.approx(-5.0 / 2.718, rel=0.02)
    leap.update(10.0, 1200.0 + FORGET_S + 3600.0)
    leap.update(10.0, 1200.0 + FORGET_S + 3660.0)
    assert leap.leap_k == 0.0


@pytest.mark.parametrize(
    ("minutes", "leap_k", "counts"),
    [(1.0, 3.1, False), (1.0, 3.3, True), (25.0, 8.0, True), (25.5, 8.0, False)],
    ids=["not twice the change before", "more", "after a silence", "too long a silence"],
)
def test_a_leap_stands_out_of_the_change_before(minutes: float, leap_k: float, counts: bool) -> None:
    """One kelvin a minute before, so beyond 1.2 K + twice that; the silence hides nothing for 25 minutes."""
    steady = minutes > 1.0
    leap = fed([20.0 if steady else 20.0 + k for k in range(10)])
    last_c, since_s = leap.last_c, 9 * TICK_S + 60.0 * minutes
    assert leap.update(last_c + leap_k, since_s) is counts
    assert leap.leap_k == (pytest.approx(leap_k) if counts else 0.0)


@pytest.mark.parametrize(("back_k", "off_k"), [(1.8, 5.0), (2.0, 0.0)])
def test_what_goes_on_at_half_its_pace_was_no_leap(back_k: float, off_k: float) -> None:
    """5 K must be more than 1.2 K and twice the next change: 1.9 K."""
    assert fed([20.0] * 10 + [25.0] + [25.0 + back_k] * 6).off_k == pytest.approx(off_k, abs=0.01)


@pytest.mark.parametrize(("seen_k", "off_k"), [(LEAP_K, 0.0), (FURTHEST_K, FURTHEST_K)])
def test_the_bounds_themselves(seen_k: float, off_k: float) -> None:
    """1.2 K is the scatter of a sound probe; 9 K is still a leap."""
    leap = fed([20.0] * 10)
    leap.leap_k, leap.leap_s, leap.after = seen_k, 60.0, 2.0
    leap.update(20.0, 600.0)
    assert (leap.leap_k, leap.off_k) == (0.0, off_k)


def test_only_a_leap_is_called_one() -> None:
    leap = Leap()
    values = [20.0] * 6 + [25.0] * 6
    assert [leap.update(v, 60.0 * k) for k, v in enumerate(values)] == [k == 6 for k in range(12)]


@pytest.mark.parametrize(("leap_k", "counts"), [(1.6, False), (1.8, True)])
def test_a_quick_change_is_forgotten_by_halves(leap_k: float, counts: bool) -> None:
    """A kelvin a minute, two calm readings later a quarter of it: 1.2 K + twice 0.25 K."""
    leap = fed([20.0] * 10 + [21.0] * 3)
    assert leap.update(21.0 + leap_k, 13 * TICK_S) is counts


def test_after_a_gap_three_calm_readings_come_first_again() -> None:
    leap = fed([20.0] * 10)
    leap.update(20.0, 1e5)
    assert not leap.update(25.0, 1e5 + TICK_S)
    assert leap.leap_k == 0.0


@pytest.mark.parametrize(("seen_k", "off_k"), [(-5.0, -5.0), (0.0, 0.0), (9.1, 0.0)])
def test_a_leap_just_seen_is_believed_when_the_water_begins_to_move(seen_k: float, off_k: float) -> None:
    leap = fed([20.0] * 10 + [20.0 + seen_k])
    leap.interrupt()
    assert (leap.off_k, leap.leap_k, leap.before) == (pytest.approx(off_k), 0.0, 0.0)
    assert not leap.update(40.0, 11 * TICK_S)


def test_a_leap_of_other_bounds() -> None:
    leap = Leap(2.0, 7200.0)
    for k, value in enumerate([20.0] * 6 + [18.1] * 6 + [15.9] * 6):
        leap.update(value, 7200.0 * k)
    assert leap.off_k == pytest.approx(-2.2, rel=0.05)
