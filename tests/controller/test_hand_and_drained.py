"""The two declared phases: a hand-run that ends by itself, and a loop without water."""

from __future__ import annotations

from math import nan
from typing import Any

import pytest
from helpers import CALM, DRAWING, START_S, drawing_controller, reading, reborn, run

from controller import Controller, ControllerSettings, Decision
from controller.hand_run import LONGEST_HAND_RUN_S, HandRun
from controller.phases import DRAINED, FAULTED, HARVEST, HOLD_OFF, MANUAL, REST

S = ControllerSettings()


def play(
    controller: Controller, seconds: float, begin_s: float, tick_s: float = 10.0, **changes: float
) -> list[Decision]:
    """Decisions of every tick, the meter following the pump."""
    decisions, duty = [], controller.pump.duty
    for k in range(1, round(seconds / tick_s) + 1):
        flow = 0.06 if duty > 0.0 else 0.0
        d = controller.step(reading(begin_s + tick_s * k, **(CALM | {"water_flow_kg_s": flow} | changes)))
        duty = d.commands.pump_duty
        decisions.append(d)
    return decisions


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ((1.5, 0.0, 60.0), "pump_duty = 1.5 is outside 0..1"),
        ((nan, 0.0, 60.0), "pump_duty = nan"),
        ((0.5, -0.1, 60.0), "fan_duty = -0.1"),
        ((0.5, "full", 60.0), "fan_duty = 'full'"),
        ((0.5, True, 60.0), "fan_duty = True"),
        ((0.5, 0.0, LONGEST_HAND_RUN_S + 1.0), "for_s = 1801.0 is outside 1..1800 s"),
        ((0.5, 0.0, 0.0), "for_s = 0.0"),
    ],
)
def test_what_cannot_be_asked_for(asked: tuple[Any, ...], words: str) -> None:
    with pytest.raises(ValueError) as caught:
        Controller(S).hand_run(*asked)
    assert words in str(caught.value) and "\n" not in str(caught.value)


def test_it_runs_as_asked_and_ends_by_itself() -> None:
    controller, now_s = drawing_controller()
    controller.hand_run(0.4, 0.7, 600.0)
    by_hand = play(controller, 600.0, now_s)
    assert {d.phase for d in by_hand[:-1]} == {MANUAL}
    assert by_hand[0].cause == "the grower asked for a hand-run"
    assert max(d.commands.pump_duty for d in by_hand[3:-1]) <= 0.4
    assert {d.commands.fan_duty for d in by_hand[:-1]} == {0.7}
    assert by_hand[30].limit == "manual" and by_hand[30].reason.startswith("By hand: pump 40%, fan 70%")
    assert by_hand[-1].phase == HARVEST and by_hand[-1].cause.startswith("the hand-run is over")
    assert not controller.hand.on


def test_a_leap_of_time_ends_it_too() -> None:
    controller, now_s = drawing_controller()
    controller.hand_run(0.4, 0.7, 600.0)
    controller.step(reading(now_s + 10.0))
    assert controller.step(reading(now_s + 1e6)).phase != MANUAL


def test_it_can_be_ended_and_replaced() -> None:
    controller, now_s = drawing_controller()
    controller.hand_run(0.4, 0.7, 1800.0)
    controller.hand_run(0.0, 0.3, 1800.0)
    assert play(controller, 60.0, now_s)[-1].commands.fan_duty == 0.3
    controller.end_hand_run()
    assert play(controller, 10.0, now_s + 60.0)[-1].phase == HARVEST


def test_it_survives_a_restart_with_the_time_it_has_left() -> None:
    controller, now_s = drawing_controller()
    controller.hand_run(0.4, 0.7, 600.0)
    play(controller, 300.0, now_s)
    twin = reborn(controller, DRAWING)
    assert twin.hand.left_s == pytest.approx(300.0)
    assert play(twin, 400.0, now_s + 300.0) == play(controller, 400.0, now_s + 300.0)
    assert twin.phase == HARVEST


@pytest.mark.parametrize(
    ("changes", "limit"),
    [
        ({"pump_battery_v": 11.0}, "battery"),
        ({"water_flow_kg_s": 0.0}, "no-flow"),
        ({"water_supply_c": 75.0}, "scald"),
        ({"pile_core_c": 44.0}, "pile-floor"),
        ({"pile_core_c": nan, "pile_edge_c": nan, "water_supply_c": nan}, "pile-floor"),
        ({"pile_core_c": 44.0, "water_return_c": nan}, "pile-floor"),
    ],
)
def test_no_hand_reaches_beyond_a_guard(changes: dict[str, float], limit: str) -> None:
    controller, now_s = drawing_controller()
    play(controller, 2 * 3600.0, now_s, **(changes | {"greenhouse_c": 20.0}))
    controller.hand_run(0.8, 0.0, 1800.0)
    by_hand = play(controller, 1200.0, now_s + 7200.0, **changes)
    assert limit in {d.limit for d in by_hand}
    assert sum(d.commands.pump_duty > 0.0 for d in by_hand[90:]) <= 8  # two tries of half a minute after each pause
    assert any("the hand-run must wait for that" in d.reason for d in by_hand)


@pytest.mark.parametrize("changes", [{"greenhouse_co2": 0.003}, {"greenhouse_rh": 0.97}, {"fan_battery_v": 11.0}])
def test_no_hand_blows_bad_air(changes: dict[str, float]) -> None:
    controller, now_s = drawing_controller()
    play(controller, 1800.0, now_s, **changes)
    controller.hand_run(0.0, 0.8, 600.0)
    by_hand = play(controller, 300.0, now_s + 1800.0, **changes)
    assert not any(d.commands.fan_duty for d in by_hand)
    assert "the fan rests" in by_hand[-1].reason or by_hand[-1].limit == "manual"


def test_a_cold_loop_may_be_bled_on_a_pile_that_was_never_hot() -> None:
    controller = Controller(S)
    cold = {"pile_core_c": 15.0, "pile_edge_c": 14.0, "water_supply_c": 12.0, "water_return_c": 12.0}
    play(controller, 600.0, START_S, **cold)
    controller.hand_run(0.6, 0.0, 600.0)
    by_hand = play(controller, 300.0, START_S + 600.0, **cold)
    assert by_hand[-1].commands.pump_duty > 0.0
    assert play(controller, 600.0, START_S + 900.0, **cold)[-1].phase == HOLD_OFF


def test_a_hand_that_stops_the_pump_does_not_stop_frost_service() -> None:
    cold = {"outdoor_c": -8.0, "water_supply_c": 1.0, "water_return_c": 0.5, "greenhouse_c": 15.0}
    controller = Controller(S)
    on = 0
    for k in range(8):
        controller.hand_run(0.0, 0.0, 1800.0)
        on += sum(d.commands.pump_duty > 0.0 for d in play(controller, 1800.0, START_S + 1800.0 * k, **cold))
    assert on > 3


# --- drained


def test_a_drained_loop_is_never_pumped_whatever_happens() -> None:
    controller, now_s = drawing_controller()
    controller.declare_drained()
    cold = {"outdoor_c": -15.0, "water_supply_c": 0.5, "water_return_c": 0.5, "pile_o2": 0.05}
    dry = play(controller, 6 * 3600.0, now_s, tick_s=60.0, **cold) + play(controller, 86400.0, now_s + 3e4, tick_s=60.0)
    assert not any(d.commands.pump_duty for d in dry)
    assert {(d.phase, d.limit) for d in dry} == {(DRAINED, "drained")}
    assert dry[0].cause == "the grower declared that the loop holds no water"
    assert "frost" not in {a.code for d in dry for a in d.alarms}
    assert any(d.commands.fan_duty for d in dry)  # the pile still gets its air


def test_only_a_declaration_fills_it_and_then_the_pile_rests_first() -> None:
    controller, now_s = drawing_controller()
    controller.declare_drained()
    play(controller, 3600.0, now_s)
    controller = reborn(controller, DRAWING)
    assert play(controller, 3600.0, now_s + 3600.0)[-1].phase == DRAINED
    controller.declare_filled()
    filled = play(controller, 4 * 3600.0, now_s + 7200.0)
    assert filled[0].phase == REST and "filled" in filled[0].cause
    assert filled[-1].phase == HARVEST


def test_a_pile_not_yet_drawn_is_held_off_again_after_filling() -> None:
    controller = Controller(S)
    controller.declare_drained()
    controller.step(reading())
    controller.declare_filled()
    assert controller.step(reading(START_S + 10.0)).phase == HOLD_OFF


def test_no_probe_after_filling_is_a_fault() -> None:
    controller, now_s = drawing_controller()
    controller.declare_drained()
    mute = {"pile_core_c": nan, "pile_edge_c": nan, "water_supply_c": nan}
    play(controller, 3600.0, now_s, **mute)
    controller.declare_filled()
    assert play(controller, 10.0, now_s + 3600.0, **mute)[-1].phase == FAULTED


def test_a_hand_run_of_a_drained_pump_is_refused_and_of_the_fan_is_not() -> None:
    controller, now_s = drawing_controller()
    controller.hand_run(0.5, 0.5, 600.0)
    controller.declare_drained()
    d = play(controller, 10.0, now_s)[-1]
    assert (d.phase, d.commands.pump_duty) == (DRAINED, 0.0)
    with pytest.raises(ValueError, match="declare it filled first"):
        controller.hand_run(0.5, 0.0, 60.0)
    controller.hand_run(0.0, 0.5, 60.0)
    d = play(controller, 10.0, now_s + 10.0)[-1]
    assert (d.phase, d.commands.pump_duty, d.commands.fan_duty) == (DRAINED, 0.0, 0.5)


@pytest.mark.parametrize("missing", [{}, {"water_flow_kg_s": nan}])
def test_a_draw_from_an_empty_loop_nobody_declared_is_caught_with_and_without_a_meter(
    missing: dict[str, float],
) -> None:
    controller, now_s = drawing_controller()
    empty = {"water_flow_kg_s": 0.0, "water_supply_c": 15.2, "water_return_c": 15.0} | missing
    decisions = play(controller, 2 * 3600.0, now_s, tick_s=2.0, **empty)
    assert "no-flow" in {d.limit for d in decisions}
    assert {a.code for d in decisions for a in d.alarms} & {"no-flow", "no-heat"} == (
        {"no-heat"} if missing else {"no-flow"}
    )
    run_s = 2.0 * sum(d.commands.pump_duty > 0.0 for d in decisions[:3600])
    assert run_s < (2400.0 if missing else 900.0)


def test_warm_water_without_a_meter_is_no_reason_to_stop() -> None:
    controller, now_s = drawing_controller()
    decisions = play(controller, 6 * 3600.0, now_s, water_flow_kg_s=nan)
    assert "no-flow" not in {d.limit for d in decisions}
    assert sum(d.commands.pump_duty > 0.0 for d in decisions) > 500


def test_frost_pulses_through_a_cold_line_are_no_sign_of_standing_water() -> None:
    """Each pulse brings water as cold at one end as at the other: many short ones must not add up to a verdict."""
    controller = Controller(S)
    cold = {
        "outdoor_c": -8.0,
        "water_supply_c": 1.0,
        "water_return_c": 0.5,
        "greenhouse_c": 15.0,
        "water_flow_kg_s": nan,
    }
    decisions = play(controller, 12 * 3600.0, START_S, **cold)
    assert sum(d.limit == "frost" for d in decisions) > 100
    assert not controller.pump.locked and "no-heat" not in {a.code for d in decisions for a in d.alarms}


def test_the_hand_run_counts_down_only_while_there_is_time() -> None:
    hand = HandRun()
    hand.pass_time(10.0)
    assert hand.left_s == 0.0
    hand.ask(1, 0, 30)
    hand.pass_time(29.0)
    assert hand.on and hand.left_s == 1.0
    hand.pass_time(1.0)
    assert not hand.on and hand.pump_duty == 0.0
    assert run(Controller(S), 60.0).phase == HOLD_OFF
