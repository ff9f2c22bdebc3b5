"""The kernel's every branch on a few minutes of simulated time; fast enough to run as plain Python too."""

from __future__ import annotations

import numpy as np
import pytest
from rigs import mild

from controller.signals import Commands
from sim import Plant
from sim import layout as at
from sim.balance import worst_imbalance
from sim.clairvoyant import GUESS, play
from sim.kernel import new_work
from sim.rhs import plant_rates_at

pytestmark = pytest.mark.pure


def warmed(temperature_c: float = 60.0) -> Plant:
    """The mild plant with a hot, well populated pile and a hot loop."""
    rig = Plant(mild(), seed=3)
    y, shells = rig.state, slice(at.Y_HEAT, at.Y_HEAT + at.SHELLS)
    y[shells] *= temperature_c / mild().pile.initial_temperature
    y[at.Y_ACTIVE : at.Y_ACTIVE + at.SHELLS] = 1.0
    y[at.Y_SKIN : at.Y_SKIN + at.SKINS] = rig.params[at.P_SKIN_CAPACITY] * temperature_c
    y[at.Y_DRUM] = rig.params[at.P_DRUM_CAPACITY] * temperature_c
    y[at.Y_RING : at.Y_RING + at.RING] = 4186.0 * temperature_c
    rig.first_state = y.copy()
    return rig


def test_a_drawn_pile_gives_heat_by_water_and_air_and_balances() -> None:
    rig = warmed()
    rig.apply(Commands(0.6, 1.0))
    rig.advance(300.0)
    truth = rig.truth
    assert truth.flow_kg_s > 0.1 and truth.fan_kg_s > 0.03
    assert truth.heat_water_j > 0.0 and truth.heat_air_j > 0.0 and truth.made_j > 0.0
    assert worst_imbalance(rig)[1] < 1e-7


def test_hot_wet_house_condenses_and_vents_and_still_balances() -> None:
    rig = warmed()
    rig.state[at.Y_AIR] += 26.0 * 1006.0 * rig.params[at.P_HOUSE_AIR_KG]
    rig.first_state = rig.state.copy()
    rig.apply(Commands(0.0, 1.0))
    rig.advance(240.0)
    assert rig.ledger[at.L_VAPOUR_CONDENSED] > 0.0
    assert worst_imbalance(rig)[1] < 1e-7


def test_ice_blocks_the_line_and_drained_water_leaves_a_soaked_pile() -> None:
    rig = warmed(20.0)
    rig.state[at.Y_RING + at.RING_RETURN : at.Y_RING + at.RING] = -0.5 * 3.336e5
    rig.state[at.Y_WATER : at.Y_WATER + at.SHELLS] *= 2.5
    rig.first_state = rig.state.copy()
    rig.apply(Commands(1.0, 0.0))
    rig.advance(120.0)
    assert rig.truth.flow_kg_s == 0.0 and rig.truth.frozen_s == 120.0
    assert rig.ledger[at.L_WATER_LEACH] > 0.0
    assert worst_imbalance(rig)[1] < 1e-7


def test_overheated_pile_loses_its_microbes_and_a_flat_battery_its_load() -> None:
    rig = warmed(70.0)
    rig.state[at.Y_CHARGE] = 0.0
    rig.apply(Commands(1.0, 0.0))
    rig.advance(180.0)
    assert rig.state[at.Y_ACTIVE + 2] < 1.0
    assert rig.truth.outage_s > 0.0


def test_right_hand_side_agrees_with_a_short_step() -> None:
    rig = warmed()
    rig.apply(Commands(0.6, 1.0))
    rig.advance(60.0)
    p, flags = rig.params, rig.flags
    before, rates = rig.state.copy(), np.zeros(at.Y_SIZE)
    now_s = rig._table_start_s + 60.0
    plant_rates_at(now_s + 0.5, before, p, rig.table, flags[at.G_PUMP_SPEED], flags[at.G_FAN_SPEED], new_work(), rates)
    rig.advance(1.0)
    for first in (at.Y_HEAT, at.Y_WATER, at.Y_SLOW):
        block = slice(first, first + at.SHELLS)
        got, want = rig.state[block] - before[block], rates[block]
        assert got == pytest.approx(want, rel=0.02, abs=2e-3 * np.abs(want).max())


def test_clairvoyant_law_and_sensors_run_for_an_hour() -> None:
    law = np.array(GUESS)
    law[6], law[7] = 20.0, 0.5
    assert play(mild(), law, 1.0 / 24.0, seed=1).cold_hours == 0.0
    rig = warmed()
    rig.advance(1800.0)
    reading = rig.measure()
    assert reading.pile_core_c == pytest.approx(60.0, abs=2.5)
    assert reading.pile_o2 != reading.pile_o2  # not fitted
