"""Alarms in the manner of ISA-18.2, and one plant state for each of them."""

from __future__ import annotations

import json
from math import nan

import pytest
from helpers import CALM, DRAWING, START_S, drawing_controller, reading, reborn
from hypothesis import given, settings
from hypothesis import strategies as st

from controller import Alarm, Controller, ControllerSettings, Decision
from controller.alarm_kinds import KINDS
from controller.alarms import ACKNOWLEDGED, CODES, NORMAL, RETURNED, UNACKNOWLEDGED, AlarmBoard
from controller.phases import REST

QUIET = (False,) * len(KINDS)
MOST_AN_HOUR = 4


def only(code: str) -> tuple[bool, ...]:
    return tuple(c == code for c in CODES)


def last(board: AlarmBoard, conditions: tuple[bool, ...], seconds: float, begin_s: float = 0.0) -> tuple[str, ...]:
    for k in range(round(seconds / 60.0)):
        standing = board.update(conditions, 60.0, begin_s + 60.0 * k)
    return tuple(a.code for a in standing)


@pytest.mark.parametrize("kind", KINDS, ids=CODES)
def test_every_kind_says_what_is_seen_why_what_to_do_and_when_it_clears(kind) -> None:
    for text in (kind.seen, kind.cause, kind.do, kind.clears):
        assert text[0].isupper() and text.endswith(".") and len(text) < 260
    assert ("{}" in kind.seen) is bool(kind.quantity)
    assert kind.latched is kind.clears.startswith("When you acknowledge")


@pytest.mark.parametrize("side", ["pump", "fan"])
def test_a_latched_charge_controller_is_reconnected_in_the_right_order(side: str) -> None:
    """Disconnect all, then battery, panel, load (common practice, no source)."""
    do = KINDS[CODES.index(f"{side}-supply-cut")].do
    assert "Take off load, panel and battery, all three; then connect battery, panel, load" in do


# --- states


def test_unacknowledged_acknowledged_normal() -> None:
    board = AlarmBoard()
    last(board, only("no-flow"), 60.0)
    (alarm,) = board.update(only("no-flow"), 60.0, 60.0)
    assert (alarm.state, alarm.acknowledged, alarm.count) == (UNACKNOWLEDGED, False, 1)
    assert board.acknowledge("no-flow") is True
    (alarm,) = board.update(only("no-flow"), 60.0, 120.0)
    assert (alarm.state, alarm.acknowledged) == (ACKNOWLEDGED, True)
    assert board.acknowledge("no-flow") is False
    assert last(board, QUIET, 1000.0) == () == board.summary()


def test_one_that_ended_unseen_waits_in_the_summary() -> None:
    board = AlarmBoard()
    last(board, only("no-flow"), 60.0)
    assert last(board, QUIET, 1000.0) == ()
    (alarm,) = board.summary()
    assert (alarm.code, alarm.state) == ("no-flow", RETURNED)
    assert board.acknowledge("no-flow") is True
    assert board.summary() == () and board.latches[CODES.index("no-flow")].state == NORMAL
    assert board.counts() == {"no-flow": 1}


def test_a_latched_one_stands_until_it_is_acknowledged() -> None:
    board = AlarmBoard()
    assert last(board, only("frost"), 1000.0) == ("frost",)
    assert last(board, QUIET, 86400.0) == ("frost",)
    assert board.summary()[0].state == RETURNED
    board.acknowledge("frost")
    assert last(board, QUIET, 60.0) == ()
    assert last(board, only("frost"), 1000.0) == ("frost",)  # and comes up anew
    assert board.counts() == {"frost": 2}


def test_an_unknown_code_is_refused_in_one_line() -> None:
    with pytest.raises(ValueError) as caught:
        Controller(ControllerSettings()).acknowledge("fire")
    assert "'fire' is no alarm: the codes are" in str(caught.value) and "\n" not in str(caught.value)


def test_states_survive_a_restart() -> None:
    one, two = AlarmBoard(), AlarmBoard()
    last(one, only("frost"), 1000.0)
    last(one, QUIET, 300.0)  # half-way through its off-delay
    one.acknowledge("frost")
    two.recall(json.loads(json.dumps(one.snapshot(), allow_nan=False)))
    for k in range(20):
        assert one.update(QUIET, 60.0, 60.0 * k) == two.update(QUIET, 60.0, 60.0 * k)
    assert one.snapshot() == two.snapshot()


# --- no chattering


@settings(deadline=None)  # an example is a day of steps
@given(
    st.lists(st.tuples(st.integers(1, 400), st.integers(1, 400)), min_size=1, max_size=12),
    st.sampled_from([1.0, 10.0, 60.0]),
    st.sampled_from(CODES),
)
def test_no_condition_at_any_rate_comes_up_more_than_four_times_an_hour(
    rhythm: list[tuple[int, int]], tick_s: float, code: str
) -> None:
    board, ticks, k = AlarmBoard(), round(3 * 3600.0 / tick_s), 0
    raised: list[float] = []
    pattern = [is_so for on, off in rhythm for is_so in (True,) * on + (False,) * off]
    for k in range(ticks):
        before = board.latches[CODES.index(code)].count
        board.update(only(code) if pattern[k % len(pattern)] else QUIET, tick_s, tick_s * k)
        raised += [tick_s * k] * (board.latches[CODES.index(code)].count - before)
    assert all(sum(at <= other < at + 3600.0 for other in raised) <= MOST_AN_HOUR for at in raised)


def test_delays_bound_the_rate_of_every_kind() -> None:
    """ISA-18.2 calls three records of one alarm within a minute chattering (from memory)."""
    assert all(kind.on_delay_s + kind.off_delay_s >= 900.0 for kind in KINDS)


# --- each from the plant state that it is for


def watched(hours: float, tick_s: float = 60.0, before: dict[str, float] | None = None, **changes: float) -> Decision:
    """The last decision of a drawing controller after hours of this, the meter and tachometer following.

    What is not in ``changes`` wiggles a little, as live readings do.
    """
    controller, now_s = drawing_controller()
    d = controller.step(reading(now_s, greenhouse_c=15.0, fan_speed_hz=nan))
    for k in range(1, round(hours * 3600.0 / tick_s)):
        seen = {
            "water_flow_kg_s": 0.06 if d.commands.pump_duty > 0.0 else 0.0,
            "fan_speed_hz": 30.0 if d.commands.fan_duty > 0.0 else 0.0,
        }
        more = before if before and k * tick_s < 3600.0 else changes
        live = {name: value + 0.05 * (k % 3) for name, value in CALM.items() if name.endswith("_c")}
        d = controller.step(reading(now_s + tick_s * k, **(CALM | live | seen | more)))
    return d


AIRLESS = {"pile_o2": 0.05}


@pytest.mark.parametrize(
    ("code", "hours", "before", "changes"),
    [
        ("pile-probe", 3, None, {"pile_core_c": nan, "pile_edge_c": nan}),
        ("core-probe", 3, None, {"pile_core_c": nan}),
        ("core-stuck", 97, None, {"pile_core_c": 62.0}),
        ("supply-probe", 3, None, {"water_supply_c": nan}),
        ("supply-stuck", 3, None, {"water_supply_c": 22.0}),
        ("probes-swapped", 4, None, {"water_supply_c": 20.0, "water_return_c": 40.0}),
        ("outdoor-stuck", 27, None, {"outdoor_c": 5.0}),
        ("pump-battery", 3, None, {"pump_battery_v": nan}),
        ("fan-battery", 3, None, {"fan_battery_v": nan}),
        ("fan-battery-flat", 3, None, {"fan_battery_v": 11.0}),
        ("pump-battery-flat", 5, None, {"pump_battery_v": 11.0}),  # no charge was seen for days before
        ("battery-freeze", 5, None, {"pump_battery_v": 11.0, "outdoor_c": -10.0}),
        ("no-flow", 3, None, {"water_flow_kg_s": 0.0}),
        ("no-heat", 3, None, {"water_flow_kg_s": nan, "water_supply_c": 20.5}),
        ("flow-while-off", 4, None, {"water_flow_kg_s": 0.06, "greenhouse_c": 15.0, "water_supply_c": 12.0}),
        ("scald", 1, None, {"water_supply_c": 55.0}),
        ("frost", 4, None, {"pump_battery_v": 11.0, "outdoor_c": -6.0}),
        ("pile-cold", 14, None, {"pile_core_c": 43.0, "pile_edge_c": 40.0}),
        ("pile-hot", 8, None, {"pile_core_c": 74.0, "water_supply_c": 68.0}),
        ("co2", 3, None, {"greenhouse_co2": 0.002}),
        ("co2-probe", 3, {"greenhouse_co2": 0.0006}, {"greenhouse_co2": nan}),
        ("fan-stalled", 4, AIRLESS, AIRLESS | {"fan_speed_hz": 0.0}),
        ("fan-runs-on", 3, None, {"fan_speed_hz": 30.0}),
        ("tank-change", 5, None, {"tank_c": -25.0}),
    ],
)
def test_the_alarm_for_it(code: str, hours: float, before: dict[str, float] | None, changes: dict[str, float]) -> None:
    d = watched(hours, before=before, **changes)
    standing = {a.code: a for a in d.alarms}
    assert code in standing
    assert "{" not in standing[code].seen and "nan" not in standing[code].seen
    assert code not in {a.code for a in watched(3).alarms}


def test_a_number_is_quoted_as_it_was_when_the_alarm_came_up() -> None:
    (alarm,) = (a for a in watched(3, greenhouse_co2=0.002).alarms if a.code == "co2")
    assert "2000.0 ppm" in alarm.seen


def test_a_fan_that_never_turned_may_have_a_dead_speed_wire() -> None:
    controller, now_s = drawing_controller()
    for k in range(400):
        d = controller.step(reading(now_s + 60.0 * k, pile_o2=0.05, fan_speed_hz=0.0))
    assert {"fan-speed"} == {a.code for a in d.alarms} & {"fan-speed", "fan-stalled"}


@pytest.mark.parametrize("kinds", [{"battery_kind": "lithium"}, {"fan_battery_kind": "lithium"},
                                   {"battery_kind": "lithium", "fan_battery_kind": "lead-acid"}])  # fmt: skip
def test_lithium_in_the_cold(kinds: dict[str, str]) -> None:
    controller = Controller(ControllerSettings(**kinds))  # type: ignore[arg-type]
    for k in range(90):
        d = controller.step(reading(START_S + 60.0 * k, outdoor_c=-4.0, pump_battery_v=13.1, fan_battery_v=13.1))
    assert "battery-cold" in {a.code for a in d.alarms}


def test_a_quiet_plant_has_no_alarm_and_a_fault_has_one() -> None:
    assert watched(3).alarms == ()
    assert [a.code for a in watched(3, water_flow_kg_s=0.0).alarms] == ["no-flow"]


def test_a_cut_load_is_told_from_a_dry_pump_by_the_missing_sag() -> None:
    controller, now_s = drawing_controller()
    d = controller.step(reading(now_s))
    for k in range(1, 30 * 1800):
        cut = k > 25 * 1800
        sag = 0.0 if cut else 0.4 * d.commands.pump_duty
        flow = 0.06 if d.commands.pump_duty > 0.0 and not cut else 0.0
        house_c = 6.0 if k % 900 < 300 else 9.0  # short draws, so that there are many starts
        tremble_k = 0.0625 * (k % 2)  # as live probes do
        live = {"water_supply_c": 40.0 + tremble_k, "pile_core_c": 64.0 + tremble_k}
        m = reading(now_s + 2.0 * k, greenhouse_c=house_c, pump_battery_v=12.8 - sag, water_flow_kg_s=flow, **live)
        d = controller.step(m)
    assert [a.code for a in d.alarms if a.code.startswith(("pump", "no-"))] == ["pump-supply-cut"]


def test_acknowledging_changes_no_command() -> None:
    controller, now_s = drawing_controller()
    for k in range(60):
        controller.step(reading(now_s + 60.0 * k, pump_battery_v=11.0, outdoor_c=-8.0))
    twin = reborn(controller, DRAWING)
    for alarm in controller.alarms.summary():
        assert twin.acknowledge(alarm.code)
    for k in range(60, 200):
        m = reading(now_s + 60.0 * k, outdoor_c=-8.0)
        assert controller.step(m).commands == twin.step(m).commands
    assert controller.phase != REST or twin.phase == REST


# --- alarms that name parts

PART = next(i for i, kind in enumerate(KINDS) if kind.code == "sensor-flickers")
DELAY_S = KINDS[PART].on_delay_s


class Parts:
    """What the alarm quotes: a bit for each part."""

    def __init__(self, flicker: float) -> None:
        self.flicker = flicker


def naming(board: AlarmBoard, places: float, seconds: float, begin_s: float) -> Alarm:
    for k in range(round(seconds / 60.0)):
        (alarm,) = board.update(only("sensor-flickers"), 60.0, begin_s + 60.0 * k, Parts(places)) or (None,)
    return alarm


def test_a_second_part_is_told_anew_once_it_lasts_and_none_is_dropped_while_the_alarm_stands() -> None:
    board, kind = AlarmBoard(), KINDS[PART]
    alarm = naming(board, 0b1, DELAY_S, 0.0)
    assert kind.names[0] in alarm.seen and alarm.count == 1
    assert board.acknowledge("sensor-flickers")
    assert naming(board, 0b1, 10 * DELAY_S, 1e4).acknowledged  # the same part is no news
    assert naming(board, 0b101, DELAY_S - 60.0, 2e4).acknowledged
    alarm = naming(board, 0b101, 60.0, 3e4)
    assert (alarm.acknowledged, alarm.count, alarm.since_s) == (False, 2, 3e4)
    assert f"{kind.names[0]} and {kind.names[2]}" in alarm.seen
    assert board.acknowledge("sensor-flickers")
    alarm = naming(board, 0b100, 10 * DELAY_S, 4e4)
    assert alarm.acknowledged and alarm.count == 2 and kind.names[0] in alarm.seen


def test_a_part_that_comes_and_goes_is_not_told() -> None:
    board = AlarmBoard()
    naming(board, 0b1, DELAY_S, 0.0)
    for k in range(20):
        naming(board, 0b11, DELAY_S - 60.0, 1e4 + 2e3 * k)
        assert naming(board, 0b1, 60.0, 1.1e4 + 2e3 * k).count == 1


@pytest.mark.parametrize(
    ("places", "words"),
    [
        (0b1, "core probe"),
        (0b11, "core probe and edge probe"),
        (0b1011, "core probe, edge probe and return probe"),
        (0.0, "unknown"),
        (nan, "unknown"),
        (-3.0, "unknown"),
        (1e300, "unknown"),
    ],
)
def test_parts_in_words(places: float, words: str) -> None:
    assert KINDS[PART].shown(places) == KINDS[PART].seen.replace("{}", words)
