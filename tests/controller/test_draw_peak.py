"""A supply probe that leaps where draws follow each other in minutes: told by what each draw shows at its hottest."""

from __future__ import annotations

from math import nan

import pytest
from helpers import reading
from hypothesis import given
from hypothesis import strategies as st

from controller.alarm_kinds import LEAPING
from controller.checks import SensorChecks
from controller.draw_peak import DrawPeak
from controller.leap_watch import SUPPLY, LeapWatch

EVERY_S = 360.0


class Draws:
    """Draws of three minutes, six minutes from one to the next, in looks of half a minute."""

    def __init__(self) -> None:
        self.peak = DrawPeak()
        self.now_s = 0.0

    def of(
        self,
        *peaks_c: float,
        duty: float = 0.5,
        looks: int = 6,
        every_s: float = EVERY_S,
        doubted: bool = False,
        rest_s: float = 180.0,
    ) -> float:
        """Draw so often, up to these temperatures; return by how much the probe is thought to be off [K]."""
        for peak_c in peaks_c:
            self.peak.rest_s = rest_s
            for k in range(looks):
                self.peak.draw(peak_c - (looks - 1 - k), duty, 30.0)
            self.now_s += every_s
            self.peak.stop(self.now_s, lambda name: doubted and name == "water_supply_c")
            self.peak.stop(self.now_s + 60.0, lambda _: False)  # it stands: nothing more happens
        return self.peak.leap.off_k


@given(st.floats(3.0, 8.0), st.integers(4, 20))
def test_a_leap_down_from_draw_to_draw_is_measured(by_k: float, before: int) -> None:
    draws = Draws()
    assert draws.of(*[55.0] * before) == 0.0
    assert draws.of(*[55.0 - by_k] * 4) == pytest.approx(-by_k, rel=0.01)


def test_hotter_water_is_no_leap_but_ends_one() -> None:
    draws = Draws()
    draws.of(*[50.0] * 6)
    assert draws.of(*[55.0] * 6) == 0.0
    assert draws.of(*[49.0] * 6) == pytest.approx(-6.0, rel=0.01)
    assert draws.of(*[53.0] * 6) == pytest.approx(-2.0, rel=0.02)
    assert draws.of(*[58.0] * 6) == 0.0


def test_a_leap_is_feared_before_it_is_proven() -> None:
    draws = Draws()
    draws.of(*[55.0] * 6)
    for times, (proven_k, feared_k) in enumerate([(0.0, 5.0), (0.0, 5.0), (0.0, 5.0), (-5.0, 5.0)]):
        assert draws.of(50.0) == pytest.approx(proven_k, rel=0.01), times
        assert draws.peak.low_k == pytest.approx(feared_k, rel=0.01)
    draws.of(*[50.0] * 2)
    draws.of(53.0)
    assert draws.peak.low_k == pytest.approx(5.0, rel=0.02)  # that it is over must be proven first


@pytest.mark.parametrize(("by_k", "feared_k"), [(9.0, 9.0), (9.1, 0.0)])
def test_what_falls_further_than_a_probe_leaps_is_not_feared(by_k: float, feared_k: float) -> None:
    """Water from a coil that was flushed cold is no hotter than it looks."""
    draws = Draws()
    draws.of(*[55.0] * 6)
    draws.of(55.0 - by_k)
    assert draws.peak.low_k == pytest.approx(feared_k)


@pytest.mark.parametrize(("by_k", "counts"), [(1.9, False), (2.1, True)])
def test_less_than_two_kelvins_is_the_difference_between_draws(by_k: float, counts: bool) -> None:
    draws = Draws()
    draws.of(*[55.0] * 6)
    assert (draws.of(*[55.0 - by_k] * 5) < 0.0) is counts


@given(st.floats(-1.0, 1.0), st.floats(0.0, 0.5))
def test_a_pile_that_cools_or_warms_is_no_leap(pace_k: float, scatter_k: float) -> None:
    draws = Draws()
    assert draws.of(*[55.0 + pace_k * k + scatter_k * (-1) ** k for k in range(24)]) == 0.0


@pytest.mark.parametrize(
    ("duty", "off_k"),
    [(0.5, -4.0), (0.625, -4.0), (0.63, 0.0), (0.2, -4.0)],
    ids=["same flow", "a little more", "more water is cooler", "less water is not"],
)
def test_cooler_water_is_explained_by_more_flow(duty: float, off_k: float) -> None:
    draws = Draws()
    draws.of(*[55.0] * 6)
    assert draws.of(*[51.0] * 5, duty=duty) == pytest.approx(off_k, rel=0.01)


@pytest.mark.parametrize(("rest_s", "off_k"), [(500.0, -4.0), (499.0, 0.0), (2000.0, -4.0)])
def test_cooler_water_is_explained_by_a_rest_less_than_half_as_long(rest_s: float, off_k: float) -> None:
    draws = Draws()
    draws.of(*[55.0] * 6, rest_s=1000.0)
    assert draws.of(*[51.0] * 5, rest_s=rest_s) == pytest.approx(off_k, rel=0.01)


def test_peaks_that_are_alike_are_so_at_any_flow() -> None:
    """What a leap makes believed makes frost pulses quicker: that must not hide the leap again."""
    draws = Draws()
    draws.of(*[55.0] * 6)
    draws.of(50.0, duty=0.2)
    draws.of(49.1, duty=0.5)
    draws.of(50.0, duty=0.2)
    assert draws.of(49.1, 49.1, duty=0.5) == pytest.approx(-5.0, rel=0.01)
    draws = Draws()
    draws.of(*[55.0] * 6)
    draws.of(50.0, duty=0.2)
    assert draws.of(*[51.1, 51.1, 51.1, 51.1], duty=0.05) == 0.0  # hotter, by less flow: begin anew


@pytest.mark.parametrize(("on_s", "counts"), [(59.0, False), (60.0, True)])
def test_a_draw_must_be_long_enough_for_the_probe_to_follow(on_s: float, counts: bool) -> None:
    peak = DrawPeak()
    for k in range(12):
        peak.draw(55.0 if k < 6 else 50.0, 0.5, on_s)
        peak.stop(300.0 * k, lambda _: False)
        assert peak.on_s == 0.0
    assert (peak.leap.off_k < 0.0) is counts


def test_draws_far_apart_prove_nothing() -> None:
    assert Draws().of(*[55.0] * 6, *[50.0] * 5, every_s=4 * 3600.0 + 1.0) == 0.0
    assert Draws().of(*[55.0] * 6, *[50.0] * 5, every_s=4 * 3600.0) == pytest.approx(-5.0, rel=0.05)


def test_a_restless_probe_proves_nothing_and_a_silent_one_is_passed_over() -> None:
    draws = Draws()
    draws.of(*[55.0] * 6)
    assert draws.of(nan, nan) == 0.0
    assert draws.of(*[50.0] * 5, doubted=True) == 0.0
    assert Draws().of(*[nan] * 8) == 0.0


def test_one_reading_that_fails_does_not_hide_the_hottest() -> None:
    peak = DrawPeak()
    for supply_c in (50.0, 55.0, nan, 54.0):
        peak.draw(supply_c, 0.5, 30.0)
    assert peak.peak_c == 55.0


def drawn(watch: LeapWatch, checks: SensorChecks, now_s: float, supply_c: float, draws: int) -> float:
    """Three minutes on, three minutes off, by readings of ten seconds; returns the time."""
    for _ in range(draws):
        for k in range(36):
            now_s += 10.0
            duty = 0.5 if k < 18 else 0.0
            checks.read(reading(now_s, water_supply_c=supply_c - (0.0 if duty else 1.0 + 0.1 * (k - 18))), now_s)
            watch.look(lambda _: False, duty, now_s, 10.0)
    return now_s


def test_the_watch_believes_the_hotter_of_what_stands_and_what_flows() -> None:
    checks = SensorChecks()
    watch = LeapWatch(checks)
    now_s = drawn(watch, checks, 0.0, 55.0, 8)
    assert watch.supply_low_k == 0.0
    now_s = drawn(watch, checks, now_s, 49.0, 6)
    assert watch.leaps[SUPPLY].off_k == 0.0  # it never stood for long enough
    assert watch.supply_low_k == pytest.approx(6.0, rel=0.01)
    assert watch.leapt == 1 << list(LEAPING).index("water_supply_c")
    drawn(watch, checks, now_s, 55.0, 6)
    assert watch.supply_low_k == pytest.approx(0.0, abs=0.1)
    assert watch.leapt == 0.0
