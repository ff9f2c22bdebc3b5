"""The check against the simulated plant and its library of faults: each that a check can see is named, nothing else is."""

from pathlib import Path

import pytest

from sim import Scenario
from sim.faults import FaultyPlant, fault
from warmheap.check_ask import Questions
from warmheap.check_found import OK, WRONG, Report
from warmheap.check_guards import CORE_K, Guards
from warmheap.check_kit import Kit
from warmheap.check_live import as_readings, everything, turn
from warmheap.check_sim import SimSenses
from warmheap.commission_sim import WarmSimPlant, warmed_up
from warmheap.heart import Heart

SCENARIO = Scenario.load(Path(__file__).parents[2] / "scenarios" / "mild-wet-winter.toml")
CHECKS = ("sensors", "pump", "bucket", "fan", "battery", "swap")


@pytest.fixture(scope="module")
def warm():
    """A plant with a hot pile, to be copied."""
    return warmed_up(SCENARIO, 1)


class FaultyBoard(WarmSimPlant):
    """A simulated plant as a check drives it, with one fault."""

    def __init__(self, warm, record):
        super(WarmSimPlant, self).__init__(SCENARIO, 1, record)
        self._plant = FaultyPlant(warm.copy())


def checked(warm, tmp_path, name=None, severity=1.0):
    """Findings by name, the kit, and the plant, after a check of a plant with this fault."""
    said = []
    report = Report(said.append)
    settings = SCENARIO.controller_settings()
    with FaultyBoard(warm, tmp_path / "outputs.bin") as plant:
        if name:
            plant._plant.begin(fault(name), severity)
        ask = Questions(None, said.append, SimSenses(plant), consents=True)
        kit = Kit(settings, None, dict, report, ask, said.append, Guards(settings))
        kit.readings = lambda: as_readings(kit.last)
        assert turn(kit, everything(kit, list(CHECKS)), plant, Heart(), simulated=True), said
        assert plant.duties() == {"pump": 0.0, "fan": 0.0}
    return {finding.name: finding for finding in report.findings}, kit, plant


def test_a_sound_plant_is_sound(warm, tmp_path):
    core_c = warm.truth.core_c
    found, kit, plant = checked(warm, tmp_path)
    assert not [f for f in found.values() if f.verdict == WRONG], found
    assert {found[name].verdict for name in ("pump", "fan", "fan direction", "fan battery", "supply/return")} == {OK}
    assert kit.guards.cooled_k < CORE_K and core_c - plant._plant.truth.core_c < CORE_K
    assert plant._plant.plant.time_s - warm.time_s < 30 * 60


FAULTS = {  # fault: where it is told, what is said, how it is mended
    "pump-seized": ("pump", "no water moves", "pump.pin"),
    "pump-lead-loose": ("pump", "no water moves", "fuse"),
    "pump-stuck-on": ("pump", "water moves although it is off", "pull the fuse"),
    "pump-inverted": ("pump", "water moves although it is off", "pull the fuse"),
    "air-lock": ("pump", "no water moves", "air"),
    "line-blocked": ("pump", "no water moves", "valves"),
    "supply-return-swapped": ("supply/return", "return probe", "swap water_supply and water_return"),
    "fan-seized": ("fan", "it does not turn", "fuse"),
    "fan-lead-loose": ("fan", "it does not turn", "wires"),
    "fan-stuck-on": ("fan", "it turns although it is off", "pull the fuse"),
    "pump-battery-flat": ("pump battery", "flat for lead-acid", "charge it"),
    "fan-battery-flat": ("fan battery", "flat for lead-acid", "charge it"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_named_with_its_mending(warm, tmp_path, name):
    where, seen, mend = FAULTS[name]
    found, _, _ = checked(warm, tmp_path, name)
    assert found[where].verdict == WRONG, {n: f.seen for n, f in found.items()}
    assert seen in found[where].seen and mend in found[where].mend
    assert [n for n, f in found.items() if f.verdict == WRONG] == [where]
