"""The air test as a machine: when it begins, blows, waits, is spoilt, and what it makes of the answer."""

from __future__ import annotations

from math import nan

import pytest

from controller.air_test import AIRLESS, DRY, NONE, PULSING, QUIET, SPENT, UNCLEAR, WAITING, AirTest, told

DAY_S, HOUR_S = 86400.0, 3600.0


@pytest.mark.parametrize(
    ("before", "after", "rh", "verdict"),
    [
        (-1.5, 0.5, nan, AIRLESS),  # it turned upward by 2 K a day and climbs
        (-0.75, 0.75, 0.5, UNCLEAR),  # by 1.5: not more, and it climbs
        (-0.875, 0.75, 0.5, AIRLESS),
        (-2.0, 0.3, 0.5, DRY),  # hardly climbs: no answer
        (-2.0, 0.3, 0.9, SPENT),
        (-1.0, -1.0, 0.69, DRY),
        (-1.0, -1.0, 0.70, UNCLEAR),
        (-1.0, -1.0, 0.84, UNCLEAR),
        (-1.0, -1.0, 0.85, SPENT),
        (-1.0, -1.0, nan, UNCLEAR),
        (-1.0, nan, 0.5, UNCLEAR),
        (nan, 0.5, 0.5, UNCLEAR),
    ],
)
def test_what_the_trends_and_the_exhaust_say(before: float, after: float, rh: float, verdict: str) -> None:
    assert told(before, after, rh) == verdict


def begun(test: AirTest | None = None, **changes: float | bool) -> AirTest:
    test = test or AirTest()
    now = {"rests_s": 5 * DAY_S, "trend_k_day": -1.0, "outdoor_c": 2.0, "may": True, "elapsed_s": 600.0} | changes
    test.update(**now)  # type: ignore[arg-type]
    return test


@pytest.mark.parametrize(
    ("changes", "begins"),
    [
        ({}, True),
        ({"rests_s": 5 * DAY_S - 1.0}, False),
        ({"trend_k_day": 0.3}, False),  # recovers by itself
        ({"trend_k_day": 0.25}, True),
        ({"may": False}, False),
        ({"outdoor_c": nan}, False),
    ],
)
def test_when_it_begins(changes: dict[str, float | bool], begins: bool) -> None:
    test = begun(**changes)
    assert test.state == (PULSING if begins else QUIET)
    if begins:
        assert test.state_s == 0.0 and test.before_k_day == changes.get("trend_k_day", -1.0) and test.outdoor_c == 2.0


def test_pulses_are_a_minute_each_half_hour() -> None:
    test = begun()
    due = [t for t in range(0, 5400, 10) if test.wants_air(float(t))]
    assert due == [*range(0, 60, 10), *range(1800, 1860, 10), *range(3600, 3660, 10)]
    begun(test, elapsed_s=1795.0)
    assert test.wants_air(5.0) and test.wants_air(64.0) and not test.wants_air(65.0) and not test.wants_air(4.0)
    assert not AirTest().wants_air(0.0)


def test_six_hours_of_pulses_then_half_a_day_of_waiting_then_the_verdict() -> None:
    test = begun()
    test.sniff(0.6)
    begun(test, elapsed_s=6 * HOUR_S - 1.0)
    assert test.state == PULSING
    begun(test, elapsed_s=1.0)
    assert test.state == WAITING and test.state_s == 0.0 and not test.wants_air(0.0)
    begun(test, elapsed_s=12 * HOUR_S - 1.0, trend_k_day=-1.2)
    assert test.state == WAITING and test.verdict == NONE
    begun(test, elapsed_s=1.0, trend_k_day=-1.2, may=False)  # waiting needs no air
    assert test.state == QUIET and test.verdict == DRY and test.since_s == 0.0


def test_it_is_not_done_again_for_ten_days() -> None:
    test = begun()
    for span_s in (6 * HOUR_S, 12 * HOUR_S):
        begun(test, elapsed_s=span_s)
    begun(test, elapsed_s=10 * DAY_S - 1.0)
    assert test.state == QUIET
    begun(test, elapsed_s=1.0)
    assert test.state == PULSING


@pytest.mark.parametrize(
    ("outdoor_c", "may", "spoilt"),
    [(7.0, True, False), (7.5, True, True), (-3.0, True, False), (-3.5, True, True), (2.0, False, True)],
)
def test_what_spoils_it(outdoor_c: float, may: bool, spoilt: bool) -> None:
    test = begun()
    begun(test, outdoor_c=outdoor_c, may=may)
    assert (test.state == QUIET) is spoilt and test.verdict == NONE


def test_a_spoilt_test_is_tried_again_after_a_day() -> None:
    test = begun()
    begun(test, may=False)
    begun(test, elapsed_s=DAY_S - 1.0)
    assert test.state == QUIET
    begun(test, elapsed_s=1.0)
    assert test.state == PULSING


def test_weather_spoils_the_waiting_too() -> None:
    test = begun()
    begun(test, elapsed_s=6 * HOUR_S)
    begun(test, elapsed_s=12 * HOUR_S, outdoor_c=9.0)
    assert test.state == QUIET and test.verdict == NONE


@pytest.mark.parametrize(("rests_s", "forgotten"), [(0.0, True), (0.5, False)])
def test_a_draw_ends_the_test_and_forgets_the_verdict(rests_s: float, forgotten: bool) -> None:
    test = begun()
    test.verdict = SPENT
    begun(test, rests_s=rests_s)
    assert (test.state == QUIET and test.verdict == NONE) is forgotten


def test_the_wettest_air_of_the_pulses_counts_and_only_of_this_test() -> None:
    test = begun()
    for rh in (nan, 0.6, 0.8, nan, 0.7):  # a silent moment forgets nothing
        test.sniff(rh)
    assert test.rh == 0.8
    begun(test, may=False)
    begun(test, elapsed_s=DAY_S)
    assert test.rh != test.rh


@pytest.mark.parametrize(
    ("spans", "airless"),
    [
        ([(0.02, DAY_S - 1.0)], False),
        ([(0.02, DAY_S)], True),
        ([(0.03, 2 * DAY_S)], False),
        ([(0.02, DAY_S / 2), (0.05, DAY_S), (0.02, DAY_S / 2)], True),  # between the two limits it only waits
        ([(0.02, DAY_S / 2), (0.06, 600.0), (0.02, DAY_S / 2)], True),
        ([(0.02, DAY_S / 2), (0.07, 600.0), (0.02, DAY_S / 2)], False),
        ([(nan, 2 * DAY_S)], False),
    ],
)
def test_oxygen_answers_by_itself(spans: list[tuple[float, float]], airless: bool) -> None:
    test = AirTest()
    for pile_o2, span_s in spans:
        test.smell(pile_o2, span_s)
    assert test.airless is airless


def test_the_verdict_airless_is_airless() -> None:
    test = AirTest()
    test.verdict = AIRLESS
    assert test.airless
    test.verdict = DRY
    assert not test.airless
