"""What the slow watch makes of its detectors: which alarm at which threshold, what it blanks, when it looks."""

from __future__ import annotations

from math import isnan, nan
from typing import Any

import pytest
from helpers import CALM, DRAWING, START_S, reading

from controller import Controller
from controller.air_test import DRY, PULSING, REST_S, SPENT, WAITING
from controller.alarm_kinds_slow import ON_ONE_WIRE, SILENT, SLOW_KINDS
from controller.checks import Readings
from controller.fan import AirNeeds
from controller.phases import DRAINED, HARVEST, HOLD_OFF, REST, WINDING_DOWN
from controller.pump import RUN
from controller.slow_watch import SlowWatch, warmest_air_c

CODES = tuple(kind.code for kind in SLOW_KINDS)


class Stand:
    """A harvesting controller that is looked into: readings, and one look of the slow watch."""

    def __init__(self, phase: str = HARVEST, **changes: float) -> None:
        self.c = Controller(DRAWING)
        self.c.phase = phase
        self.r: Readings = self.c.checks.read(reading(START_S, **changes), 0.0)
        self.v = self.c._view
        self.v.core_c = self.r.pile_core_c
        self.c.fan.look(self.r)
        self.slow: SlowWatch = self.c.slow

    def look(self, elapsed_s: float = 0.0, due: bool = True) -> set[str]:
        """One look, a review if ``due``; the codes found."""
        self.c.clock.elapsed_s = elapsed_s
        if due:
            self.slow.wait_s = 600.0 - elapsed_s
        self.slow.look(self.c, self.r, self.v)
        return {code for code, so in zip(CODES, self.slow.found, strict=True) if so}


def test_a_calm_plant_shows_nothing() -> None:
    assert Stand().look() == set()


@pytest.mark.parametrize(
    ("changes", "phase", "code", "so"),
    [
        ({"pile_edge_c": 82.0}, HARVEST, "core-edge", False),
        ({"pile_edge_c": 82.5}, HARVEST, "core-edge", True),
        ({"pile_edge_c": 82.5}, HOLD_OFF, "core-edge", False),
        ({"outdoor_c": 12.0}, HARVEST, "house-outdoor", False),
        ({"outdoor_c": 12.5}, HARVEST, "house-outdoor", True),
    ],
)
def test_probes_that_contradict_each_other(changes: dict[str, float], phase: str, code: str, so: bool) -> None:
    assert (code in Stand(phase, **changes).look()) is so


@pytest.mark.parametrize(
    ("trend", "share", "code", "so"),
    [
        ("flow_trend", 0.85, "flow-low", False),
        ("flow_trend", 0.84, "flow-low", True),
        ("flow_trend", 1.25, "flow-high", False),
        ("flow_trend", 1.26, "flow-high", True),
        ("fan_trend", 0.85, "fan-changed", False),
        ("fan_trend", 0.84, "fan-changed", True),
        ("fan_trend", 1.15, "fan-changed", False),
        ("fan_trend", 1.16, "fan-changed", True),
    ],
)
def test_outputs_that_changed(trend: str, share: float, code: str, so: bool) -> None:
    stand = Stand()
    watched = getattr(stand.slow, trend)
    watched.share = share
    assert stand.look() == set()  # too few samples
    watched.samples = 100.0
    assert stand.look() == ({code} if so else set())


@pytest.mark.parametrize(("share", "so"), [(0.1, False), (0.09, True), (nan, False)])
def test_no_pile_air(share: float, so: bool) -> None:
    stand = Stand()
    stand.slow.air_share = share
    assert stand.look() == ({"no-pile-air"} if so else set())


@pytest.mark.parametrize(
    ("pump", "fan", "codes"),
    [
        (True, False, {"pump-battery-falling"}),
        (False, True, {"fan-battery-falling"}),
        (True, True, {"panels-dark"}),
    ],
)
def test_dawns_that_fall_on_one_side_or_both(pump: bool, fan: bool, codes: set[str]) -> None:
    stand = Stand()
    stand.slow.pump_dawn.falling, stand.slow.fan_dawn.falling = pump, fan
    assert stand.look() == codes


def test_the_dawns_are_of_the_right_batteries() -> None:
    stand = Stand()
    stand.c.pump_battery.volts, stand.c.fan_battery.volts = 12.1, 12.4
    stand.slow.pump_dawn.day_s = stand.slow.fan_dawn.day_s = 86000.0
    stand.look(600.0)
    assert (stand.slow.pump_dawn_v, stand.slow.fan_dawn_v) == (12.1, 12.4)


def test_an_open_and_a_wet_house() -> None:
    stand = Stand(greenhouse_c=5.5)
    stand.slow.house.lowest_k, stand.slow.house.above_k = [10.0] * 7, 0.5
    assert stand.look(600.0) == set() and stand.look(600.0) == set()
    assert stand.look(600.0) == {"house-open"} and stand.slow.house_above_k == pytest.approx(0.5)
    stand = Stand(greenhouse_rh=0.95)
    stand.slow.house.wet_before_s = 24 * 3600.0
    stand.slow.house.wet_s, stand.slow.house.day_s = 20 * 3600.0, 86400.0 - 600.0
    assert stand.look(600.0) == {"house-wet"} and stand.slow.wet_hours == pytest.approx(44.0 + 1.0 / 6.0)


@pytest.mark.parametrize(("fan_s", "codes"), [(0.0, {"edge-cools"}), (9000.0, {"air-shortcut"})])
def test_an_edge_that_cools_is_the_fans_doing_or_not(fan_s: float, codes: set[str]) -> None:
    stand = Stand(pile_edge_c=45.0)
    stand.slow.edge.edges_c, stand.slow.edge.cores_c, stand.slow.edge.fan_s = [60.0] * 24, [62.0] * 24, fan_s
    assert stand.look() == codes and stand.slow.edge_fall_k == 15.0


def test_the_edge_watch_hears_of_the_fan() -> None:
    stand = Stand()
    stand.slow.fan_duty = stand.c.fan.duty = 0.5
    stand.look(600.0)
    assert stand.slow.edge.fan_s == 600.0
    stand.slow.fan_duty = stand.c.fan.duty = 0.0
    stand.look(600.0)
    assert stand.slow.edge.fan_s < 600.0


@pytest.mark.parametrize(
    ("phase", "verdict", "oxygen_s", "codes"),
    [
        (REST, DRY, 0.0, {"pile-dry"}),
        (REST, SPENT, 0.0, set()),  # only a pile given up is called spent
        (WINDING_DOWN, SPENT, 0.0, {"pile-spent"}),
        (WINDING_DOWN, DRY, 0.0, {"pile-dry"}),
        (REST, "", 90000.0, {"pile-airless"}),
        (HOLD_OFF, "", 90000.0, set()),  # a young pile uses all oxygen up
        (HARVEST, SPENT, 0.0, set()),  # drawn again: recovered
    ],
)
def test_what_the_air_test_found(phase: str, verdict: str, oxygen_s: float, codes: set[str]) -> None:
    stand = Stand(phase)
    stand.c.in_phase_s = 100.0
    stand.slow.air_test.verdict, stand.slow.air_test.oxygen_s = verdict, oxygen_s
    stand.c.pile.probe_c = 30.0  # too near to its floor for another one
    assert stand.look() == codes


def test_water_that_moves_without_a_pump() -> None:
    stand = Stand()
    stand.slow.idle.warm = True
    assert stand.look() == {"thermosiphon"}
    stand.slow.idle.runs_on = True
    assert stand.look() == {"pump-runs-on"}


@pytest.mark.parametrize("noisy", [False, True])
def test_a_siphon_is_told_by_the_return_in_half_an_hour_unless_its_probe_leaps_to_and_fro(noisy: bool) -> None:
    stand = Stand(water_flow_kg_s=0.05, water_return_c=20.0)
    stand.slow.screen(stand.r, stand.c.checks, 0.0)
    stand.c.noise.back.calm_s = 0.0 if noisy else stand.c.noise.back.calm_s
    stand.look(600.0)
    assert stand.slow.idle.off_s < 3600.0
    stand.r.water_return_c = 40.0
    assert ("thermosiphon" in stand.look(600.0)) is not noisy


@pytest.mark.parametrize("swapped", [False, True])
def test_probes_in_each_others_place_do_not_hide_a_siphon(swapped: bool) -> None:
    """What the other probe shows is then the water that comes back."""
    stand = Stand(water_flow_kg_s=0.05, water_supply_c=20.0, water_return_c=20.0)
    stand.c.swap.wrong_s = 600.0 if swapped else 0.0
    stand.slow.screen(stand.r, stand.c.checks, 0.0)
    stand.look(600.0)
    stand.r.water_supply_c = 40.0
    assert ("thermosiphon" in stand.look(600.0)) is swapped


def test_the_standing_water_is_looked_at_once_the_meter_has_come_to_rest() -> None:
    stand = Stand(water_flow_kg_s=0.05)
    stand.slow.screen(stand.r, stand.c.checks, 0.0)
    stand.look(15.0)
    assert stand.slow.idle.off_s == 0.0
    stand.look(600.0)
    assert stand.slow.idle.off_s == 600.0 and stand.slow.idle.flow_s == 600.0
    assert stand.slow.idle_l_min == 3.0
    stand.slow.idle.pump_ran()
    stand.slow.off_s = 0.0
    stand.look(20.0)
    assert stand.slow.idle.off_s == 20.0  # only the time since the pump stopped


@pytest.mark.parametrize(
    ("outdoor_c", "locked_s", "phase", "so"),
    [
        (-4.0, 100.0, HARVEST, True),
        (-4.0, 0.0, HARVEST, False),
        (5.0, 100.0, HARVEST, False),
        (-4.0, 100.0, DRAINED, False),
    ],
)
def test_a_locked_pump_in_frost_means_ice(outdoor_c: float, locked_s: float, phase: str, so: bool) -> None:
    stand = Stand(phase, outdoor_c=outdoor_c)
    stand.c.pump.locked_s = locked_s
    assert ("line-frozen" in stand.look()) is so


def test_a_pump_without_supply_is_no_ice() -> None:
    stand = Stand(outdoor_c=-4.0)
    stand.c.pump.locked_s = 100.0
    health = stand.c.pump_health
    health.starts, health.usual_share, health.sag_share = 50.0, 1.0, 0.0
    assert health.verdict(False, True) == "latched"
    assert "line-frozen" not in stand.look()


@pytest.mark.parametrize("row", SILENT, ids=lambda row: row[1])
def test_each_silence_has_its_alarm(row: tuple[str, ...]) -> None:
    stand = Stand(pile_o2=0.18)
    stand.c.checks._by_name[row[0]].value = nan
    assert stand.look() == {row[1]}


@pytest.mark.parametrize(("silent", "together"), [(2, False), (3, True), (7, True)])
def test_three_probes_on_one_wire_fell_silent_together(silent: int, together: bool) -> None:
    stand = Stand()
    for name in ON_ONE_WIRE[:silent]:
        stand.c.checks._by_name[name].value = nan
    found = stand.look()
    assert ("probes-wire" in found) is together and "all-silent" not in found


@pytest.mark.parametrize(("fitted", "nothing"), [(2, False), (3, True)])
def test_nothing_reads_at_all(fitted: int, nothing: bool) -> None:
    c = Controller(DRAWING)
    for sensor in c.checks.sensors[:fitted]:
        sensor.fitted = True
    assert (c.slow._silent(c)[len(SILENT)]) is nothing
    c.checks.sensors[0].value = 60.0
    assert c.slow._silent(c)[len(SILENT)] is False


def test_a_pulled_probe_is_found_and_blanked_and_a_lying_meter_too() -> None:
    stand = Stand(water_flow_kg_s=0.05)
    stand.slow.pulled.pulled, stand.slow.pulled.to_c = True, 12.0
    stand.slow.idle.lies = True
    stand.r.pile_core_c = 12.0
    stand.slow.screen(stand.r, stand.c.checks, 60.0)
    assert isnan(stand.r.pile_core_c) and isnan(stand.r.water_flow_kg_s) and stand.slow.metered_kg_s == 0.05
    assert stand.look() == {"core-pulled"} and stand.slow.pulled_to_c == 12.0


def test_a_pulled_probe_comes_back_against_the_warmest_air() -> None:
    stand = Stand(greenhouse_c=20.0)
    stand.slow.pulled.pulled = True
    for core_c, back in ((34.0, False), (36.0, True)):
        stand.slow.pulled.back_s = 2.9 * 3600.0
        stand.r.pile_core_c = core_c
        stand.slow.screen(stand.r, stand.c.checks, 600.0)
        assert stand.slow.pulled.pulled is not back


def test_a_flickering_probe_is_named_and_not_called_pulled() -> None:
    stand = Stand()
    stand.c.checks._by_name["pile_core_c"].rejects = 5.0
    stand.slow.steps = 9.0
    assert stand.look(600.0) == {"sensor-flickers"} and stand.slow.flicker == 1.0
    stand.slow.pulled.mean_c = 60.0
    for _ in range(20):
        stand.r.pile_core_c = 20.0
        stand.slow.screen(stand.r, stand.c.checks, 60.0)
    assert not stand.slow.pulled.pulled


@pytest.mark.parametrize(
    ("house_c", "outdoor_c", "warmest_c"),
    [(6.0, 2.0, 6.0), (6.0, 9.0, 9.0), (nan, 2.0, 2.0), (6.0, nan, 6.0), (nan, nan, 20.0)],
)
def test_the_warmest_air(house_c: float, outdoor_c: float, warmest_c: float) -> None:
    assert warmest_air_c(Stand(greenhouse_c=house_c, outdoor_c=outdoor_c).r) == warmest_c


@pytest.mark.parametrize(
    ("changes", "pump_duty", "doubted"),
    [
        ({}, 0.0, False),
        ({"water_supply_c": 0.5}, 0.0, True),
        ({"water_return_c": 0.5}, 0.0, True),
        ({"water_supply_c": 1.0}, 0.0, False),
        ({"water_return_c": 1.0}, 0.0, False),
        ({"water_supply_c": 0.5}, 0.4, False),  # moving water may come from anywhere
        ({"water_supply_c": 0.5, "outdoor_c": 1.0}, 0.0, True),
        ({"water_supply_c": 0.5, "outdoor_c": 0.5}, 0.0, False),
        ({"outdoor_c": 12.5}, 0.0, True),
        ({"outdoor_c": 12.0}, 0.0, False),
    ],
)
def test_an_outdoor_probe_that_cannot_be_right(changes: dict[str, float], pump_duty: float, doubted: bool) -> None:
    stand = Stand(**changes)
    stand.c.pump.duty = stand.slow.pump_duty = pump_duty
    stand.look()
    assert stand.slow.outdoor_doubted is doubted
    assert isnan(stand.c.frost_outdoor_c(stand.r)) is doubted


# --- the fan


def needs(**changes: Any) -> AirNeeds:
    return AirNeeds(**({"need": 1.0, "drawing": True, "working": True, "spare": True, "core_c": 60.0,
                        "pile_o2": nan} | changes))  # fmt: skip


def full_credit(stand: Stand) -> Stand:
    stand.c.fan.credit_s = 400.0
    return stand


def test_a_pulse_of_the_air_test_outranks_the_fans_own_wish_but_not_foul_air() -> None:
    stand = Stand(REST)
    stand.slow.air_test.state = PULSING
    assert stand.slow.fan_duty_for(stand.c.fan, needs(need=0.0, spare=False), 60.0) == 0.35
    stand.slow.wait_s = 60.0  # the pulse is over
    assert stand.slow.fan_duty_for(stand.c.fan, needs(need=0.0, spare=False), 60.0) == 0.0
    stand.slow.wait_s = 0.0
    stand.r.greenhouse_rh = 0.99
    stand.c.fan.look(stand.r)
    assert stand.slow.fan_duty_for(stand.c.fan, needs(need=0.0, spare=False), 60.0) == 0.0


def test_no_harvest_by_air_that_cools_the_edge_and_none_at_all_through_a_dry_pile() -> None:
    assert full_credit(Stand()).slow.fan_duty_for(full_credit(Stand()).c.fan, needs(), 60.0) > 0.0
    stand = full_credit(Stand())
    stand.slow.edge.edge_fall_k, stand.slow.edge.fan_s = 15.0, 9000.0
    wish = needs()
    assert stand.slow.fan_duty_for(stand.c.fan, wish, 60.0) == 0.0 and not wish.spare
    assert full_credit(stand).slow.fan_duty_for(stand.c.fan, needs(pile_o2=0.05), 60.0) > 0.0
    dry = full_credit(Stand())
    dry.slow.air_test.verdict = DRY
    assert dry.slow.fan_duty_for(dry.c.fan, needs(pile_o2=0.1), 60.0) == 0.0
    assert full_credit(dry).slow.fan_duty_for(dry.c.fan, needs(), 60.0) == 0.0
    assert full_credit(dry).slow.fan_duty_for(dry.c.fan, needs(pile_o2=0.08), 60.0) == 0.0
    assert full_credit(dry).slow.fan_duty_for(dry.c.fan, needs(pile_o2=0.07), 60.0) > 0.0


# --- samples of the motors


@pytest.mark.parametrize(
    ("mode", "on_s", "dead", "learnt"),
    [(RUN, 120.0, False, 1.0), (RUN, 119.0, False, 0.0), (RUN, 120.0, True, 0.0), ("kick", 120.0, False, 0.0)],
)
def test_the_pump_is_sampled_when_it_runs_steadily_and_its_meter_is_believed(
    mode: str, on_s: float, dead: bool, learnt: float
) -> None:
    stand = Stand(water_flow_kg_s=0.06, pump_battery_v=12.6)
    pump = stand.c.pump
    pump.mode, pump.on_s, pump.dead_meter = mode, on_s, dead
    pump.duty = stand.slow.pump_duty = 0.4
    stand.look(60.0, due=False)
    trend = stand.slow.flow_trend
    assert trend.learnt == learnt
    if learnt:
        assert trend.drives[21] == pytest.approx(0.42) and trend.outputs[21] == 0.06


def test_a_run_of_the_pump_ends_the_standing_of_the_water() -> None:
    stand = Stand()
    stand.look(600.0)
    assert stand.slow.off_s == 600.0
    stand.slow.idle.warm = True
    stand.slow.pump_duty = 0.4
    stand.look(60.0, due=False)
    assert stand.slow.off_s == 0.0 and not stand.slow.idle.warm
    stand.slow.idle.warm = True
    stand.slow.pump_duty = 0.4
    stand.look(60.0, due=False)
    assert stand.slow.idle.warm  # told once at the start of the run
    stand.slow.off_s, stand.slow.pump_duty = 0.5, 0.4
    stand.look(60.0, due=False)
    assert not stand.slow.idle.warm  # however short the stop was


def blown(stand: Stand, elapsed_s: float) -> None:
    stand.slow.fan_duty = stand.c.fan.duty = 0.5
    stand.look(elapsed_s, due=False)


def test_the_fan_is_sampled_once_new_air_has_come() -> None:
    stand = Stand(fan_speed_hz=30.0, fan_battery_v=12.6, air_supply_rh=0.8)
    blown(stand, 40.0)
    blown(stand, 9.0)
    assert stand.slow.fan_trend.learnt == 0.0 and isnan(stand.slow.air_test.rh)
    blown(stand, 1.0)
    assert stand.slow.fan_trend.learnt == 1.0 and stand.slow.fan_trend.outputs[26] == 30.0
    assert stand.slow.air_test.rh == 0.8
    stand.slow.fan_duty = 0.0
    stand.look(60.0, due=False)
    assert stand.slow.fan_on_s == 0.0


def test_how_far_the_air_comes_from_outdoors_toward_the_core() -> None:
    stand = Stand(air_supply_c=18.0, outdoor_c=2.0)
    stand.v.core_c = 42.0  # the air is at four tenths of the way
    blown(stand, 60.0)
    assert stand.slow.air_share == pytest.approx(0.45)  # half believed at first
    stand.r.air_supply_c = 42.0
    blown(stand, 60.0)
    assert stand.slow.air_share == pytest.approx(0.45 + 0.03 * 0.55) and stand.slow.air_percent == pytest.approx(46.65)
    for air_c in (-40.0, 80.0):
        before = stand.slow.air_share
        stand.r.air_supply_c = air_c
        blown(stand, 60.0)
        assert stand.slow.air_share == pytest.approx(before + 0.03 * ((air_c > 40.0) - before))


def test_a_core_a_little_more_than_twenty_five_kelvin_above_outdoors_tells() -> None:
    stand = Stand(air_supply_c=14.75, outdoor_c=2.0)
    stand.v.core_c = 27.5
    blown(stand, 60.0)
    assert stand.slow.air_share == pytest.approx(0.5)


@pytest.mark.parametrize(("core_c", "air_c"), [(27.0, 18.0), (60.0, nan)])
def test_air_that_tells_nothing_about_its_way(core_c: float, air_c: float) -> None:
    stand = Stand(air_supply_c=air_c, outdoor_c=2.0)
    stand.v.core_c = core_c
    blown(stand, 60.0)
    assert isnan(stand.slow.air_share)


# --- when it looks, and what the air test is told


def test_it_reviews_every_ten_minutes_or_when_the_pump_locks() -> None:
    stand = Stand(pile_edge_c=90.0)
    assert stand.look(599.0, due=False) == set()
    assert stand.look(1.0, due=False) == {"core-edge"} and stand.slow.wait_s == 0.0
    stand.r.pile_edge_c = 45.0
    assert stand.look(60.0, due=False) == {"core-edge"}
    stand.c.pump.locked_s = 10.0
    assert "core-edge" not in stand.look(60.0, due=False) and stand.slow.locked
    stand.r.pile_edge_c = 90.0
    assert "core-edge" not in stand.look(60.0, due=False)  # nothing changed since


@pytest.mark.parametrize(
    ("phase", "in_phase_s", "changes", "begins"),
    [
        (REST, REST_S, {}, True),
        (REST, REST_S - 1.0, {}, False),
        (WINDING_DOWN, 0.0, {}, True),
        (HARVEST, REST_S, {}, False),
        (REST, REST_S, {"probe_c": 48.0}, False),  # its floor and 3 K
        (REST, REST_S, {"probe_c": 48.5}, True),
        (REST, REST_S, {"greenhouse_rh": 0.99}, False),
        (REST, REST_S, {"allowed": False}, False),
        (REST, REST_S, {"locked_s": 9.0}, False),
    ],
)
def test_when_the_air_test_may_begin(phase: str, in_phase_s: float, changes: dict[str, Any], begins: bool) -> None:
    stand = Stand(phase, **({k: v for k, v in changes.items() if k in CALM}))
    stand.c.in_phase_s = in_phase_s
    stand.c.pile.probe_c, stand.c.pile.offset_k = changes.get("probe_c", 55.0), 0.0
    stand.c.fan_battery.allowed = changes.get("allowed", True)
    stand.c.fan_watch.locked_s = changes.get("locked_s", 0.0)
    stand.look()
    assert (stand.slow.air_test.state == PULSING) is begins


def test_the_air_test_hears_trend_oxygen_and_time() -> None:
    stand = Stand(REST, pile_o2=0.01)
    stand.c.in_phase_s = REST_S
    stand.c.pile.probe_c = 55.0
    stand.c.pile.trend.slope_per_s = -1.0 / 86400.0
    stand.look(600.0)
    test = stand.slow.air_test
    assert test.before_k_day == pytest.approx(-1.0) and test.oxygen_s == 600.0 and test.outdoor_c == CALM["outdoor_c"]
    test.state_s = 6 * 3600.0 - 600.0
    stand.look(600.0)
    assert test.state == WAITING


def test_what_alarms_quote() -> None:
    stand = Stand()
    stand.slow.flicker_watch.bad = 3.0
    assert stand.slow.flicker == 3.0
    stand.slow.flow_trend.share, stand.slow.fan_trend.share = 0.8, 1.2
    assert stand.slow.flow_percent == pytest.approx(80.0) and stand.slow.fan_percent == pytest.approx(120.0)
