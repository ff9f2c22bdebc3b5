"""Hot water that the supply probe does not show, or shows badly, still stops the pump in time."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from math import exp, nan

import pytest
from helpers import START_S, reading

from controller import Controller, ControllerSettings
from controller.guards import TOO_HOT_LONGEST_S
from controller.media import WATER_J_KG_K
from controller.pump import IDLE_S, PumpDrive
from controller.water_loop import BLIND_KG, FLUSH_S, LEAST_OFF_S, WaterLoop

S = ControllerSettings()
LIMIT_C = S.supply_max_c
HOT_CORE_C = LIMIT_C + 10.0
BACK_C = 8.0


def silent(step: int) -> float:
    return nan


def stuck(step: int) -> float:
    return 12.0


def stuck_just_below(step: int) -> float:
    return LIMIT_C - 1.0


def new_but_steady(step: int) -> float:
    return LIMIT_C - 20.0 if step == 0 else LIMIT_C - 1.0


def leaping(step: int) -> float:
    return LIMIT_C + 1.0 + (4.0 if step % 2 else -4.0)


def steady_cool(step: int) -> float:
    return LIMIT_C - 6.0 + 0.05 * (step % 2)  # as a sound probe trembles


def steady_hot(step: int) -> float:
    return LIMIT_C + 1.0 + 0.05 * (step % 2)


def stopped_after_s(
    reading: Callable[[int], float], core_c: float, longest_s: float = 900.0, chilled_k: float = 0.0
) -> float:
    """For how long the water flowed before the guard stopped it; infinite if it did not."""
    loop, passed_s = WaterLoop(S), 0.0
    for step in range(round(longest_s / 10.0)):
        if loop.flow_kg_s(True, 0.1, reading(step), BACK_C, core_c - chilled_k, core_c, 10.0, 10.0) <= 0.0:
            return passed_s
        passed_s += 10.0
    return float("inf")


@pytest.mark.parametrize(
    ("reading", "core_c", "stops"),
    [
        (stuck, HOT_CORE_C, True),
        (stuck_just_below, HOT_CORE_C, True),
        (new_but_steady, HOT_CORE_C, False),  # it came with the water
        (leaping, HOT_CORE_C, True),
        (steady_hot, HOT_CORE_C, True),
        (silent, LIMIT_C - 5.0, False),  # the pile cannot make it too hot
        (stuck, LIMIT_C - 5.0, False),
        (steady_cool, HOT_CORE_C, False),  # a sound probe is believed
    ],
)
@pytest.mark.parametrize("chilled_k", [0.0, 10.0])
def test_hot_water_stops_in_time_however_the_probe_fails(
    reading: Callable[[int], float], core_c: float, stops: bool, chilled_k: float
) -> None:
    """Nor does it help that the draw is believed to have chilled the compost round the coil: nobody saw that."""
    ran_s = stopped_after_s(reading, core_c, chilled_k=chilled_k)
    assert (ran_s <= TOO_HOT_LONGEST_S + 60.0) is stops


def test_unseen_water_is_brought_through_before_the_guard_must_stop() -> None:
    loop = WaterLoop(S)
    loop.flow_kg_s(True, 0.1, nan, BACK_C, HOT_CORE_C, HOT_CORE_C, 10.0, 10.0)
    assert loop.asked_kg_s == pytest.approx(BLIND_KG / FLUSH_S)
    assert stopped_after_s(silent, HOT_CORE_C) == float("inf")  # what follows it is cooled by enough flow
    chilled = WaterLoop(S)
    chilled.flow_kg_s(True, 0.1, nan, BACK_C, LIMIT_C - 5.0, HOT_CORE_C, 10.0, 10.0)
    assert chilled.asked_kg_s == loop.asked_kg_s
    cool = WaterLoop(S)
    cool.flow_kg_s(True, 0.1, nan, BACK_C, LIMIT_C - 5.0, LIMIT_C - 5.0, 10.0, 10.0)
    assert cool.asked_kg_s < BLIND_KG / FLUSH_S


def test_what_was_learnt_of_a_weak_coil_makes_no_unseen_water_hotter() -> None:
    asked = []
    for learnt in (0.0, -0.5 * S.flow_target_kg_s):
        loop = WaterLoop(S)
        loop.supply.integral = learnt
        loop.flow_kg_s(True, 0.1, 20.0, BACK_C, HOT_CORE_C, HOT_CORE_C, 10.0, 10.0)
        loop.passed_kg = 2.0 * BLIND_KG
        asked.append(loop.flow_kg_s(True, 0.1, nan, BACK_C, HOT_CORE_C, HOT_CORE_C, 10.0, 10.0))
    assert asked[0] == pytest.approx(asked[1])


@pytest.mark.parametrize(("wait_s", "goes_on"), [(10.0, True), (80.0, True), (90.0, False), (100.0, False)])
def test_a_hot_pulse_and_the_draw_after_it_are_one_stretch(wait_s: float, goes_on: bool) -> None:
    loop = WaterLoop(S)
    for k in range(10):
        loop.rest(10.0)
        loop.hot.pulse(LIMIT_C + 2.0, 10.0 * (k + 1), 10.0)
    assert loop.hot.flows_s == pytest.approx(100.0)
    assert loop.hot.day_s > 90.0  # told as a long draw is
    loop.rest(wait_s)
    loop.off_s = LEAST_OFF_S
    loop.flow_kg_s(True, 1.0, LIMIT_C + 2.0, BACK_C, HOT_CORE_C, HOT_CORE_C, 10.0, 10.0)
    assert loop.hot.flows_s == pytest.approx(100.0 if goes_on else 0.0)


def test_cool_pulses_are_not_told() -> None:
    loop = WaterLoop(S)
    loop.hot.pulse(LIMIT_C - 2.0, 10.0, 10.0)
    assert (loop.hot.flows_s, loop.hot.day_s) == (0.0, 0.0)


def test_what_a_pulse_shows_as_hot_in_its_first_minute_was_so_from_its_start() -> None:
    """The probe on the pipe follows slowly: pulses of a minute would be told at half their length."""
    loop = WaterLoop(S)
    for pulse in (1, 2):
        loop.rest(600.0)
        forgotten_s = loop.hot.day_s
        for k in range(1, 7):
            loop.rest(10.0)
            loop.hot.pulse(LIMIT_C + (2.0 if k >= 4 else -2.0), 10.0 * k, 10.0)
        assert loop.hot.day_s - forgotten_s == pytest.approx(60.0, abs=5.0), pulse
    loop.rest(10.0)
    loop.hot.pulse(LIMIT_C + 2.0, 130.0, 10.0)
    assert loop.hot.day_s - forgotten_s == pytest.approx(70.0, abs=6.0)


@pytest.mark.parametrize(
    ("idle_kg_s", "rested_s", "believed"),
    [
        (0.0, 600.0, True),
        (S.flow_target_kg_s, 600.0, False),  # it counts noise
        (0.1 * S.flow_target_kg_s, 600.0, True),  # too little to hide a dry run
        (S.flow_target_kg_s, IDLE_S / 2.0, True),  # the water may still coast
    ],
)
def test_a_meter_that_counts_at_rest_does_not_regulate(idle_kg_s: float, rested_s: float, believed: bool) -> None:
    pump = PumpDrive(S)
    pump.rest(rested_s)
    pump.drive(S.flow_target_kg_s, idle_kg_s, 20.0, 12.0, 1.0)
    assert pump.metered(idle_kg_s) is believed
    for _ in range(60):  # the curve's flow, not the least duty that the noise asks for
        duty = pump.drive(S.flow_target_kg_s, 3.0 * S.flow_target_kg_s if not believed else nan, 20.0, 12.0, 10.0)
    assert duty > 1.2 * pump.least_duty


def test_the_new_memory_survives_a_restart() -> None:
    loop, pump = WaterLoop(S), PumpDrive(S)
    for step in range(20):
        loop.flow_kg_s(True, 0.5, leaping(step), BACK_C, HOT_CORE_C, HOT_CORE_C, 10.0, 10.0)
    pump.rest(600.0)
    pump.drive(S.flow_target_kg_s, S.flow_target_kg_s, 20.0, 12.0, 1.0)
    again, pump_again = WaterLoop(S), PumpDrive(S)
    again.recall(json.loads(json.dumps(loop.snapshot())))
    pump_again.recall(json.loads(json.dumps(pump.snapshot())))
    assert again.seen.wobble.wobble_k > 1.0
    assert again.snapshot() == loop.snapshot()
    assert pump_again.counts_idle
    assert pump_again.snapshot() == pump.snapshot()


def hottest_c(loop: WaterLoop, supply_c: float, return_c: float = 8.0, core_c: float = 60.0, times: int = 1) -> float:
    for _ in range(times):
        shown_c = loop._hottest_c(supply_c, return_c, core_c, 10.0)
    return shown_c


@pytest.mark.parametrize("last_c", [20.0, 59.0])
def test_unseen_fresh_water_is_as_hot_as_a_stronger_coil_makes_it_or_as_it_was_last_seen(last_c: float) -> None:
    """A coil twice as strong, by the textbook effectiveness 1 - exp(-UA / m cp), worked here by hand."""
    loop = WaterLoop(S)
    loop.passed_kg, loop.asked_kg_s = 1000.0, 0.1
    loop.seen.begin(last_c)
    by_coil_c = 8.0 + 52.0 * (1.0 - exp(-2.0 * S.coil_ua_w_k / (0.1 * WATER_J_KG_K)))
    assert 20.0 < by_coil_c < 59.0
    assert hottest_c(loop, nan) == pytest.approx(max(by_coil_c, last_c))


@pytest.mark.parametrize(("passed_kg", "believed_c"), [(49.9, 60.0), (50.0, 45.0)])
def test_until_fifty_kilograms_have_passed_unseen_water_is_as_hot_as_the_core(
    passed_kg: float, believed_c: float
) -> None:
    loop = WaterLoop(S)
    loop.passed_kg = passed_kg
    loop.seen.begin(45.0)
    assert hottest_c(loop, nan) == believed_c


@pytest.mark.parametrize(("supply_c", "believed_c"), [(25.0, 60.0), (40.0, 40.0)])
def test_a_reading_that_came_with_the_water_and_stands_far_too_low_is_held(supply_c: float, believed_c: float) -> None:
    """A strong coil warms by some fifty kelvins: seventeen are less than half of it, thirty-two are not."""
    loop = WaterLoop(replace(S, coil_ua_w_k=2000.0))
    loop.asked_kg_s, loop.on_s = 0.05, 600.0
    loop.seen.begin(12.0)
    assert hottest_c(loop, supply_c, times=8) == believed_c


@pytest.mark.parametrize(
    ("supply_c", "return_c", "unseen"),
    [(40.0, nan, False), (12.0, nan, True), (12.0, 14.0, False)],
    ids=["hot enough", "cool", "both read"],
)
def test_a_cool_supply_may_be_the_return_where_that_is_silent(supply_c: float, return_c: float, unseen: bool) -> None:
    controller, minute_s = Controller(S), 60.0
    for minute in range(60):  # a silent probe keeps its value for a while
        both = {"water_supply_c": supply_c, "water_return_c": return_c if minute else 14.0}
        controller.step(reading(START_S + minute * minute_s, greenhouse_c=4.0, **both))
    controller._view.flow_kg_s, controller._view.core_c = 0.06, 60.0
    hot_c = controller._hot_supply_c(controller.checks._readings)
    assert hot_c != hot_c if unseen else hot_c == supply_c


def shown_in_frost_pulses(
    controller: Controller, supply_c: float, return_c: float, chilled_k: float = 0.0
) -> set[tuple[str, bool]]:
    """What limits the pump in the first pulse, and whether its water counts as hot.

    A supply that stands still through more than one is soon doubted.
    """
    duty, shown = 0.0, set()
    for step in range(380):
        flow_kg_s = 0.06 if duty > 0.0 else 0.0
        water = {"water_supply_c": supply_c, "water_flow_kg_s": flow_kg_s, "water_return_c": return_c}
        controller.pile.chill.k = chilled_k
        d = controller.step(reading(START_S + 10.0 * step, outdoor_c=-12.0, **water))
        if controller.pump.on_s > 10.0:
            shown.add((d.limit, controller.loop.hot.is_hot))
        duty = d.commands.pump_duty
    return shown


@pytest.mark.parametrize("hot", [True, False])
def test_a_pulse_against_frost_is_as_hot_as_the_hotter_of_both_probes(hot: bool) -> None:
    assert shown_in_frost_pulses(Controller(S), 0.2, 58.0 if hot else 0.2) == {("frost", hot)}


@pytest.mark.parametrize("chilled_k", [0.0, 30.0])
def test_an_unseen_pulse_against_frost_is_as_hot_as_the_core_was_before_it_was_thought_chilled(
    chilled_k: float,
) -> None:
    controller = Controller(S)
    assert shown_in_frost_pulses(controller, nan, 0.2, chilled_k) == {("frost", True)}
    assert controller.pile.core_c == pytest.approx(controller.pile.unchilled_c - chilled_k, abs=0.1)
