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
from sim.quantities import Quantity
from sim.scenario import field_table

CLOSES_TO = 1e-6
DAY_S = 86400.0

duty = st.one_of(st.just(0.0), st.just(1.0), st.floats(0.0, 1.0))
stretch_s = st.one_of(st.floats(0.5, 90.0), st.floats(600.0, 2 * DAY_S))
visits = st.lists(st.tuples(duty, duty, stretch_s), min_size=3, max_size=12)


def block(rig: Plant, first: int) -> np.ndarray:
    return rig.state[first : first + at.SHELLS]


def assert_physical(rig: Plant, hottest_house_c: float = 70.0) -> None:
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
    assert -60.0 < truth.greenhouse_c < hottest_house_c and 0.0 <= truth.greenhouse_rh <= 1.0
    assert -60.0 < truth.supply_c < max(90.0, hottest_house_c)


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


def anything_allowed(rng: np.random.Generator) -> Scenario:
    """A scenario with many fields anywhere within their bounds, often at one of them; only proportions are kept sane."""
    names = [row for row in field_table() if row[4] and not row[0].startswith("sensors") and row[2] != "V"]
    changed = {}
    for table, name, unit, _, low, high, _ in names:
        if rng.random() < 0.5:
            least, most = Quantity(unit, low, high).bounds
            place = rng.choice([0.0, 1.0, rng.random()], p=[0.15, 0.15, 0.7])
            spread = least * (most / least) ** place if least > 0.0 else least + place * (most - least)
            changed[f"{table}.{name}"] = float(np.clip(spread, least, most))
    got = lambda name, default: changed.get(name, default)  # noqa: E731
    changed["pile.volume"] = min(got("pile.volume", 14.0), 99e3 / got("pile.bulk_density", 570.0))
    changed["pile.slow_fraction"] = min(got("pile.slow_fraction", 0.45), 1.0 - got("pile.fast_fraction", 0.13))
    for mover in ("pump", "fan"):
        changed[f"{mover}.run_duty"] = min(got(f"{mover}.run_duty", 0.1), got(f"{mover}.start_duty", 0.2))
    changed.pop("greenhouse.vent_max", None)
    changed["greenhouse.minimum"] = min(got("greenhouse.minimum", 7.0), got("greenhouse.ceiling", 24.0) - 1.0)
    floor_m2 = got("greenhouse.volume", 110.0) / rng.uniform(1.5, 4.0)
    changed["greenhouse.floor_area"] = float(np.clip(floor_m2, 1.0, 2000.0))
    changed["greenhouse.cover_area"] = changed["greenhouse.floor_area"] * rng.uniform(1.5, 2.5) + 2.0
    return mild().varied(changed)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 2**32 - 1), visits=visits)
def test_nothing_that_a_scenario_file_allows_breaks_the_physics(
    seed: int, visits: list[tuple[float, float, float]]
) -> None:
    rig = Plant(anything_allowed(np.random.default_rng(seed)), seed=seed)
    oven_c = 140.0  # glass all round and no vents to speak of are allowed
    assert_physical(rig, oven_c)
    for pump, fan, seconds in visits:
        rig.apply(Commands(pump, fan))
        rig.advance(seconds)
        assert_physical(rig, oven_c)
    # where next to nothing passes through, what counts is rounding of what is stored
    stores = {"heat": 1e10, "duct": 1.0, "water": 1e5, "vapour": 1e2, "oxygen": 1e2, "solids": 1e5}
    for label, balance in BALANCES.items():
        gap, through = balance(rig)
        assert abs(gap) < CLOSES_TO * through + 1e-12 * stores[label], label


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
