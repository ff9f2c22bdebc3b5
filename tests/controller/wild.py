"""Sequences of any floats: what a broken sensor, a broken clock and a restless grower can send a controller."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from math import inf, isfinite, nan
from typing import Any

from helpers import CALM, START_S, drawing_controller
from hypothesis import strategies as st

from controller import Controller, ControllerSettings, Decision, Measurements
from controller.alarms import CODES
from controller.giving_way import DEFAULT_ORDER, fault_of
from controller.phases import PHASES
from controller.reasons import LIMITS

NAMES = [f.name for f in fields(Measurements) if f.name != "time_s"]
ODD = [nan, inf, -inf, 0.0, -0.0, -1.0, 85.0, 127.94, -127.0, 1e300, -1e300, 1.7976931348623157e308, 5e-324]
VALUES = st.sampled_from(ODD) | st.floats() | st.floats(-60.0, 120.0) | st.floats(0.0, 1.0)
LEAPS = st.sampled_from([0.0, 1.0, 2.0, 10.0, 60.0, 3600.0, 1e6, -5.0, -1e9, 1e300, nan, inf, -inf]) | st.floats()
CHANGES = st.dictionaries(st.sampled_from(NAMES), VALUES, max_size=5)
ACTS: dict[str, Callable[[Controller], Any]] = {
    "nothing": lambda c: None,
    "hand-run": lambda c: c.hand_run(0.0 if c.drained else 0.7, 0.5, 900.0),
    "drained": lambda c: c.declare_drained(),
    "filled": lambda c: c.declare_filled(),
    "acknowledged": lambda c: [c.acknowledge(code) for code in CODES],
    "cut": lambda c: c.recall(c.snapshot()["memory"]),
}
STEPS = st.tuples(LEAPS, CHANGES, st.sampled_from(["nothing"] * 5 + sorted(ACTS)), st.integers(1, 4))
SCRIPTS = st.lists(STEPS, min_size=1, max_size=8)
ORDERS = st.permutations(DEFAULT_ORDER).map(tuple).filter(lambda order: not fault_of(order))


def assert_sound(d: Decision) -> None:
    """What holds for every decision, whatever came in."""
    assert 0.0 <= d.commands.pump_duty <= 1.0
    assert 0.0 <= d.commands.fan_duty <= 1.0
    assert 1.0 <= d.next_s <= 60.0
    assert d.phase in PHASES
    assert d.limit in LIMITS
    assert d.cause
    assert d.reason.endswith(".") and len(d.reason) < 250
    assert all(a.seen and a.do and isfinite(a.since_s) for a in d.alarms)


def storm(script: list[tuple[float, dict[str, float], str, int]], in_a_draw: bool) -> int:
    """Play a script on a fresh controller, or on one that has been drawing, and return how many steps were sound.

    A change stays until it is changed again; each row is repeated some times at the same pace.
    """
    controller, time_s = drawing_controller() if in_a_draw else (Controller(ControllerSettings()), START_S)
    seen, sound = dict(CALM) if in_a_draw else {}, 0
    for leap_s, changes, act, times in script:
        seen |= changes
        ACTS[act](controller)
        for _ in range(times):
            time_s = time_s + leap_s if isfinite(time_s + leap_s) else leap_s
            assert_sound(controller.step(Measurements(time_s=time_s, **seen)))
            sound += 1
            time_s = time_s if isfinite(time_s) else START_S
    return sound
