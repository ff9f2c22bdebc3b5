"""The whole controller: its contract, its guards in order, and what it does with sensors missing."""

from __future__ import annotations

import json
from dataclasses import asdict
from math import isfinite, nan
from typing import Any

import pytest
from helpers import CALM, DRAWING, SILENT, START_S, drawing_controller, reading, reborn, run
from hypothesis import given, settings
from hypothesis import strategies as st
from wild import ACTS, NAMES, ODD, ORDERS, assert_sound, storm
from wild import SCRIPTS as WILD_SCRIPTS

from controller import Controller, ControllerSettings, Measurements, SettingsError
from controller.memory import SnapshotError
from controller.phases import FAULTED, FIRST_DRAW, HARVEST, HOLD_OFF, REST

ANY_READINGS = st.dictionaries(
    st.sampled_from(NAMES), st.sampled_from(ODD) | st.floats(-60.0, 120.0) | st.floats(0.0, 1.0), max_size=len(NAMES)
)
SCRIPTS = st.lists(st.tuples(st.sampled_from([0.0, 1.0, 2.0, 10.0, 60.0, 3600.0, 1e6]), ANY_READINGS), max_size=40)


def play(controller: Controller, script: list[tuple[float, dict[str, float]]], begin_s: float = START_S) -> list[Any]:
    decisions, time_s = [], begin_s
    for wait_s, changes in script:
        time_s += wait_s
        d = controller.step(Measurements(time_s=time_s, **changes))
        assert_sound(d)
        decisions.append(json.dumps(asdict(d)))
    return decisions


@settings(max_examples=300, deadline=None)
@given(WILD_SCRIPTS, st.booleans())
def test_any_floats_at_any_times_with_any_acts_give_sound_decisions(
    script: list[tuple[float, dict[str, float], str, int]], in_a_draw: bool
) -> None:
    assert storm(script, in_a_draw) == sum(times for *_, times in script)


@settings(max_examples=40, deadline=None)
@given(WILD_SCRIPTS, ORDERS)
def test_under_any_order_of_giving_way(
    script: list[tuple[float, dict[str, float], str, int]], order: tuple[str, ...]
) -> None:
    controller, time_s = Controller(ControllerSettings(giving_way=order, start_hold_s=0.0)), START_S
    seen = dict(CALM)
    for wait_s, changes, act, times in script:
        seen |= changes
        ACTS[act](controller)
        for _ in range(times):
            time_s += wait_s if 0.0 <= wait_s < 1e7 else 10.0
            assert_sound(controller.step(Measurements(time_s=time_s, **seen)))


@settings(max_examples=150, deadline=None)
@given(SCRIPTS)
def test_any_readings_at_any_pace_give_a_sound_decision(script: list[tuple[float, dict[str, float]]]) -> None:
    assert len(play(Controller(ControllerSettings()), script)) == len(script)


@settings(max_examples=50, deadline=None)
@given(SCRIPTS)
def test_any_readings_in_the_middle_of_a_draw(script: list[tuple[float, dict[str, float]]]) -> None:
    controller, time_s = drawing_controller()
    play(controller, [(wait_s, CALM | changes) for wait_s, changes in script], time_s)
    assert_sound(controller.step(reading(time_s + 1e8)))


@settings(max_examples=60, deadline=None)
@given(SCRIPTS, SCRIPTS)
def test_a_restart_at_any_tick_changes_nothing(
    before: list[tuple[float, dict[str, float]]], after: list[tuple[float, dict[str, float]]]
) -> None:
    given_settings = ControllerSettings(start_hold_s=0.0)
    one = Controller(given_settings)
    play(one, [(wait_s, CALM | changes) for wait_s, changes in before])
    two = reborn(one, given_settings)
    script = [(wait_s, CALM | changes) for wait_s, changes in after]
    later_s = START_S + 1e9
    assert play(one, script, later_s) == play(two, script, later_s)


def test_a_restart_in_every_stage_of_a_pump_start_changes_nothing() -> None:
    controller, time_s = drawing_controller()
    controller.loop.rest(1e4)
    controller.pump.rest(1e4)
    for _ in range(30):
        time_s += 2.0
        twin = reborn(controller, DRAWING)
        m = reading(time_s, water_flow_kg_s=0.03)
        assert controller.step(m) == twin.step(m)


@pytest.mark.parametrize(
    "snapshot", [None, 3, {}, {"version": 99}, {"version": 1}, {"version": 1, "memory": {"phase": 3}}]
)
def test_a_snapshot_that_does_not_fit_is_refused_in_one_line(snapshot: Any) -> None:
    with pytest.raises(SnapshotError) as caught:
        Controller.restore(ControllerSettings(), snapshot)
    assert str(caught.value) and "\n" not in str(caught.value)
    assert isinstance(caught.value, ValueError) and issubclass(SettingsError, ValueError)


def test_all_silent_from_the_start_gives_nothing() -> None:
    controller = Controller(ControllerSettings())
    duties = {run(controller, 5000.0, tick_s=10.0, begin_s=START_S + k, **SILENT).commands for k in range(1)}
    assert [(c.pump_duty, c.fan_duty) for c in duties] == [(0.0, 0.0)]


def test_all_silent_in_a_draw_stops_it_after_a_short_hold_and_says_why() -> None:
    controller, time_s = drawing_controller()
    d = run(controller, 5000.0, tick_s=10.0, begin_s=time_s, **SILENT)
    assert (d.commands.pump_duty, d.commands.fan_duty) == (0.0, 0.0)
    assert (d.phase, d.limit) == (FAULTED, "sensor")
    assert "no probe in the pile" in d.reason
    assert [a.code for a in d.alarms] == ["all-silent"]  # one cause, one notice
    d = run(controller, 60.0, begin_s=time_s + 5010.0)
    assert d.phase == REST


def test_while_the_water_tells_a_draw_goes_on_for_a_day_without_a_pile_probe() -> None:
    controller, time_s = drawing_controller()
    told = {}
    for k in range(1, 25 * 60):  # a supply that never moves by itself would be taken for stuck
        flow = 0.06 if controller.pump.duty > 0.0 else 0.0
        seen = {"pile_core_c": nan, "pile_edge_c": nan, "greenhouse_c": 3.0, "water_supply_c": 39.0 + 0.1 * (k % 3)}
        d = controller.step(reading(time_s + 60.0 * k, **(seen | {"water_flow_kg_s": flow})))
        told[k] = d.phase, d.estimate.core_c, {a.code for a in d.alarms}, d.reason
        assert d.commands.fan_duty == 0.0 or k <= 30
    phase, _, codes, reason = told[70]
    assert phase == HARVEST and "pile-probe" in codes
    assert reason.endswith("the fan rests until a pile probe reads again.")
    assert {told[k][0] for k in range(1, 24 * 60)} <= {HARVEST, REST}
    assert told[80][1] < told[40][1] - 0.3
    assert told[24 * 60 + 10][0] == FAULTED


def test_the_first_draw_waits_for_a_day_of_heat() -> None:
    controller = Controller(ControllerSettings())
    assert run(controller, 86400.0 - 120.0).phase == HOLD_OFF
    assert run(controller, 240.0, begin_s=START_S + 86400.0 - 60.0).phase == FIRST_DRAW


def test_a_glitch_code_does_not_count_as_heat() -> None:
    controller = Controller(ControllerSettings())
    assert run(controller, 3 * 86400.0, pile_core_c=85.0, pile_edge_c=nan).phase == HOLD_OFF


@pytest.mark.parametrize(
    ("changes", "limit", "pump_runs"),
    [
        ({}, None, True),
        ({"pump_battery_v": 11.0}, "battery", False),
        ({"greenhouse_c": 12.0}, "demand", False),
        ({"greenhouse_c": 30.0}, "ceiling", False),
        ({"pile_core_c": 44.0}, "pile-floor", False),
        ({"water_supply_c": 75.0}, "scald", False),
        ({"fan_battery_v": 10.5}, None, True),  # the two sides share nothing
    ],
)
def test_one_guard_at_a_time(changes: dict[str, float], limit: str | None, pump_runs: bool) -> None:
    controller, time_s = drawing_controller()
    runs, limits = set(), set()
    d = controller.step(reading(time_s))
    for k in range(1, 400):
        flow = 0.06 if d.commands.pump_duty > 0.0 else 0.0
        d = controller.step(reading(time_s + 60.0 * k, **({"water_flow_kg_s": flow} | changes)))
        if k > 30:
            runs.add(d.commands.pump_duty > 0.0)
            limits.add(d.limit)
    assert (True in runs) is pump_runs
    assert limit is None or limit in limits


def test_the_fan_rests_on_its_own_battery_only() -> None:
    controller = Controller(ControllerSettings(start_hold_s=0.0))
    duties = [run(controller, 60.0, begin_s=START_S + 60.0 * k, fan_battery_v=10.0, pile_o2=0.02) for k in range(100)]
    assert not any(d.commands.fan_duty for d in duties[2:])
    assert "fan-battery" in {a.code for a in duties[-1].alarms}
    assert "pump-battery" not in {a.code for a in duties[-1].alarms}


@pytest.mark.parametrize("phase", [HOLD_OFF, REST, FAULTED, HARVEST])
def test_frost_service_is_never_blocked_but_by_the_battery(phase: str) -> None:
    cold = {"outdoor_c": -8.0, "water_supply_c": 1.0, "water_return_c": 0.5, "greenhouse_c": 15.0}
    if phase == FAULTED:
        cold |= {"pile_core_c": nan, "pile_edge_c": nan}
    on = {True: 0, False: 0}
    for charged in on:
        controller = Controller(ControllerSettings())
        controller.phase, controller.pump.locked_s = phase, 1e6
        d = controller.step(reading(**cold))
        for k in range(1, 2000):
            flow = 0.04 if d.commands.pump_duty > 0.0 else 0.0
            volts = 12.8 if charged else 10.0
            d = controller.step(
                reading(START_S + 10.0 * k, **(cold | {"water_flow_kg_s": flow, "pump_battery_v": volts}))
            )
            on[charged] += d.limit == "frost" and d.commands.pump_duty > 0.0
    assert on[True] > 5
    assert on[False] == 0


def test_frost_without_power_is_a_critical_alarm() -> None:
    controller = Controller(ControllerSettings())
    d = run(controller, 3 * 3600.0, outdoor_c=-8.0, pump_battery_v=10.5)
    alarm = next(a for a in d.alarms if a.code == "frost")
    assert alarm.severity == "critical" and "rain" in alarm.do


LEAST = ("pile_core_c", "water_supply_c")


@pytest.mark.parametrize(
    "missing",
    [
        ("water_flow_kg_s",),
        ("water_return_c", "greenhouse_c"),
        ("pile_edge_c", "outdoor_c"),
        tuple(name for name in NAMES if name not in LEAST),
    ],
)
def test_it_draws_with_sensors_missing(missing: tuple[str, ...]) -> None:
    controller = Controller(ControllerSettings(start_hold_s=3600.0))
    gone = dict.fromkeys(missing, nan)
    on = 0
    for k in range(4 * 1440):
        flow = 0.06 if controller.pump.duty > 0.0 else 0.0
        d = controller.step(reading(START_S + 60.0 * k, **({"water_flow_kg_s": flow} | gone)))
        on += d.commands.pump_duty > 0.0
    assert on > 60
    assert isfinite(d.estimate.core_c) and isfinite(d.estimate.sustainable_w)


def test_it_asks_to_be_called_soon_only_while_something_moves() -> None:
    controller, time_s = drawing_controller()
    waits: dict[str, set[float]] = {"off": set(), "armed": set(), "kick": set(), "run": set()}
    for _ in range(3000):
        flow = 0.06 if controller.pump.duty > 0.0 else 0.0
        d = controller.step(reading(time_s, water_flow_kg_s=flow))
        waits[controller.pump.mode].add(d.next_s)
        time_s += d.next_s
    assert waits["off"] == {60.0}
    assert waits["armed"] == {1.0} and waits["kick"] == {2.0}
    assert waits["run"] == {10.0, 60.0}


def test_the_draw_is_booked_and_the_estimate_filled() -> None:
    controller, time_s = drawing_controller()
    d = run(controller, 3 * 86400.0, begin_s=time_s, water_supply_c=48.0)
    assert controller.pile.drawn_day_w > 100.0
    assert 48.0 < d.estimate.core_c < 62.5  # between what the water shows and what the probe reads
    assert 0.0 < d.estimate.sustainable_w < d.estimate.heat_made_w
    assert d.estimate.stored_j > 0.0
