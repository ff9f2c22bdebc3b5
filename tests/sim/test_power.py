"""Load cut-off, latched charge controllers and motors."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from rigs import plant

from sim import layout as at
from sim.power import FAN_SIDE, PUMP_SIDE, ChargeController, motor_speed, supply_step

SIDES = pytest.mark.parametrize("side", [PUMP_SIDE, FAN_SIDE])


def step(
    rig, side: int, charge: float | None = None, panel_w: float = 0.0, load_w: float = 0.0, hours: float = 1 / 60
) -> None:
    if charge is not None:
        rig.state[at.Y_CHARGE + side] = charge * rig.params[at.P_BAT_CAPACITY + side]
    for _ in range(round(60 * hours)):
        supply_step(rig.state, rig.params, side, panel_w, load_w, 25.0, 60.0, rig.flags, rig.ledger)


def load_on(rig, side: int) -> bool:
    return bool(rig.flags[at.G_LOAD_ON_PUMP + side] > 0.5)


@pytest.mark.pure
@SIDES
def test_load_goes_at_the_lower_voltage_and_comes_back_at_the_upper(side: int) -> None:
    # 11.5 and 12.6 V: default of a charge controller's manual (read)
    rig = plant()
    states = []
    for charge in (0.60, 0.20, 0.14, 0.20, 0.60, 0.90, 0.98, 0.60, 0.20):
        step(rig, side, charge)
        states.append((round(float(rig.flags[at.G_VOLTS_PUMP + side]), 2), load_on(rig, side)))
    volts, on = zip(*states, strict=True)
    assert on == (True, True, False, False, False, False, True, True, True)
    assert volts[1] > 11.5 > volts[2] and volts[5] < 12.6 < volts[6]


@pytest.mark.pure
@SIDES
def test_a_load_cut_off_draws_nothing(side: int) -> None:
    rig = plant()
    step(rig, side, 0.10)
    assert not load_on(rig, side)
    before = rig.state[at.Y_CHARGE + side]
    step(rig, side, load_w=500.0)
    standby_as = 0.5 / 11.3 * 60.0
    assert before - rig.state[at.Y_CHARGE + side] == pytest.approx(standby_as, rel=0.1)


@SIDES
def test_voltage_breaking_down_under_load_latches_the_controller(side: int) -> None:
    rig = plant({"pump_power.resistance": "0.5 ohm", "fan_power.resistance": "0.5 ohm"})
    controller = rig.supplies[side]
    step(rig, side, 0.3, load_w=80.0)
    assert rig.flags[at.G_VOLTS_PUMP + side] < 9.5
    assert controller.latched and not load_on(rig, side)
    assert not rig.supplies[1 - side].latched  # the other system knows nothing of it


@SIDES
def test_a_latched_controller_neither_charges_nor_feeds(side: int) -> None:
    rig = plant()
    rig.flags[at.G_LATCHED_PUMP + side] = 1.0
    start = rig.state[at.Y_CHARGE + side]
    panel_j = rig.ledger[at.L_PANEL_J]
    step(rig, side, panel_w=100.0, load_w=60.0, hours=5.0)
    lost_as = start - rig.state[at.Y_CHARGE + side]
    assert 0.0 < lost_as < 1.2 * (0.5 / 12.0 + 0.9 * 100.0 * 0.03 / 720.0) * 5 * 3600.0  # standby and self-discharge
    assert rig.ledger[at.L_PANEL_J] == panel_j
    # time does not heal it, nor does a full battery
    step(rig, side, 1.0, panel_w=100.0, hours=24.0)
    assert rig.supplies[side].latched


@pytest.mark.pure
@SIDES
@pytest.mark.parametrize("order", list(permutations(("battery", "panel", "load"))))
def test_only_battery_then_panel_then_load_brings_it_back(side: int, order: tuple[str, ...]) -> None:
    # common practice, no source
    rig = plant()
    rig.flags[at.G_LATCHED_PUMP + side] = 1.0
    controller = rig.supplies[side]
    controller.disconnect_all()
    for part in order:
        assert controller.latched
        controller.connect(part)
    right = order == ("battery", "panel", "load")
    assert controller.latched is not right
    assert load_on(rig, side) is right


def test_a_wrong_order_must_be_undone_before_the_right_one_counts() -> None:
    rig = plant()
    rig.flags[at.G_LATCHED_PUMP] = 1.0
    controller = rig.supplies[PUMP_SIDE]
    for part in ("load", "battery", "panel", "load"):
        controller.connect(part)
    assert controller.latched
    controller.disconnect_all()
    for part in ChargeController.ORDER:
        controller.connect(part)
    assert not controller.latched


def test_reconnecting_with_everything_still_on_changes_nothing() -> None:
    rig = plant()
    rig.flags[at.G_LATCHED_PUMP] = 1.0
    for part in ChargeController.ORDER:
        rig.supplies[PUMP_SIDE].connect(part)
    assert rig.supplies[PUMP_SIDE].latched


def test_an_unknown_part_is_named() -> None:
    with pytest.raises(ValueError, match="part = 'fuse': must be one of battery, panel, load"):
        plant().supplies[0].connect("fuse")


def test_a_latched_pump_supply_stops_the_pump_and_counts_as_outage() -> None:
    rig = plant()
    rig._pump_duty = rig._fan_duty = 1.0
    rig.advance(600.0)
    assert rig.truth.flow_kg_s > 0.1 and rig.truth.fan_kg_s > 0.01 and rig.truth.outage_s == 0.0
    rig.flags[at.G_LATCHED_PUMP] = 1.0
    rig.advance(600.0)
    assert rig.truth.flow_kg_s == 0.0 and rig.truth.fan_kg_s > 0.01
    assert rig.truth.outage_s == pytest.approx(600.0)


@pytest.mark.pure
def test_a_motor_needs_more_to_start_than_to_go_on() -> None:
    # brushed motors: no rotation below some 10 % duty, more to start than to run (read)
    assert motor_speed(0.20, 12.0, False, 0.25, 0.17) == (0.0, False)
    speed, running = motor_speed(0.20, 12.0, True, 0.25, 0.17)
    assert running and 0.0 < speed < 0.2
    assert motor_speed(0.16, 12.0, True, 0.25, 0.17) == (0.0, False)
    assert motor_speed(0.26, 12.0, False, 0.25, 0.17)[1]
    assert motor_speed(0.26, 11.0, False, 0.25, 0.17) == (0.0, False)  # a low battery cannot start it
    assert motor_speed(1.0, 12.0, True, 0.25, 0.17)[0] == pytest.approx(1.0)
    assert motor_speed(1.0, 30.0, True, 0.25, 0.17)[0] == 1.5


def test_speed_rises_with_duty_and_voltage() -> None:
    by_duty = [motor_speed(d, 12.0, True, 0.25, 0.17)[0] for d in np.linspace(0.17, 1.0, 50)]
    by_volts = [motor_speed(0.5, v, True, 0.25, 0.17)[0] for v in np.linspace(10.0, 15.0, 20)]
    assert (np.diff(by_duty) > 0.0).all() and (np.diff(by_volts) > 0.0).all()


def test_charge_is_what_came_less_what_went() -> None:
    # over a day of the real panel and load: change of charge = currents in and out, integrated here from the voltages
    rig = plant({"pump_power.initial_charge": 0.6})
    rig._pump_duty = 0.4
    rig.flags[at.G_PUMP_RUNS] = 1.0
    start = rig.state[at.Y_CHARGE]
    rig.advance(6 * 3600.0)
    watts = rig.truth.pump_j / (6 * 3600.0) + rig.scenario.pump_power.standby
    assert (start - rig.state[at.Y_CHARGE]) / 3600.0 == pytest.approx(6.0 * watts / 12.1, rel=0.03)
