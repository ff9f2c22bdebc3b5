"""A return probe that leaps to and fro: its lowest readings must not look like ice, nor teach anything."""

from __future__ import annotations

from math import nan

import numpy as np
import pytest
from helpers import drawing_controller, reading
from hypothesis import given
from hypothesis import strategies as st

from controller.frost import COLDER_K, FrostGuard
from controller.water_noise import FEWEST_READINGS, MOST_READINGS, RestMean, WaterNoise
from controller.wobble import DOUBTED_S, Wobble


def wobbled(values: list[float]) -> Wobble:
    wobble = Wobble()
    for value in values:
        wobble.update(value, 60.0)
    return wobble


def test_leaps_to_and_fro_are_measured_and_one_way_is_none() -> None:
    assert wobbled([10.0, 12.0] * 20).wobble_k == pytest.approx(2.0, rel=0.01)
    assert wobbled([10.0 + 2.0 * k for k in range(20)]).wobble_k == 0.0
    assert not wobbled([10.0, 10.4] * 20).restless and wobbled([10.0, 10.6] * 20).restless


def test_what_was_restless_is_doubted_for_an_hour() -> None:
    wobble = wobbled([10.0, 14.0] * 10)
    assert wobble.doubted
    for k in range(20):  # it dies down in some minutes
        wobble.update(10.0 + 0.1 * (k % 2), 60.0)
    assert wobble.doubted and not wobble.restless
    for k in range(60):
        wobble.update(10.0 + 0.1 * (k % 2), 60.0)
    assert not wobble.doubted


def test_a_missing_or_a_refused_reading_is_no_leap() -> None:
    assert wobbled([10.0, nan, 12.0, nan, 10.0, nan]).wobble_k == 0.0
    held = wobbled([10.0, 12.0, 12.0, 10.0])
    assert held.wobble_k == pytest.approx(0.5)  # a quarter of the two kelvins back
    assert wobbled([10.0, 12.0, 12.0, 12.0, 10.0]).wobble_k == pytest.approx(0.5)
    assert wobbled([10.0, 12.0, 12.0, 12.0, 12.0, 10.0]).wobble_k == 0.0  # it stood at the new place


def test_the_worst_wobble_of_late_fades_within_an_hour_and_more() -> None:
    wobble = wobbled([10.0, 14.0] * 20)
    worst_k = wobble.worst_k
    assert worst_k == pytest.approx(3.8, abs=0.05) and wobble.noise_k == wobble.wobble_k > 3.99
    for _ in range(6):
        wobble.update(14.0, 600.0)  # the leaps the other way are refused: nothing new
    assert wobble.worst_k == pytest.approx(worst_k * (5.0 / 6.0) ** 6)
    wobble.wobble_k = 0.1
    assert wobble.noise_k == wobble.worst_k
    assert wobbled([10.0, 18.0, 10.0]).worst_k == pytest.approx(0.5)  # once to and fro is hardly noise
    wobble.update(14.0, 2.0 * DOUBTED_S)
    assert wobble.worst_k == 0.0


def test_the_running_mean_takes_a_quarter_of_each_reading() -> None:
    assert wobbled([10.0, 14.0]).mean_c == 11.0


def test_the_mean_at_rest_needs_some_readings_and_forgets_the_oldest() -> None:
    mean = RestMean()
    for k in range(int(FEWEST_READINGS) - 1):
        mean.add(float(k))
    assert mean.value_c != mean.value_c
    mean.add(FEWEST_READINGS - 1.0)
    assert mean.value_c == pytest.approx((FEWEST_READINGS - 1.0) / 2.0)
    for _ in range(int(10.0 * MOST_READINGS)):
        mean.add(20.0)
    assert mean.value_c == pytest.approx(20.0, abs=0.01)
    mean.add(nan)
    assert mean.value_c == pytest.approx(20.0, abs=0.01)
    mean.begin()
    assert mean.value_c != mean.value_c


def restless_night(seed: int, sd_k: float = 3.0, true_c: float = 6.0, hours: float = 8.0) -> tuple[FrostGuard, int]:
    """A return at 6 degC whose probe leaps to and fro, after a pulse that measured a gap of 1 K; pulses that began."""
    noise, scatter, pulses, pumped = WaterNoise(), np.random.default_rng(seed), 0, False
    guard = FrostGuard(0.02, noise)
    guard.gap_k, guard.learnt_s, guard.learnt_at_c, guard.wait_s = 1.0, 0.0, -5.0, 600.0
    for _ in range(round(hours * 60.0)):
        read_c, flow_kg_s = true_c + scatter.normal(0.0, sd_k), 0.05 if pumped else 0.0
        noise.update(read_c, 20.0, flow_kg_s, 60.0)
        due = guard.due(-5.0, read_c, 20.0, flow_kg_s, 60.0)
        pulses += due and not pumped
        pumped = due
    return guard, pulses


@given(st.integers(0, 10**6))
def test_noise_of_the_return_is_not_the_coldest_water(seed: int) -> None:
    """The lowest of 30 readings with 3 K of scatter is some 6 K below their mean; every ten minutes would be 48 pulses."""
    guard, pulses = restless_night(seed)
    assert pulses <= 6 and guard.gap_k <= 9.0


def test_a_restless_return_that_is_cold_in_the_mean_is_served() -> None:
    assert restless_night(1, true_c=0.5)[1] >= 20


def test_a_gap_learnt_in_milder_air_counts_for_more_in_colder_air_while_the_return_is_restless() -> None:
    noise = WaterNoise()
    guard = FrostGuard(0.02, noise)
    guard.gap_k, guard.learnt_s, guard.learnt_at_c, guard.standing_c, noise.back.calm_s = 1.0, 0.0, -5.0, 6.0, 0.0
    assert guard._believed_warm(-5.0) and guard._believed_warm(-5.0 - COLDER_K - 4.0)
    assert not guard._believed_warm(-5.0 - COLDER_K - 4.5)
    noise.back.calm_s = DOUBTED_S
    assert guard._believed_warm(-5.0 - COLDER_K) and not guard._believed_warm(-5.0 - COLDER_K - 0.1)


def test_a_silent_return_leaves_nothing_to_believe_in_but_its_time() -> None:
    """The supply stands warm at the pile's end and says nothing of the line."""
    guard = FrostGuard(0.02, WaterNoise())
    guard.gap_k, guard.learnt_s, guard.learnt_at_c, guard.wait_s = 1.0, 0.0, -5.0, 600.0
    assert not any(guard.due(-5.0, nan, 30.0, 0.0, 60.0) for _ in range(9))
    assert guard.due(-5.0, nan, 30.0, 0.0, 60.0)


def test_water_that_begins_to_move_is_no_leap() -> None:
    noise = WaterNoise()
    for k in range(60):
        moves = k % 4 == 3
        noise.update(2.0 if moves else 8.0, 50.0 if moves else 8.0, 0.05 if moves else 0.0, 60.0)
    assert noise.back.wobble_k == noise.out.wobble_k == 0.0


def test_noise_is_neither_a_leap_nor_water_that_circulates() -> None:
    """A supply with 4 K of scatter while the pump stands, for two days after three quiet hours."""
    controller, begin_s = drawing_controller()
    noise = np.random.default_rng(3)
    for k in range(2 * 1440):
        scatter_k = 0.05 if k < 180 else 4.0
        supply_c, return_c = 15.0 + noise.normal(0.0, scatter_k), 20.0 + noise.normal(0.0, 0.5 * scatter_k)
        at = {"greenhouse_c": 15.0, "water_flow_kg_s": 0.0, "water_supply_c": supply_c, "water_return_c": return_c}
        d = controller.step(reading(begin_s + 60.0 * k, **at))
        assert not {"probe-leapt", "thermosiphon"} & {a.code for a in d.alarms}
    assert controller.noise.doubts("water_supply_c") and controller.noise.doubts("water_return_c")
    assert not controller.noise.doubts("tank_c")
