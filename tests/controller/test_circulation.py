"""The water loop and the pump: when, how fast, at what duty."""

from __future__ import annotations

from math import exp, nan

import pytest

from controller import ControllerSettings
from controller.coil import flow_for_supply_kg_s
from controller.guards import TOO_HOT_LONGEST_S
from controller.pump import (
    FIRST_PAUSE_S,
    IDLE_SHARE,
    KICK,
    LONGEST_PAUSE_S,
    NO_FLOW_S,
    OFF,
    RUN,
    TRIES,
    PumpCurve,
    PumpDrive,
    Regulator,
)
from controller.water_loop import (
    LEAST_OFF_S,
    LEAST_ON_S,
    WaterLoop,
)

S = ControllerSettings()


# --- simple-pid and its traps


def test_regulator_by_hand() -> None:
    pi = Regulator(2.0, 0.5, -10.0, 10.0)
    assert pi.update(1.0, 0.0, 2.0) == pytest.approx(2.0 * 1.0 + 0.5 * 1.0 * 2.0)
    assert pi.integral == pytest.approx(1.0)


def test_regulator_survives_what_poisons_simple_pid() -> None:
    pi = Regulator(2.0, 0.5, -10.0, 10.0)
    pi.update(1.0, 0.0, 2.0)
    for measured, dt_s in ((nan, 1.0), (float("inf"), 1.0), (1e300, 1.0), (0.5, 0.0), (0.5, -1.0)):
        assert pi.update(1.0, measured, dt_s) == pytest.approx(1.0)
    assert pi.update(1.0, 1.0, 1.0) == pytest.approx(1.0)  # goes on where it was, without a bump


def test_regulator_does_not_wind_up_beyond_its_limits() -> None:
    pi = Regulator(0.0, 1.0, -1.0, 1.0)
    for _ in range(100):
        pi.update(5.0, 0.0, 10.0)
    assert pi.integral == 1.0
    pi.push(-5.0)
    assert pi.integral == -1.0


def test_regulator_needs_no_least_step() -> None:
    pi = Regulator(0.0, 1.0, -1.0, 1.0)
    for _ in range(10):
        pi.update(1.0, 0.0, 1e-3)
    assert pi.integral == pytest.approx(0.01)


# --- the pump curve


def test_curve_is_straight_from_just_below_the_running_duty_to_full() -> None:
    curve = PumpCurve(S)
    assert curve.flow_kg_s(1.0, 12.0) == pytest.approx(S.pump_full_flow_kg_s)
    assert curve.flow_kg_s(IDLE_SHARE * S.pump_run_duty, 12.0) == 0.0
    assert curve.duty(0.1, 12.0) == pytest.approx(0.1445 + 0.1 * 0.8555 / 0.8)


def test_curve_allows_for_the_voltage() -> None:
    curve = PumpCurve(S)
    assert curve.duty(0.1, 13.2) == pytest.approx(curve.duty(0.1, 12.0) * 12.0 / 13.2)
    assert curve.duty(0.1, nan) == curve.duty(0.1, 12.0)
    assert curve.flow_kg_s(curve.duty(0.1, 11.5), 11.5) == pytest.approx(0.1)


# --- the pump


class Bench:
    """A pump on a bench: turns from ``start`` on, moves water in proportion above ``idle``."""

    def __init__(self, start: float = 0.25, idle: float = 0.145, stuck: bool = False, meter: bool = True) -> None:
        self.drive = PumpDrive(S)
        self.start, self.idle, self.stuck, self.meter = start, idle, stuck, meter
        self.turning, self.flow, self.supply_c, self.duties = False, 0.0, 20.0, [0.0]

    def step(self, target: float, dt_s: float) -> float:
        seen = self.flow if self.meter else 0.0
        duty = self.drive.drive(target, seen, self.supply_c, 12.0, dt_s)
        self.turning = not self.stuck and duty > (self.idle if self.turning else self.start)
        self.flow = 0.8 * (duty - self.idle) / (1.0 - self.idle) if self.turning else 0.0
        self.duties.append(duty)
        return duty

    def run(self, target: float, seconds: float, dt_s: float) -> float:
        for _ in range(round(seconds / dt_s)):
            self.step(target, dt_s)
        return self.flow


@pytest.mark.parametrize("dt_s", [1.0, 2.0, 10.0, 30.0, 60.0])
@pytest.mark.parametrize("idle", [0.12, 0.145, 0.4])
def test_flow_reaches_its_target_at_any_tick_and_on_a_pump_unlike_its_curve(dt_s: float, idle: float) -> None:
    assert Bench(start=idle + 0.1, idle=idle).run(0.0631, 1500.0, dt_s) == pytest.approx(0.0631, rel=0.05)


def test_a_short_tick_kicks_with_full_duty_and_a_long_one_gently() -> None:
    quick, slow = Bench(), Bench()
    quick.run(0.06, 4.0, 2.0)
    slow.run(0.06, 180.0, 60.0)
    assert max(quick.duties) == 1.0
    assert S.pump_start_duty < max(slow.duties) < 0.5
    assert sum(d == 1.0 for d in quick.duties) == 1


def test_the_flow_is_ramped() -> None:
    bench = Bench()
    bench.run(0.06, 20.0, 2.0)
    assert bench.drive.ramped_kg_s < 0.06
    bench.run(0.06, 120.0, 2.0)
    assert bench.drive.ramped_kg_s == 0.06


def test_the_next_start_is_bumpless() -> None:
    bench = Bench(idle=0.3, start=0.4)
    bench.run(0.06, 900.0, 10.0)
    learnt = bench.drive.trim.integral
    bench.drive.rest(600.0)
    assert bench.drive.mode == OFF
    assert bench.drive.trim.integral == learnt > 0.1


def test_without_a_meter_the_curve_serves() -> None:
    drive = PumpDrive(S)
    for _ in range(200):
        duty = drive.drive(0.0631, nan, 20.0, 12.0, 10.0)
    assert duty == pytest.approx(PumpCurve(S).duty(0.0631, 12.0), abs=0.02)
    assert drive.flow_kg_s(nan, 12.0) == pytest.approx(0.0631, rel=0.2)


def test_no_flow_while_off_whatever_the_meter_says() -> None:
    assert PumpDrive(S).flow_kg_s(0.3, 12.0) == 0.0


def test_a_stuck_pump_is_tried_again_then_rests_longer_each_time() -> None:
    bench = Bench(stuck=True)
    bench.run(0.06, (TRIES + 2) * (NO_FLOW_S + 30.0), 10.0)
    assert bench.drive.locked and bench.drive.locked_s == FIRST_PAUSE_S
    assert max(bench.duties) == 1.0
    bench.drive.rest(FIRST_PAUSE_S)
    assert not bench.drive.locked
    bench.run(0.06, 2 * (NO_FLOW_S + 30.0), 10.0)  # two tries only, after a rest
    assert bench.drive.locked_s == 2.0 * FIRST_PAUSE_S <= LONGEST_PAUSE_S


def test_a_locked_pump_that_frost_drives_on_is_started_once_a_pulse() -> None:
    """Two hundred starts a day wear a motor: a line that only trickles had them."""
    bench = Bench(stuck=True)
    bench.run(0.06, (TRIES + 2) * (NO_FLOW_S + 30.0), 10.0)
    bench.duties.clear()
    bench.run(0.06, 600.0, 10.0)
    assert bench.drive.locked and 0.0 not in bench.duties[3:]
    assert bench.drive.tries == TRIES - 1.0


def test_a_stiff_pump_breaks_loose() -> None:
    assert Bench(start=0.7).run(0.0631, 1200.0, 10.0) == pytest.approx(0.0631, rel=0.05)


def test_a_dead_meter_does_not_stop_the_pump() -> None:
    """The water turns warm although the meter says nothing moves, not even in the kick."""
    bench = Bench(meter=False)
    bench.run(0.06, 60.0, 10.0)
    bench.supply_c = 50.0
    bench.run(0.06, 600.0, 10.0)
    assert bench.drive.dead_meter and not bench.drive.locked and bench.flow > 0.03
    assert bench.drive.flow_kg_s(0.0, 12.0) == pytest.approx(bench.flow, rel=0.2)
    bench.meter = True
    bench.run(0.06, 60.0, 10.0)
    assert not bench.drive.dead_meter


def test_the_kick_lasts_one_tick() -> None:
    drive = PumpDrive(S)
    drive.drive(0.06, 0.0, 20.0, 12.0, 1.0)
    assert drive.mode == KICK
    drive.drive(0.06, 0.3, 20.0, 12.0, 2.0)
    assert drive.mode == RUN and drive.duty < 1.0


# --- the loop


@pytest.mark.parametrize("ua", [100.0, 250.0, 600.0])
def test_flow_for_a_supply_inverts_the_coil(ua: float) -> None:
    flow = flow_for_supply_kg_s(38.0, 58.0, 18.0, ua)
    assert 18.0 + 40.0 * (1.0 - exp(-ua / (4186.0 * flow))) == pytest.approx(38.0)


def test_flow_for_a_supply_above_the_core_is_the_smallest() -> None:
    assert flow_for_supply_kg_s(38.0, 30.0, 18.0, 250.0) == flow_for_supply_kg_s(99.0, 18.0, 18.0, 250.0) > 0.0


def loop_step(loop: WaterLoop, may: bool, supply_c: float = 40.0, dt_s: float = 60.0, effort: float = 1.0) -> float:
    trembling_c = supply_c + 0.05 * (loop.on_s % (2.0 * dt_s) > 0.0)  # as a sound probe does
    return loop.flow_kg_s(may, effort, trembling_c, 20.0, 55.0, 55.0, dt_s, dt_s)


def test_the_loop_runs_while_it_may_and_keeps_least_times() -> None:
    loop = WaterLoop(S)
    assert loop_step(loop, False) == 0.0
    assert loop_step(loop, True) > 0.0
    assert loop_step(loop, False) > 0.0  # not yet long enough on
    for _ in range(int(LEAST_ON_S / 60.0)):
        loop_step(loop, False)
    assert not loop.running
    assert loop_step(loop, True) == 0.0  # not yet long enough off
    for _ in range(int(LEAST_OFF_S / 60.0)):
        loop_step(loop, False)
    assert loop_step(loop, True) > 0.0


def test_full_effort_is_the_target_flow() -> None:
    loop = WaterLoop(S)
    for _ in range(30):
        flow = loop_step(loop, True, supply_c=40.0)
    assert flow == pytest.approx(S.flow_target_kg_s)
    assert loop.limit == "flow"


def test_less_effort_is_less_flow_but_never_scalding() -> None:
    loop = WaterLoop(S)
    for _ in range(10):
        gentle = loop_step(loop, True, supply_c=40.0, effort=0.3)
    assert 0.0 < gentle < S.flow_target_kg_s
    for _ in range(60):
        hot = loop_step(loop, True, supply_c=S.supply_max_c + 2.0, effort=0.3)
        loop.hot.flows_s = 0.0
    assert hot > gentle


def test_water_that_stays_too_hot_stops_the_loop_for_an_hour() -> None:
    loop = WaterLoop(S)
    minutes = 0
    loop_step(loop, True, supply_c=60.0)
    while loop.running:
        loop_step(loop, True, supply_c=60.0)
        minutes += 1
    assert minutes == pytest.approx(TOO_HOT_LONGEST_S / 60.0, abs=1)
    assert loop.limit == "scald" and loop_step(loop, True) == 0.0
    loop.rest(900.0)
    assert loop_step(loop, True) > 0.0


def test_water_far_too_hot_stops_it_at_once() -> None:
    loop = WaterLoop(S)
    loop_step(loop, True)
    assert loop_step(loop, True, supply_c=S.supply_max_c + 25.0) == 0.0


def test_what_was_learnt_from_hot_water_does_not_overdraw_the_cool() -> None:
    loop = WaterLoop(S)
    for _ in range(60):
        loop_step(loop, True, supply_c=S.supply_max_c + 2.0, effort=0.3)
        loop.hot.flows_s = 0.0
    assert loop_step(loop, True, supply_c=S.supply_target_c - 1.0, effort=0.3) <= S.flow_target_kg_s


def test_a_missing_supply_probe_does_not_stop_the_loop() -> None:
    loop = WaterLoop(S)
    assert all(loop_step(loop, True, supply_c=nan) > 0.0 for _ in range(10))


# --- hot water of a day


@pytest.mark.parametrize("wanted_s", [120.0, 240.0, 86400.0])
def test_however_often_hot_water_is_wanted_it_flows_two_hours_a_day_at_most(wanted_s: float) -> None:
    """Three days with water at 60 degC whenever the pump turns, wanted for a while in every ten minutes."""
    loop, hot_s = WaterLoop(S), 0.0
    for k in range(3 * 8640):
        flow_kg_s = loop_step(loop, k * 10.0 % 600.0 < wanted_s, supply_c=60.0, dt_s=10.0)
        hot_s = hot_s + 10.0 if flow_kg_s > 0.0 else max(0.0, hot_s - 10.0 * 7200.0 / 86400.0)
        assert hot_s <= 7200.0
    assert hot_s > 3000.0


def test_after_much_hot_water_a_draw_is_faster_and_shorter() -> None:
    fresh, late = WaterLoop(S), WaterLoop(S)
    late.hot.day_s = 5000.0
    on_s, flows = [], []
    for loop in (fresh, late):
        flows.append(loop_step(loop, True, supply_c=55.0, dt_s=10.0))
        while loop_step(loop, False, supply_c=55.0, dt_s=10.0) > 0.0:
            pass
        on_s.append(loop.on_s)
    assert flows[1] > 2.0 * flows[0] and on_s[1] < 0.5 * on_s[0]
    assert late.hasty_kg_s(0.01, 40.0) == 0.01  # cool water is in no hurry
    assert late.hasty_kg_s(0.01, nan) == 0.01
    assert late.hasty_kg_s(1.0, 60.0) == 1.0
