"""The plant behind the contract: reproducible, indifferent to how time is cut up, strict about what it is told."""

from __future__ import annotations

import dataclasses
import math

import pytest
from rigs import mild, plant

from controller.signals import Commands, Measurements
from sim import Plant, run_season
from sim.policies import make_policy

HOUR_S = 3600.0


def readings(rig: Plant) -> dict[str, float]:
    return dataclasses.asdict(rig.measure())


def drive(rig: Plant, tick_s: float, hours: float = 12.0) -> Plant:
    rig.apply(Commands(0.4, 0.3))
    for _ in range(round(hours * HOUR_S / tick_s)):
        rig.advance(tick_s)
    return rig


def test_same_seed_gives_the_same_bits() -> None:
    one, two = (drive(plant(seed=7), 60.0) for _ in range(2))
    assert repr(readings(one)) == repr(readings(two))
    assert (one.state == two.state).all() and (one.ledger == two.ledger).all()


def test_other_seed_other_noise_same_physics() -> None:
    one, two = (drive(plant(seed=s), 60.0) for s in (7, 8))
    assert repr(readings(one)) != repr(readings(two))
    assert (one.state == two.state).all()


@pytest.mark.parametrize("tick_s", [5.0, 20.0, 45.0, 3600.0])
def test_how_time_is_cut_up_hardly_matters(tick_s: float) -> None:
    fine, coarse = drive(plant(), 60.0), drive(plant(), tick_s)
    assert coarse.truth.core_c == pytest.approx(fine.truth.core_c, abs=0.02)
    assert coarse.truth.heat_water_j == pytest.approx(fine.truth.heat_water_j, rel=0.005)


def test_halving_the_step_moves_the_heat_of_a_season_by_less_than_half_a_percent() -> None:
    heats = []
    for tick_s in (60.0, 30.0):
        result = run_season(mild(), make_policy("thermostat", mild()), days=30, seed=1, tick_s=tick_s)
        heats.append(result.summary()["heat_made_kwh"])
    assert heats[1] == pytest.approx(heats[0], rel=0.005)


def test_a_sensor_that_is_not_fitted_never_reads() -> None:
    rig = plant({"sensors.fitted": ("pile_core_c", "water_supply_c")})
    seen = readings(drive(rig, 60.0))
    fitted = {name for name, value in seen.items() if not math.isnan(value)}
    assert fitted == {"time_s", "pile_core_c", "water_supply_c"}


def test_time_is_an_epoch_that_never_jumps() -> None:
    rig = plant()
    began = rig.measure().time_s
    rig.advance(90.0)
    assert rig.measure().time_s == began + 90.0
    assert began > 9e8


def test_probe_lags_behind_and_then_arrives() -> None:
    rig = plant({"sensors.seed_offset": False, "sensors.pile_temperature.offset": 0.0})
    rig._lagged[0] = 5.0  # just put back into the pile
    truth_c = rig.true_reading("pile_core_c")
    rig.advance(60.0)
    soon = rig._lagged[0]
    rig.advance(1800.0)
    assert 5.0 < soon < truth_c - 10.0
    assert rig.measure().pile_core_c == pytest.approx(truth_c, abs=0.6)


def test_lag_is_that_of_a_first_order_probe() -> None:
    rig = plant({"sensors.pile_temperature.lag": "300 s"})
    before_c, truth_c = 5.0, rig.true_reading("pile_core_c")
    rig._lagged[0] = before_c
    rig.advance(300.0)
    assert (rig._lagged[0] - before_c) / (truth_c - before_c) == pytest.approx(1.0 - math.exp(-1.0), abs=0.003)


def test_dropouts_and_false_codes_come_at_their_rate() -> None:
    changes = {"sensors.pile_temperature.dropout": 0.2, "sensors.pile_temperature.glitch": 0.1}
    rig = plant(changes)
    seen = [rig.measure().pile_core_c for _ in range(4000)]
    assert sum(math.isnan(v) for v in seen) / 4000 == pytest.approx(0.2, abs=0.03)
    assert sum(v == 85.0 for v in seen) / 4000 == pytest.approx(0.1, abs=0.02)


@pytest.mark.parametrize("commands", [Commands(1.1, 0.0), Commands(0.0, -0.1), Commands(math.nan, 0.0)])
def test_an_impossible_duty_is_refused_by_name(commands: Commands) -> None:
    rig = plant()
    with pytest.raises(ValueError, match="_duty = .*must be 0..1"):
        rig.apply(commands)


@pytest.mark.parametrize("dt_s", [0.0, -1.0, math.nan, math.inf, 1e9])
def test_an_impossible_step_is_refused(dt_s: float) -> None:
    rig = plant()
    with pytest.raises(ValueError, match="dt_s"):
        rig.advance(dt_s)


def test_measurements_are_the_controllers_own() -> None:
    assert isinstance(plant().measure(), Measurements)
