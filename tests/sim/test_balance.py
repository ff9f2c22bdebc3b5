"""Heat, water, oxygen and solids add up to rounding, and no state leaves its physical range, whatever is done."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rigs import SCENARIOS, mild

from controller.signals import Commands
from sim import Plant, Scenario
from sim import layout as at
from sim.balance import BALANCES, worst_imbalance
from sim.population import random_season

CLOSES_TO = 1e-6
DAY_S = 86400.0

duty = st.one_of(st.just(0.0), st.just(1.0), st.floats(0.0, 1.0))
stretch_s = st.one_of(st.floats(0.5, 90.0), st.floats(600.0, 2 * DAY_S))
visits = st.lists(st.tuples(duty, duty, stretch_s), min_size=3, max_size=12)


def block(rig: Plant, first: int) -> np.ndarray:
    return rig.state[first : first + at.SHELLS]


def assert_physical(rig: Plant) -> None:
    y, p = rig.state, rig.params
    assert np.isfinite(y).all() and np.isfinite(rig.flags).all() and np.isfinite(rig.ledger).all()
    assert (rig.shell_temperatures_c() > -60.0).all() and (rig.shell_temperatures_c() < 90.0).all()
    for first in (at.Y_WATER, at.Y_OXYGEN, at.Y_FAST, at.Y_SLOW):
        assert (block(rig, first) >= 0.0).all(), first
    assert (block(rig, at.Y_ACTIVE) > 0.0).all() and (block(rig, at.Y_ACTIVE) <= 1.0).all()
    air_kg = p[at.P_SHELL_VOLUME : at.P_SHELL_VOLUME + at.SHELLS]  # at most a pore a volume
    assert (block(rig, at.Y_OXYGEN) <= 0.2314 * air_kg).all()
    assert y[at.Y_VAPOUR] >= 0.0 and 3e-4 < y[at.Y_CO2] < 0.2
    for side in (0, 1):
        assert 0.0 <= y[at.Y_CHARGE + side] <= p[at.P_BAT_CAPACITY + side]
    truth = rig.truth
    assert -60.0 < truth.greenhouse_c < 70.0 and -60.0 < truth.supply_c < 90.0 and 0.0 <= truth.greenhouse_rh <= 1.0


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(number=st.integers(0, 10_000), visits=visits)
def test_everything_adds_up_on_any_plant_under_any_command(
    number: int, visits: list[tuple[float, float, float]]
) -> None:
    rig = Plant(random_season(mild(), number).built, seed=number)
    for pump, fan, seconds in visits:
        rig.apply(Commands(pump, fan))
        rig.advance(seconds)
        assert_physical(rig)
    assert worst_imbalance(rig)[1] < CLOSES_TO


@pytest.mark.parametrize("name", ["mild-wet-winter", "hard-northern-winter", "small-pile"])
def test_every_balance_closes_over_a_season(name: str) -> None:
    rig = Plant(Scenario.load(SCENARIOS / f"{name}.toml"), seed=1)
    for day in range(120):
        rig.apply(Commands(0.3 * (day % 3 == 0), 0.5 * (day % 7 == 0)))
        rig.advance(DAY_S)
    for label, balance in BALANCES.items():
        gap, through = balance(rig)
        assert abs(gap) < CLOSES_TO * max(through, 1.0), label
    assert rig.ledger[at.L_HEAT_WATER] > 1e8  # something did happen


def test_a_lost_joule_is_noticed() -> None:
    rig = Plant(mild(), seed=1)
    rig.advance(DAY_S)
    rig.state[at.Y_HEAT + 3] *= 1.001
    assert worst_imbalance(rig) == ("heat", pytest.approx(worst_imbalance(rig)[1]))
    assert worst_imbalance(rig)[1] > CLOSES_TO


def test_a_line_without_flow_freezes_blocks_and_thaws_and_still_adds_up() -> None:
    rig = Plant(mild().varied({"line.burial": 0.0, "place.temperature_shift": -20.0}), seed=1)
    rig.advance(20 * DAY_S)
    assert rig.truth.frozen == 1.0 and rig.truth.frozen_s > DAY_S
    rig.apply(Commands(1.0, 0.0))
    rig.advance(60.0)
    assert rig.truth.flow_kg_s == 0.0
    rig.table = rig.table.copy()
    rig.table[:, 0] += 35.0
    rig.advance(10 * DAY_S)
    assert rig.truth.frozen == 0.0
    assert worst_imbalance(rig)[1] < CLOSES_TO
