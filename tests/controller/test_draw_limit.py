"""How much may be drawn: by hand arithmetic."""

from __future__ import annotations

from math import nan

import pytest
from controller.draw import (
    AT_REST_W_KG,
    CAUTION,
    CLIMB_K_DAY,
    HEADROOM_MAX_K,
    LOOK_AHEAD_S,
    MARGIN_K,
    NEED_BAND_K,
    RESERVE_MAX_K,
    RESERVE_PER_K_DAY,
    SAVED_J_KG,
    SELF_LIMITED_C,
    STRONG_W_KG,
    TAPER_W_KG_K,
    WEAK_K,
    HeatAccount,
    Reserve,
    crop_need,
    generosity,
    headroom_k,
    tapered_w,
    zero_draw_c,
)
from hypothesis import given
from hypothesis import strategies as st


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
    ("slope_k_day", "more_k"),
    [
        (CLIMB_K_DAY, 0.0),
        (CLIMB_K_DAY + 1.0, 0.0),
        (CLIMB_K_DAY - 1.0, RESERVE_PER_K_DAY),
        (-9.0, RESERVE_MAX_K),
    ],
)
def test_a_pile_that_does_not_climb_at_rest_keeps_a_reserve(slope_k_day: float, more_k: float) -> None:
    reserve = Reserve(8000.0)
    for _ in range(8 * 1440):
        reserve.update(50.0, slope_k_day / 86400.0, 0.0, 60.0)
    assert reserve.more_k == pytest.approx(more_k, abs=0.01)


def test_the_reserve_learns_neither_from_a_draw_nor_from_a_pile_that_limits_itself() -> None:
    reserve = Reserve(8000.0)
    reserve.update(SELF_LIMITED_C, -1e-4, 0.0, 60.0)
    reserve.update(50.0, -1e-4, AT_REST_W_KG * 8000.0, 60.0)
    assert reserve.more_k == 0.0
