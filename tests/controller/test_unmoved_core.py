"""A core reading that never changes while heat is drawn: the estimate grows unsure, and in the end the grower is told."""

from __future__ import annotations

import pytest
from helpers import drawing_controller, reading

from controller.unmoved_core import UnmovedCore

SAME_S, TOLD_S, DRAWN_J_KG = 7200.0, 43200.0, 400.0
MASS_KG = 8000.0
HOUR_S = 3600.0


def held(unmoved: UnmovedCore, hours: float, drawn_w: float, begin_s: float = 0.0) -> float:
    for k in range(1, 1 + round(hours * 60.0)):
        unmoved.update(begin_s + 60.0 * k, drawn_w, 60.0)
    return unmoved.doubt_s


def test_two_hours_of_the_same_reading_and_some_heat_drawn_raise_doubt() -> None:
    assert held(UnmovedCore(MASS_KG), 2.0, 2000.0) == 0.0
    assert held(UnmovedCore(MASS_KG), 3.0, 2000.0) == pytest.approx(HOUR_S)


def test_a_pile_at_rest_may_read_the_same_for_days() -> None:
    assert held(UnmovedCore(MASS_KG), 72.0, 0.0) == held(UnmovedCore(MASS_KG), 72.0, -500.0) == 0.0


@pytest.mark.parametrize(("share", "doubted"), [(0.99, False), (1.02, True)])
def test_how_much_must_have_been_drawn(share: float, doubted: bool) -> None:
    unmoved = UnmovedCore(MASS_KG)
    unmoved.update(SAME_S + 1.0, share * DRAWN_J_KG * MASS_KG / 60.0, 60.0)
    assert (unmoved.doubt_s > 0.0) is doubted


def test_the_bounds_themselves_raise_no_doubt_and_the_first_moment_beyond_does() -> None:
    unmoved = UnmovedCore(MASS_KG)
    unmoved.update(SAME_S + 64.0, 50_000.0, 64.0)  # 3.2 MJ to the last digit
    assert unmoved.drawn_j == 3.2e6 and unmoved.doubt_s == 0.0
    unmoved.update(SAME_S, 50_000.0, 64.0)
    assert unmoved.doubt_s == 0.0
    assert unmoved.update(SAME_S + 0.5, 0.0, 0.5) and unmoved.doubt_s == 0.5
    fresh = UnmovedCore(MASS_KG)
    assert not fresh.update(0.5, 2000.0, 60.0) and fresh.drawn_j == 120_000.0
    fresh.update(0.0, 2000.0, 60.0)
    assert fresh.drawn_j == 0.0


def test_a_reading_that_changes_by_one_bit_is_believed_again() -> None:
    unmoved = UnmovedCore(MASS_KG)
    assert held(unmoved, 15.0, 2000.0) == pytest.approx(13.0 * HOUR_S) and unmoved.told
    assert not unmoved.update(0.0, 2000.0, 60.0)
    assert (unmoved.doubt_s, unmoved.drawn_j, unmoved.told) == (0.0, 0.0, False)


def test_told_after_twelve_hours_of_doubt() -> None:
    unmoved = UnmovedCore(MASS_KG)
    held(unmoved, (SAME_S + TOLD_S) / HOUR_S - 1.0 / 60.0, 2000.0)
    assert not unmoved.told
    held(unmoved, 1.0 / 60.0, 2000.0, SAME_S + TOLD_S - 60.0)
    assert unmoved.told


@pytest.mark.parametrize(("core_c", "stuck"), [(55.0, True), (64.0, True), (64.0, False)])
def test_a_draw_under_a_core_probe_that_never_changes_ends_within_half_a_day(core_c: float, stuck: bool) -> None:
    """The water comes warm all the while. A probe that trembles by its last digit is believed."""
    controller, begin_s = drawing_controller()
    moved, flow_kg_s = [], 0.0
    for k in range(15 * 360):
        tremble_k = 0.0625 * (k % 2)
        seen_c = core_c + (0.0 if stuck else tremble_k)
        water = {"water_supply_c": 40.0 + tremble_k, "water_flow_kg_s": flow_kg_s}
        d = controller.step(reading(begin_s + 10.0 * k, pile_core_c=seen_c, greenhouse_c=5.0, **water))
        moved.append(d.commands.pump_duty)
        flow_kg_s = 0.06 if d.commands.pump_duty > 0.0 else 0.0
    assert sum(moved[: 2 * 360]) > 0.0
    assert (sum(moved[-5 * 360 :]) == 0.0) is stuck
    assert (d.estimate.core_sd_c > 8.0) is stuck and d.estimate.core_sd_c < 11.0
    if core_c > 60.0:
        assert ("core-stuck" in {a.code for a in d.alarms}) is stuck
