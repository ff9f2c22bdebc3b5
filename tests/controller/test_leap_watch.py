"""Which probes are watched for leaps, when, and what is believed then."""

from __future__ import annotations

import pytest
from helpers import SILENT, drawing_controller, reading

from controller.alarm_kinds import LEAPING
from controller.checks import SensorChecks
from controller.leap_watch import CORE, SETTLED_S, SUPPLY, LeapWatch

TICK_S = 60.0


class Pipe:
    """A watch fed through the sensors' checks."""

    def __init__(self) -> None:
        self.checks = SensorChecks()
        self.watch = LeapWatch(self.checks)
        self.now_s = 0.0

    def minutes(self, minutes: int, duty: float = 0.0, doubted: bool = False, **changes: float) -> LeapWatch:
        for _ in range(minutes):
            self.now_s += TICK_S
            self.checks.read(reading(self.now_s, **changes), self.now_s)
            self.watch.look(lambda _: doubted, duty, self.now_s, TICK_S)
        return self.watch


@pytest.mark.parametrize("name", LEAPING)
@pytest.mark.parametrize("by_k", [-5.0, 5.0])
def test_every_slow_probe_is_watched_and_only_the_risky_side_is_corrected(name: str, by_k: float) -> None:
    pipe, place = Pipe(), list(LEAPING).index(name)
    pipe.minutes(60, **{name: 50.0})
    watch = pipe.minutes(60, **{name: 50.0 + by_k})
    assert watch.leapt == 1 << place
    assert watch.leaps[place].off_k == pytest.approx(by_k, rel=0.01)
    assert watch.core_high_k == pytest.approx(max(by_k, 0.0) if place == CORE else 0.0, rel=0.01)
    assert watch.supply_low_k == pytest.approx(max(-by_k, 0.0) if place == SUPPLY else 0.0, rel=0.01)
    assert watch.supply_high_k == pytest.approx(max(by_k, 0.0) if place == SUPPLY else 0.0, rel=0.01)


def test_a_pump_that_starts_and_stops_is_no_leap() -> None:
    pipe = Pipe()
    pipe.minutes(60, water_supply_c=20.0)
    pipe.minutes(10, duty=0.5, water_supply_c=25.0)
    assert pipe.minutes(60, water_supply_c=25.0).supply_low_k == pipe.watch.leaps[SUPPLY].off_k == 0.0
    assert pipe.watch.stands_s == 3600.0 > SETTLED_S


def test_a_pump_that_ran_for_one_step_has_moved_the_water_too() -> None:
    pipe = Pipe()
    pipe.minutes(60, water_supply_c=20.0)
    pipe.minutes(1, duty=0.5, water_supply_c=20.0)
    assert pipe.minutes(60, water_supply_c=25.0).leaps[SUPPLY].off_k == 0.0


@pytest.mark.parametrize(("after_s", "looks"), [(289.0, False), (290.0, True)])
def test_pile_and_tank_are_looked_at_after_290_seconds(after_s: float, looks: bool) -> None:
    checks = SensorChecks()
    watch = LeapWatch(checks)
    for now_s in (100.0, 100.0 + after_s):
        checks.read(reading(now_s), now_s)
        watch.look(lambda _: False, 0.0, now_s, 100.0)
    assert (watch.slow_s == 100.0 + after_s) is looks


@pytest.mark.parametrize("by_k", [1.2, -1.2])
@pytest.mark.parametrize("flowing", [True, False])
def test_a_probe_that_is_off_by_the_least_leap_is_told(by_k: float, flowing: bool) -> None:
    pipe = Pipe()
    (pipe.watch.peak.leap if flowing else pipe.watch.leaps[SUPPLY]).off_k = by_k
    assert pipe.minutes(1, **SILENT).leapt == 1 << SUPPLY


def test_how_often_each_probe_is_looked_at() -> None:
    """Pipe every half minute, once it has stood for two minutes; pile and tank every five."""
    pipe = Pipe()
    pipe.watch.look(lambda _: False, 0.5, 0.0, 10.0)
    looked: dict[str, list[float]] = {name: [] for name in LEAPING}
    for k in range(1, 100):
        now_s = 10.0 * k
        pipe.checks.read(reading(now_s), now_s)
        pipe.watch.look(lambda _: False, 0.0, now_s, 10.0)
        for name, leap in zip(LEAPING, pipe.watch.leaps, strict=True):
            if leap.last_s == now_s:
                looked[name].append(now_s)
    assert looked["water_supply_c"] == [30.0 * k for k in range(4, 34)]
    assert looked["pile_core_c"] == looked["tank_c"] == [300.0, 600.0, 900.0]


def test_a_flickering_probe_proves_nothing_and_a_missing_one_is_nothing() -> None:
    pipe = Pipe()
    pipe.minutes(60, doubted=True, water_supply_c=20.0)
    assert pipe.minutes(60, doubted=True, water_supply_c=15.0).leaps[SUPPLY].off_k == 0.0
    assert pipe.minutes(60, **SILENT).leapt == 0.0


def test_a_core_that_leapt_up_is_lowered_and_a_supply_that_leapt_down_counts_as_hotter() -> None:
    controller, begin_s = drawing_controller()
    core_c = controller.pile.core_c
    for k in range(60):
        high = 6.0 if k >= 15 else 0.0
        d = controller.step(
            reading(begin_s + 300.0 * k, pile_core_c=62.0 + high, water_supply_c=40.0 - high, greenhouse_c=15.0)
        )
    assert d.commands.pump_duty == 0.0
    assert controller.pile.core_c == pytest.approx(core_c, abs=1.0)
    assert controller.leap.supply_low_k == pytest.approx(6.0, abs=0.2)
    assert controller.leap.leapt == (1 << CORE) + (1 << SUPPLY)  # both are told


@pytest.mark.parametrize(("by_k", "off_k"), [(-5.0, -5.0), (-1.1, 0.0), (-12.0, 0.0)], ids=["leap", "small", "too far"])
def test_a_reading_that_itself_starts_the_pump_is_seen_before_the_water_moves(by_k: float, off_k: float) -> None:
    """A supply that falls below freezing in one step makes a frost pulse at once."""
    pipe = Pipe()
    pipe.minutes(60, water_supply_c=2.0)
    for duty, supply_c in ((0.0, 2.0 + by_k), (0.5, 30.0)):
        pipe.now_s += 10.0
        pipe.checks.read(reading(pipe.now_s, water_supply_c=supply_c), pipe.now_s)
        pipe.watch.look(lambda _: False, duty, pipe.now_s, 10.0)
    assert pipe.watch.leaps[SUPPLY].off_k == pytest.approx(off_k)
    assert pipe.watch.supply_low_k == pytest.approx(-off_k)


def test_what_is_far_from_the_last_look_is_looked_at_only_where_the_water_has_settled() -> None:
    pipe = Pipe()
    pipe.minutes(1, duty=0.5, water_supply_c=40.0)
    pipe.minutes(1, water_supply_c=30.0)
    at_s = pipe.watch.look_s
    pipe.now_s += 10.0
    pipe.checks.read(reading(pipe.now_s, water_supply_c=20.0), pipe.now_s)
    pipe.watch.look(lambda _: False, 0.0, pipe.now_s, 10.0)
    assert pipe.watch.look_s == at_s
