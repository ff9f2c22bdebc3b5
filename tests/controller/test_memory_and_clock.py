"""Snapshots come back exactly; time never runs backwards."""

from __future__ import annotations

import json
from math import inf, isnan, nan
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller import Controller, ControllerSettings
from controller.clock import Clock
from controller.memory import Memory, SnapshotError


class Inner(Memory):
    __slots__ = ("level",)

    def __init__(self) -> None:
        self.level = nan


class Outer(Memory):
    __slots__ = ("_derived", "inner", "mode", "on", "parts")

    def __init__(self) -> None:
        self._derived = 7.0
        self.inner = Inner()
        self.mode = "off"
        self.on = False
        self.parts = [Inner(), Inner()]


@given(st.floats(allow_nan=True, allow_infinity=False), st.booleans(), st.text(max_size=5))
def test_a_memory_survives_json_to_the_last_bit(level: float, on: bool, mode: str) -> None:
    one, two = Outer(), Outer()
    one.inner.level, one.parts[1].level, one.on, one.mode = level, level, on, mode
    two.recall(json.loads(json.dumps(one.snapshot(), allow_nan=False)))
    assert repr(two.inner.level) == repr(two.parts[1].level) == repr(level)
    assert (two.on, two.mode) == (on, mode)


def test_what_follows_from_settings_is_not_remembered() -> None:
    assert "_derived" not in Outer().snapshot()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"on": 1}, "snapshot.on = 1 is not a bool"),
        ({"mode": 3.0}, "snapshot.mode = 3.0 is not a str"),
        ({"inner": {"level": "hot"}}, "snapshot.inner.level = 'hot' is not a number"),
        ({"inner": {"level": inf}}, "is not a number"),
        ({"inner": {"level": True}}, "is not a number"),
        ({"inner": 4.0}, "snapshot.inner.level is missing"),
        ({"parts": [{"level": 1.0}]}, "snapshot.parts is not a list of 2"),
        ({"parts": None}, "snapshot.parts is not a list of 2"),
    ],
)
def test_a_snapshot_that_does_not_fit_says_where(change: dict[str, object], words: str) -> None:
    with pytest.raises(SnapshotError, match=r".*") as caught:
        Outer().recall(Outer().snapshot() | change)
    assert words in str(caught.value)


def test_a_missing_field_is_named() -> None:
    kept = Outer().snapshot()
    del kept["mode"]
    with pytest.raises(SnapshotError, match="snapshot.mode is missing"):
        Outer().recall(kept)


@pytest.mark.parametrize(
    ("stamps", "now_s", "dt_s", "gap"),
    [
        ([100.0], 0.0, 0.0, False),
        ([100.0, 110.0], 10.0, 10.0, False),
        ([100.0, 100.0], 0.0, 0.0, False),  # standing still
        ([100.0, 90.0], 0.0, 0.0, False),  # running backwards
        ([100.0, 90.0, 95.0], 5.0, 5.0, False),
        ([100.0, 100.0 + 1e6], 1e6, 120.0, True),  # a leap: time passes, but proves little
        ([100.0, nan, 110.0], 10.0, 10.0, False),
        ([100.0, 1e300, 110.0], 10.0, 10.0, False),
        ([100.0, inf], 0.0, 0.0, False),
    ],
)
def test_clock(stamps: list[float], now_s: float, dt_s: float, gap: bool) -> None:
    clock = Clock()
    for stamp in stamps:
        clock.advance(stamp)
    assert (clock.now_s, clock.dt_s, clock.gap) == (now_s, dt_s, gap)


def test_the_stamp_is_the_last_good_one() -> None:
    clock = Clock()
    assert clock.stamp_s == 0.0 and isnan(clock.last_time_s)
    clock.advance(50.0)
    clock.advance(nan)
    assert clock.stamp_s == 50.0


def flags(memory: Any, path: str = "") -> list[str]:
    """Every yes in a snapshot, by its place."""
    if isinstance(memory, dict):
        return [f for name, value in memory.items() for f in flags(value, f"{path}.{name}")]
    if isinstance(memory, list):
        return [f for value in memory for f in flags(value, path)]
    return [path] if memory is True else []


def test_a_new_controller_suspects_nothing() -> None:
    allowed = {
        f".memory.{side}_battery.{service}" for side in ("pump", "fan") for service in ("allowed", "frost", "crop")
    }
    raised = flags(Controller(ControllerSettings()).snapshot())
    assert set(raised) == {*allowed, ".memory.alarms.latches.acknowledged"}
