"""Supply and return probe in each other's place, told from which way the water warms."""

from __future__ import annotations

from math import nan

import pytest

from controller.swap_watch import SwapWatch

TOLD_S, MOST_S = 120.0, 600.0


def seen(watch: SwapWatch, supply_c: float, return_c: float, seconds: float, flow_kg_s: float = 0.06) -> bool:
    for _ in range(round(seconds / 10.0)):
        watch.update(flow_kg_s, supply_c, return_c, 60.0, 10.0)
    return watch.swapped


def test_two_minutes_of_the_wrong_order_are_told_and_no_less() -> None:
    watch = SwapWatch()
    assert not seen(watch, 15.0, 40.0, TOLD_S - 10.0)
    assert seen(watch, 15.0, 40.0, 10.0)


def test_short_draws_add_up_where_both_soon_read_alike() -> None:
    """Half a minute the wrong way round, then both at 45 degC: four such draws are enough."""
    watch, told = SwapWatch(), []
    for _ in range(4):
        seen(watch, 25.0, 54.0, 30.0)
        told.append(seen(watch, 45.0, 46.0, 150.0))
    assert told == [False, False, False, True]


def test_the_first_seconds_of_a_sound_draw_are_soon_outweighed() -> None:
    watch = SwapWatch()
    for _ in range(50):
        assert not seen(watch, 3.0, 15.0, 40.0)  # what stood in the cold line
        assert not seen(watch, 45.0, 15.0, 140.0)


def test_mended_probes_are_believed_after_ten_minutes_of_drawing() -> None:
    watch = SwapWatch()
    seen(watch, 15.0, 40.0, 86400.0)
    assert watch.wrong_s == MOST_S
    assert seen(watch, 40.0, 15.0, MOST_S - TOLD_S)
    assert not seen(watch, 40.0, 15.0, 10.0)


@pytest.mark.parametrize(
    ("supply_c", "return_c", "flow_kg_s"),
    [
        (15.0, 40.0, 0.0),
        (40.0, 15.0, 0.0),
        (17.0, 15.0, 0.06),
        (nan, 40.0, 0.06),
        (15.0, nan, 0.06),
        (38.0, 40.0, 0.06),
        (50.0, 59.0, 0.06),
    ],
)
def test_what_says_nothing(supply_c: float, return_c: float, flow_kg_s: float) -> None:
    watch = SwapWatch()
    assert not seen(watch, supply_c, return_c, 3600.0, flow_kg_s) and watch.wrong_s == 0.0
    watch.wrong_s = 300.0
    assert seen(watch, supply_c, return_c, 3600.0, flow_kg_s) and watch.wrong_s == 300.0


def test_water_that_stood_after_all() -> None:
    watch = SwapWatch()
    assert seen(watch, 15.0, 40.0, 300.0)
    watch.forget()
    assert not watch.swapped
