"""Two days and nights of an invented greenhouse: the board decides tick by tick what the simulator alone decides."""

import copy

import pytest
from rig_day import HOURS, SEED, counted, first_difference, pure_run, rig_run


@pytest.fixture(scope="module")
def alone():
    return list(pure_run(HOURS, SEED))


def test_two_days_on_the_board_are_those_of_the_simulator(lived):
    assert lived.turns[-1]["time_s"] - lived.turns[0]["time_s"] == lived.hours * 3600.0
    assert first_difference(lived.turns, list(pure_run(lived.hours, SEED))) is None


def test_duties_on_the_lines_are_whole_percents(lived):
    assert lived.off_percent < 0.4  # from half a percent on it would be anybody's guess which is meant


def test_much_happens_in_these_hours(alone):
    met = counted(alone)
    assert {"hold-off", "first draw", "rest", "harvest"} == set(met["phase"])
    assert {"heat-budget", "frost", "pile-floor", "scald", "demand"} <= set(met["limit"])
    assert met["alarm"]
    assert min(turn["read"]["outdoor_c"] for turn in alone if turn["read"]["outdoor_c"] is not None) < -5.0
    assert any(value is None for turn in alone for value in turn["read"].values())
    assert len({turn["pump_percent"] for turn in alone}) > 20
    assert len({turn["fan_percent"] for turn in alone}) > 3


def test_one_step_of_one_probe_is_seen_through_the_kernel():
    """Were this not so, the two days would prove nothing."""
    hours = 0.2
    found = first_difference(rig_run(hours, SEED, (6, "tank_c", 0.0625)).turns, list(pure_run(hours, SEED)))
    assert found is not None and found.startswith("tick 6 (") and "reading tank_c is " in found, found


def test_another_seed_is_seen(lived):
    found = first_difference(lived.turns, list(pure_run(0.1, SEED + 1)))
    assert found is not None and found.startswith("tick 0 (0 s after the start): reading "), found


@pytest.mark.parametrize(
    ("name", "other"),
    [
        ("phase", "rest"),
        ("reason", ""),
        ("pump_duty", 0.123),
        ("alarms", ["frost"]),
        ("next_s", 61.0),
        ("pump_percent", 12),
    ],
)
def test_any_field_that_differs_is_named(alone, name, other):
    changed = copy.deepcopy(alone[:30])
    changed[20][name] = other
    found = first_difference(changed, alone[:30])
    assert (
        found
        == f"tick 20 ({alone[20]['time_s'] - alone[0]['time_s']:.0f} s after the start): {name} is {other!r} "
        + (f"on the rig and {alone[20][name]!r} in the simulator")
    )


def test_a_run_that_is_too_short_is_named(alone):
    assert first_difference(alone[:7], alone[:9]) == (
        "the rig had 7 ticks, the simulator 9; as far as both went they are the same"
    )
