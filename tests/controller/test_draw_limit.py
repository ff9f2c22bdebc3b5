"""How much may be drawn: by hand arithmetic."""

from __future__ import annotations

from math import nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.draw import (
    CAUTION,
    FORGET_K_DAY,
    HEADROOM_MAX_K,
    HEAL_DAYS,
    LOOK_AHEAD_S,
    MARGIN_K,
    NEED_BAND_K,
    SAVED_J_KG,
    STRONG_W_KG,
    TAPER_W_KG_K,
    TRIED_K,
    WEAK_K,
    HeatAccount,
    Recovery,
    crop_need,
    generosity,
    headroom_k,
    tapered_w,
    zero_draw_c,
)


def test_the_end_of_the_draw_is_the_floor_and_what_is_not_known() -> None:
    assert zero_draw_c(45.0, 0.0, STRONG_W_KG) == 45.0 + MARGIN_K
    assert zero_draw_c(45.0, 2.5, STRONG_W_KG) == 45.0 + MARGIN_K + 2.5 * CAUTION


def test_a_weak_pile_keeps_more() -> None:
    assert zero_draw_c(45.0, 0.0, 0.0) == 45.0 + MARGIN_K + WEAK_K
    assert zero_draw_c(45.0, 0.0, STRONG_W_KG / 2) == 45.0 + MARGIN_K + WEAK_K / 2
    assert zero_draw_c(45.0, 0.0, nan) == 45.0 + MARGIN_K + WEAK_K / 2
    assert zero_draw_c(45.0, 0.0, 10.0) == 45.0 + MARGIN_K


def test_a_falling_core_is_judged_by_tomorrow_and_a_rising_one_by_today() -> None:
    assert headroom_k(55.0, -2.0 / 86400.0, 50.0) == pytest.approx(5.0 - 2.0 * LOOK_AHEAD_S / 86400.0)
    assert headroom_k(55.0, 3.0 / 86400.0, 50.0) == 5.0


@pytest.mark.parametrize(("room_k", "share"), [(0.0, 0.0), (-3.0, 0.0), (nan, 0.0), (2.0, 2.0), (99.0, HEADROOM_MAX_K)])
def test_taper(room_k: float, share: float) -> None:
    assert tapered_w(room_k, 1000.0) == pytest.approx(TAPER_W_KG_K * 1000.0 * share)


@given(st.floats(-50, 50), st.floats(-50, 50))
def test_less_headroom_never_allows_more(a: float, b: float) -> None:
    low, high = min(a, b), max(a, b)
    assert tapered_w(low, 8000.0) <= tapered_w(high, 8000.0)
    assert generosity(low) <= generosity(high)


@pytest.mark.parametrize(
    ("greenhouse_c", "need"),
    [(7.0, 1.0), (7.0 + NEED_BAND_K, 0.0), (7.0 + NEED_BAND_K / 2, 0.5), (-10.0, 1.0), (25.0, 0.0), (nan, 0.5)],
)
def test_crop_need(greenhouse_c: float, need: float) -> None:
    assert crop_need(greenhouse_c, 7.0) == pytest.approx(need)


@pytest.mark.parametrize(("room_k", "share"), [(-1.0, 0.0), (4.0, 0.5), (8.0, 1.0), (30.0, 1.0), (nan, 0.0)])
def test_generosity(room_k: float, share: float) -> None:
    assert generosity(room_k) == share


def test_the_account_keeps_what_is_not_drawn_up_to_its_cap() -> None:
    account = HeatAccount(1000.0)
    account.book(2000.0, 500.0, 100.0)
    assert account.balance_j == pytest.approx(150e3)
    account.book(1e9, 0.0, 100.0)
    assert account.balance_j == SAVED_J_KG * 1000.0 and account.fullness == 1.0
    account.book(0.0, 1e12, 100.0)
    assert account.fullness == -1.0


def test_a_draw_begins_with_something_saved_and_ends_with_nothing() -> None:
    account = HeatAccount(1000.0)
    cap_j = SAVED_J_KG * 1000.0
    account.balance_j = 0.2 * cap_j
    assert not account.gives(1.0)
    account.balance_j = 0.4 * cap_j
    assert not account.gives(0.1)
    assert account.gives(1.0)
    account.balance_j = 0.1 * cap_j
    assert account.gives(0.1)
    assert not account.gives(0.0)
    account.balance_j = 0.4 * cap_j
    assert account.gives(1.0)
    account.balance_j = 0.0
    assert not account.gives(1.0)


@pytest.mark.parametrize(
    ("surplus_k_day", "gap_k"),
    [(3.0, 3.0 * HEAL_DAYS), (0.1, TRIED_K), (0.0, TRIED_K), (-2.0, TRIED_K), (nan, TRIED_K)],
)
def test_a_pile_is_drawn_as_far_as_it_heals_within_days(surplus_k_day: float, gap_k: float) -> None:
    assert Recovery().lowest_c(60.0, surplus_k_day, 60.0) == pytest.approx(60.0 - gap_k)


def test_the_natural_temperature_is_the_highest_and_slowly_forgotten() -> None:
    recovery = Recovery()
    recovery.lowest_c(64.0, 0.0, 60.0)
    for _ in range(5 * 1440):
        recovery.lowest_c(55.0, 0.0, 60.0)
    assert recovery.natural_c == pytest.approx(64.0 - 5 * FORGET_K_DAY)
    recovery.lowest_c(66.0, 0.0, 60.0)
    assert recovery.natural_c == 66.0


def test_nothing_is_said_of_a_pile_not_seen() -> None:
    recovery = Recovery()
    assert recovery.lowest_c(nan, nan, 60.0) != recovery.lowest_c(nan, nan, 60.0)
    assert recovery.lowest_c(60.0, 0.0, 60.0) == 60.0 - TRIED_K
