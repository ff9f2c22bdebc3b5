"""How much may be drawn: by hand arithmetic."""

from __future__ import annotations

from math import nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.draw import (
    BIG_KG,
    CAUTION,
    DEEPEST_C,
    FORGET_K_DAY,
    HEADROOM_MAX_K,
    LOOK_AHEAD_S,
    MARGIN_K,
    NEED_BAND_K,
    SAVED_J_KG,
    SMALL_KG,
    SPENT,
    STRONG_W_KG,
    TAPER_W_KG_K,
    TRIED_K,
    WEAK_K,
    HeatAccount,
    Outlook,
    crop_need,
    draw_left_h,
    generosity,
    headroom_k,
    tapered_w,
    zero_draw_c,
)
from controller.media import WATER_J_KG_K


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


MASS_KG = 8000.0


def aged(days: float, strength_w_kg: float, natural_c: float = 66.0) -> Outlook:
    """An 8 t pile of this age that has made the same heat per kilogram all the time."""
    outlook = Outlook(MASS_KG)
    for _ in range(int(days * 24)):
        outlook.lowest_c(natural_c, strength_w_kg * MASS_KG, True, 3600.0)
    return outlook


@pytest.mark.parametrize(
    ("mass_kg", "natural_c", "end_c"),
    [
        (2000.0, 66.0, 66.0 - TRIED_K),
        (SMALL_KG, 66.0, 66.0 - TRIED_K),
        (SMALL_KG, 60.0, 60.0 - TRIED_K),
        ((SMALL_KG + BIG_KG) / 2.0, 66.0, 0.75 * (66.0 - TRIED_K) + 0.25 * DEEPEST_C),
        (BIG_KG, 66.0, DEEPEST_C),
        (20000.0, 60.0, DEEPEST_C),
        (SMALL_KG, 54.0, DEEPEST_C),  # hardly warmer than the deepest
    ],
)
def test_a_big_pile_is_drawn_deep_and_a_small_one_hardly(mass_kg: float, natural_c: float, end_c: float) -> None:
    assert Outlook(mass_kg).lowest_c(natural_c, nan, True, 60.0) == pytest.approx(end_c)


@given(st.floats(100.0, 60000.0), st.floats(100.0, 60000.0), st.floats(20.0, 80.0))
def test_a_bigger_pile_is_never_drawn_less_deep(one_kg: float, other_kg: float, natural_c: float) -> None:
    small_c, big_c = (Outlook(m).lowest_c(natural_c, nan, True, 60.0) for m in sorted((one_kg, other_kg)))
    assert DEEPEST_C <= big_c <= small_c


def test_days_left_follow_from_the_heat_falling_as_one_over_its_age() -> None:
    expected, least, most = aged(30.0, 2.0 * SPENT).left_days
    assert expected == pytest.approx(30.0, rel=0.02)  # at twice the age half as much
    assert 0.0 < least < expected < most
    assert aged(30.0, 0.9 * SPENT).left_days[:2] == (0.0, 0.0)


def test_hours_left_are_what_is_saved_over_what_the_draw_takes() -> None:
    assert draw_left_h(0.06 * WATER_J_KG_K * 20.0 * 7200.0, 0.06, 20.0) == pytest.approx(2.0)
    assert draw_left_h(-5.0, 0.06, 20.0) == 0.0


def test_the_natural_temperature_is_the_highest_and_slowly_forgotten() -> None:
    outlook = aged(1.0, SPENT, natural_c=64.0)
    before_c = outlook.natural_c
    for _ in range(5 * 24):
        outlook.lowest_c(55.0, SPENT * MASS_KG, True, 3600.0)
    assert outlook.natural_c == pytest.approx(before_c - 5 * FORGET_K_DAY)
    outlook.lowest_c(66.0, SPENT * MASS_KG, True, 60.0)
    assert outlook.natural_c == 66.0


def test_nothing_is_said_of_a_pile_not_seen() -> None:
    unseen = Outlook(MASS_KG)
    assert unseen.lowest_c(nan, nan, False, 60.0) != unseen.lowest_c(nan, nan, False, 60.0)
    assert Outlook(BIG_KG).lowest_c(nan, nan, False, 60.0) != DEEPEST_C
    assert all(days != days for days in Outlook(MASS_KG).left_days)
