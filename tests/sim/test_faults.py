"""The fault library: every fault bites and a dead one is found out; they combine and end in any order; stories are
covered."""

from __future__ import annotations

import random
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from rigs import mild, steady_weather

from controller import Commands
from controller.alarms import CODES
from sim import Plant
from sim import layout as at
from sim.faults import FAULTS, FaultyPlant, fault
from sim.faults.kinds import RUNS
from sim.faults.proof import proved
from sim.faults.stories import ELSEWHERE, STORIES
from sim.power import PUMP_SIDE, ChargeController
from sim.rules import AIR, HOUSE, PILE, PUSHED_AIR, PUSHED_WATER, WATER

ROOT = Path(__file__).parents[2]
PHYSICAL = sorted(name for name, kind in FAULTS.items() if kind.program == RUNS)
ALL_FITTED = {
    "pump_power.kind": "lithium", "fan_power.kind": "lithium", "pump_power.absorption": 14.2, "fan_power.absorption": 14.2,
    "sensors.fitted": (*mild().sensors.fitted, "greenhouse_co2"),
}  # fmt: skip


@cache
def ten_days_old() -> Plant:
    plant = Plant(mild().varied(ALL_FITTED), seed=1)
    plant.advance(10 * 86400.0)
    return plant


@pytest.mark.parametrize("name", PHYSICAL)
def test_every_fault_bites_mild_and_harsh(name):
    assert proved(FAULTS[name], 0.0, ten_days_old())
    assert proved(FAULTS[name], 1.0, ten_days_old())


@pytest.mark.parametrize("name", PHYSICAL)
def test_a_fault_that_does_nothing_is_found_out(name):
    idle = replace(FAULTS[name], alter=None, strike=None)
    assert not proved(idle, 1.0, ten_days_old())


def test_every_story_is_played_or_held_by_a_test_that_exists():
    played = {story for kind in FAULTS.values() for story in kind.stories}
    assert sorted(STORIES) == list(range(1, 43))
    assert played | set(ELSEWHERE) == set(STORIES)
    for story, (why, test) in ELSEWHERE.items():
        assert why.endswith(".") and (ROOT / test).is_file(), f"story {story}"


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_a_row_of_the_table_is_whole(name):
    kind = FAULTS[name]
    assert kind.names <= set(CODES)
    assert kind.names or kind.would_tell or "probe" in name or "silent" in name
    assert kind.takes <= {WATER, AIR, PILE, HOUSE, PUSHED_WATER, PUSHED_AIR}
    assert 0.0 < kind.shortest_h <= kind.longest_h
    assert kind.symptom.endswith(".") and kind.answer.endswith(".")
    assert kind.alter or kind.strike or kind.program != RUNS


def arrays(world: FaultyPlant) -> tuple[bytes, ...]:
    plant = world.plant
    return plant.params.tobytes(), plant.sensors.tobytes(), plant.table.tobytes()


@pytest.mark.parametrize("seed", range(6))
def test_faults_combine_and_end_in_any_order(seed):
    rng = random.Random(seed)
    world = FaultyPlant(ten_days_old().copy())
    before = arrays(world)
    names = rng.sample([n for n in PHYSICAL if n != "pile-spent"], 8)  # what is spent does not come back
    for name in names:
        world.begin(fault(name), rng.random())
        world.apply(Commands(0.5, 0.5))
        world.advance(400.0)
    assert arrays(world) != before
    rng.shuffle(names)
    for name in names:
        world.end(fault(name))
    assert arrays(world) == before and not world.taps and not any(world.wires.values()) and not world.lost


def test_without_a_fault_the_faulty_plant_is_the_plant_to_the_last_bit():
    bare, world = ten_days_old().copy(), FaultyPlant(ten_days_old().copy())
    for _ in range(50):
        assert repr(bare.measure()) == repr(world.measure())
        for plant in (bare, world):
            plant.apply(Commands(0.4, 0.3))
            plant.advance(60.0)
    assert bare.state.tobytes() == world.plant.state.tobytes()


def test_a_copy_goes_its_own_way():
    plant = ten_days_old().copy()
    twin = plant.copy()
    twin.apply(Commands(1.0, 1.0))
    twin.advance(3600.0)
    assert plant.truth.flow_kg_s == 0.0 and twin.truth.flow_kg_s > 0.0
    assert twin.time_s - plant.time_s == pytest.approx(3600.0)
    ChargeController(twin.flags, PUMP_SIDE).disconnect_all()
    assert plant.flags[at.G_LOAD_ON_PUMP] == 1.0


@pytest.mark.parametrize(
    "faults", [("house-probe-stuck", "house-probe-silent"), ("house-probe-silent", "house-probe-stuck")]
)
def test_a_silent_probe_is_silent_though_it_is_stuck_too(faults):
    world = FaultyPlant(ten_days_old().copy())
    for name in faults:
        world.begin(fault(name), 0.5)
    assert np.isnan(world.measure().greenhouse_c)


def test_a_stuck_probe_stays_stuck_when_another_fault_begins():
    world = FaultyPlant(ten_days_old().copy())
    world.begin(fault("house-probe-stuck"), 0.5)
    stuck_c = world.measure().greenhouse_c
    world.begin(fault("door-open"), 1.0)
    world.advance(7200.0)
    assert world.measure().greenhouse_c == stuck_c
    assert abs(world.truth.greenhouse_c - stuck_c) > 0.3
    world.end(fault("house-probe-stuck"))
    assert abs(np.mean([world.measure().greenhouse_c for _ in range(60)]) - stuck_c) > 0.2


def test_a_drift_grows_with_its_age():
    world = FaultyPlant(steady_weather(ten_days_old().copy(), out_c=5.0))
    world.begin(fault("outdoor-probe-drifts"), 1.0)  # 4 K a day
    world.advance(600.0)
    first = np.mean([world.measure().outdoor_c for _ in range(60)])
    for _ in range(48):
        world.advance(3600.0)
    later = np.mean([world.measure().outdoor_c for _ in range(60)])
    assert later - first == pytest.approx(8.0, abs=0.4)


def test_lithium_below_freezing_is_charged_only_without_its_board():
    charges = {}
    for name in ("pump-battery-cold", "pump-lithium-unguarded"):
        world = FaultyPlant(steady_weather(ten_days_old().copy(), out_c=-5.0, panel_w=50.0))
        world.plant.state[at.Y_CHARGE + PUMP_SIDE] *= 0.5
        world.begin(fault(name), 1.0)
        before = world.truth.pump_soc
        world.advance(7200.0)
        charges[name] = world.truth.pump_soc - before
    assert charges["pump-battery-cold"] < 0.0 < charges["pump-lithium-unguarded"]


def test_a_latched_controller_is_mended_by_the_right_order_of_hands():
    world = FaultyPlant(ten_days_old().copy())
    world.begin(fault("pump-controller-latched"), 1.0)
    world.apply(Commands(1.0, 0.0))
    world.advance(60.0)
    assert world.truth.flow_kg_s == 0.0
    world.end(fault("pump-controller-latched"))
    world.advance(60.0)
    assert world.truth.flow_kg_s > 0.0


def test_an_unknown_fault_costs_one_line():
    with pytest.raises(ValueError, match="did you mean pump-seized"):
        fault("pump-siezed")
