"""A coil in chilled compost, told from what the water says against a core probe that still reads hot."""

from __future__ import annotations

from math import exp, nan

import pytest
from helpers import reading
from hypothesis import given
from hypothesis import strategies as st

from controller import ControllerSettings
from controller.checks import COLD_RETURN_C, COOL_RETURN_C, Readings, SensorChecks, likely_return_c
from controller.chill import BED_SHARE, FOLLOWS, FROM_K, Chill
from controller.coil import core_for_supply_c, expected_rise_k
from controller.estimate import PileObserver
from controller.media import WATER_J_KG_K


def seen(**changes: float) -> Readings:
    return SensorChecks().read(reading(**changes), 0.0)


@given(st.floats(20.0, 70.0), st.floats(0.0, 15.0), st.floats(0.01, 0.3), st.floats(50.0, 600.0))
def test_the_core_for_a_supply_is_the_textbook_solved_for_it(core: float, back: float, flow: float, ua: float) -> None:
    share = 1.0 - exp(-ua / (flow * WATER_J_KG_K))
    supply = back + expected_rise_k(core, back, flow, ua)
    if share > 0.05:
        assert core_for_supply_c(supply, back, flow, ua) == pytest.approx(core, rel=1e-9)
    assert core_for_supply_c(supply, back, 0.0, ua) != core


def judged(times: int, believed_c: float = 60.0, stood_c: float = 31.0, flow: float = 0.06, **changes: float) -> float:
    chill = Chill()
    r = seen(**changes)
    for _ in range(times):
        chill.judge(believed_c, stood_c, core_for_supply_c(r.water_supply_c, likely_return_c(r), flow, 250.0))
    return chill.k


def test_a_chilled_coil_by_hand() -> None:
    """250 W/K at 0.06 kg/s: effectiveness 0.6304, so 28 degC from 8 degC means 39.7 degC, warmer than what stood."""
    once = judged(1, water_supply_c=28.0, water_return_c=8.0)
    assert once == pytest.approx(FOLLOWS * (60.0 - (8.0 + 20.0 / 0.6304) - FROM_K), rel=1e-3)
    assert judged(50, water_supply_c=28.0, water_return_c=8.0) == pytest.approx(once / FOLLOWS, rel=1e-6)


@pytest.mark.parametrize(
    ("stood_c", "flow", "changes"),
    [
        (55.5, 0.06, {"water_supply_c": 28.0, "water_return_c": 8.0}),
        (31.0, 0.3, {"water_supply_c": 20.0, "water_return_c": 8.0}),
        (31.0, 0.06, {"water_supply_c": 42.0, "water_return_c": 8.0}),
    ],
    ids=["hot water stood", "much flow and no store", "the coil makes what it can"],
)
def test_what_is_no_chill(stood_c: float, flow: float, changes: dict[str, float]) -> None:
    assert judged(3, stood_c=stood_c, flow=flow, **changes) == 0.0


def test_where_no_probe_tells_the_water_that_stood_decides() -> None:
    assert judged(1, water_supply_c=nan) == pytest.approx(0.3 * (60.0 - 31.0 - 5.0))


def test_warmth_comes_back() -> None:
    chill = Chill()
    chill.k = 10.0
    for _ in range(2 * 24 * 60):  # two days
        chill.pass_time(60.0)
    assert chill.k == pytest.approx(10.0 / 2.71828, rel=1e-3)


@pytest.mark.parametrize(
    ("back", "house", "taken"),
    [(14.0, 6.0, 14.0), (nan, 6.0, 6.0), (nan, 20.0, COOL_RETURN_C), (nan, nan, COLD_RETURN_C)],
)
def test_a_missing_return(back: float, house: float, taken: float) -> None:
    assert likely_return_c(seen(water_return_c=back, greenhouse_c=house)) == taken


def test_only_hot_water_that_stood_takes_a_chill_back_at_once() -> None:
    """What flows first owes its warmth to drum and coil: it can be as hot as it likes."""
    chill = Chill()
    chill.k = 8.0
    chill.judge(60.0, 45.0, 60.0)
    assert chill.k == 8.0
    chill.judge(60.0, 50.0, 60.0)
    assert chill.k == pytest.approx(8.0 + FOLLOWS * (5.0 - 8.0))
    chill.judge(60.0, 58.0, nan)
    assert chill.k == pytest.approx((1.0 - FOLLOWS) * 7.1)


def test_a_long_draw_is_followed_upward_only() -> None:
    """An hour of 48 degC where 60 degC were believed: half of the 5 K beyond the 7 that a full draw cools its skin by."""
    chill = Chill()
    chill.follow(60.0, nan, 20.0, 60.0)
    assert chill.k == 0.0
    chill.follow(60.0, 48.0, 20.0, 3600.0)
    assert chill.k == pytest.approx(2.5)
    chill.follow(60.0, 54.0, 20.0, 3600.0)
    assert chill.k == pytest.approx(2.5)
    for _ in range(100):
        chill.follow(60.0, 48.0, 20.0, 3600.0)
    assert chill.k == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("drop_k", "skin_k"), [(0.0, 3.0), (5.0, 3.0), (8.0, 4.8), (10.0, 6.0), (12.0, 7.0), (60.0, 7.0)]
)
def test_the_skin_of_the_coil_cools_by_what_is_drawn_through_it(drop_k: float, skin_k: float) -> None:
    """A trickle cools it by next to nothing, so what its water lacks is a chill: 44 degC under a probe that reads 64."""
    chill = Chill()
    for _ in range(200):
        chill.follow(64.0, 44.0, drop_k, 3600.0)
    assert chill.k == pytest.approx(20.0 - skin_k)


def test_a_draw_that_no_water_shows_chills_the_bed_by_what_it_took() -> None:
    """Half a kelvin of the whole pile is, in three tenths of it, 1.67 K."""
    chill = Chill()
    chill.reckon(0.5)
    assert chill.k == pytest.approx(1.667, abs=0.001)
    chill.reckon(0.5)
    assert chill.k == pytest.approx(3.333, abs=0.001)


@pytest.mark.parametrize(("supply_c", "chills"), [(nan, True), (50.0, False)])
def test_only_a_supply_that_has_been_silent_for_half_an_hour_lets_the_bed_be_reckoned(
    supply_c: float, chills: bool
) -> None:
    pile = PileObserver(ControllerSettings())
    for _ in range(30):
        pile.update(seen(pile_core_c=60.0, water_supply_c=supply_c), 0.1, 5000.0, 0.0, 60.0)
        assert pile.chill.k == 0.0
    core_c = pile.core_c
    for _ in range(60):
        pile.update(seen(pile_core_c=60.0, water_supply_c=supply_c), 0.1, 5000.0, 0.0, 60.0)
    assert (pile.chill.k > 1.0) is chills
    if chills:
        took_k = 60 * 60.0 * 5000.0 / pile._capacity_j_k
        assert core_c - pile.core_c == pytest.approx(took_k / BED_SHARE, rel=0.02)
