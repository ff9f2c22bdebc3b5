"""The rules: each can be broken and is quiet on a good plant, times are kept, nothing but truth decides."""

from __future__ import annotations

from math import nan

import pytest
from rigs import mild

from controller import Commands, Controller, ControllerSettings, Decision
from controller.alarms import CODES as ALARM_CODES
from controller.signals import Alarm, PileEstimate
from sim import Plant, rules, run_season, season
from sim import layout as at
from sim.kernel import C_OFFSET
from sim.media import LATENT_ICE
from sim.params import CHANNEL_KIND_ORDER
from sim.rules import BY_DAY, DAY_S, RULES, Clockwork, Rule, Rules, View

S = ControllerSettings(tank_change_max_k=2.0)
GOOD = {
    "s": S, "fitted": frozenset({"pile_core_c", "water_supply_c", "water_flow_kg_s", "fan_speed_hz", "pump_battery_v",
    "fan_battery_v",
                                 "greenhouse_co2", "tank_c", "greenhouse_c", "greenhouse_rh", "pile_o2"}),
    "lithium_pump": False, "lithium_fan": False, "heater": True, "lost": frozenset(), "dead": False, "time_s": 0.0,
    "dt_s": 60.0,
    "pump": 0.3, "fan": 0.3, "next_s": 60.0, "phase": "harvest", "limit": "none", "reason": "Because.",
    "codes": frozenset(),
    "est_core_c": 58.0, "est_sd_c": 2.0, "turns": True, "fan_turns": True, "latched_pump": False, "latched_fan": False,
    "pump_v": 12.6,
    "fan_v": 12.6, "flow_kg_s": 0.06, "fan_kg_s": 0.02, "core_c": 58.0, "made_w": 2000.0, "frozen": False,
    "supply_c": 38.0,
    "return_c": 15.0, "house_c": 12.0, "out_c": 2.0, "tank_c": 12.0, "co2": 6e-4, "pump_soc": 0.9, "fan_soc": 0.9,
    "coldest_j_kg": 4e4, "moisture": 0.6, "battery_c": 5.0, "pump_charges": False, "fan_charges": False,
    "tank_change_k": 0.0,
    "silent_core": False, "silent_supply": False, "starts_h": 1, "starts_day": 8, "raised_10min": 0, "raised_h": 0,
    "core_fall_k": 0.5,
    "day_drawn_j": 1e7, "day_made_j": 1e8, "day_ice_j": 0.0,
    "safe": True, "sound": True, "tank_fall_k": 0.5, "rh": 0.8, "pile_o2": 0.15,
    "silent": (), "true_readings": True, "record_kept": True, "fan_starts_h": 2, "standing": frozenset(),
    "probe_c": 57.0, "old_ice": False,
}  # fmt: skip


def told(*codes: str) -> dict[str, object]:
    return {"codes": frozenset(codes), "standing": frozenset(codes)}


STANDS = {"pump": 0.0, "flow_kg_s": 0.0, "turns": False}
DRY = {"flow_kg_s": 0.0}
CASES = {
    "floor-draw": {"core_c": 42.0}, "floor-draw-deep": {"core_c": 39.0}, "frost-eats-pile": {"core_c": 25.0,
    "limit": "frost"},
    "overdraw": {"core_fall_k": 6.0, "day_drawn_j": 2e8, "core_c": 52.0}, "hold-off-draw": {"phase": "hold-off"},
    "rest-draw": {"phase": "rest"},
    "drained-pump": {"phase": "drained"}, "blind-draw": {"phase": "faulted", "silent_core": True},
    "cold-fan": {"core_c": 38.0},
    "dry-fan": {"moisture": 0.3}, "hot-untold": {"core_c": 80.0}, "cold-untold": {"core_c": 38.0},
    "lost-core": {"est_core_c": 70.0, "day_drawn_j": 2e8},
    "sure-and-wrong": {"est_core_c": 47.0, "est_sd_c": 0.5}, "dry-run": DRY, "dry-run-day": DRY, "no-water-untold": DRY,
    "pump-hums": {"turns": False}, "frozen-line": {"frozen": True}, "freezing-line": {"coldest_j_kg": -1e5},
    "ice-pump": {"frozen": True}, "ice-untold": {"frozen": True}, "frozen-untold": {"frozen": True},
    "scald": {"supply_c": 55.0},
    "scald-day": {"supply_c": 55.0}, "scald-far": {"supply_c": 75.0}, "scald-untold": {"supply_c": 55.0},
    "boiling": {"supply_c": 100.0},
    "flood": {"flow_kg_s": 0.5}, "starts-hour": {"starts_h": 21}, "starts-day": {"starts_day": 201},
    "runs-on-untold": {"pump": 0.0},
    "tank-fast": {"tank_change_k": 4.0}, "tank-untold": {"tank_change_k": 4.0}, "tank-hot": {"tank_c": 41.0},
    "pump-battery-killed": {"pump_v": 10.0}, "fan-battery-killed": {"fan_v": 10.0},
    "pump-battery-spent": {"pump_soc": 0.05},
    "fan-battery-spent": {"fan_soc": 0.05}, "pump-flat-untold": {"pump_soc": 0.05},
    "fan-flat-untold": {"fan_soc": 0.05},
    "pump-latch-untold": {"latched_pump": True}, "fan-latch-untold": {"latched_fan": True},
    "lithium-cold-untold": {"lithium_pump": True, "battery_c": -5.0, "pump_charges": True},
    "battery-freezes-untold": {"battery_c": -20.0, "pump_soc": 0.1}, "co2-limit": {"co2": 2e-3},
    "co2-work": {"co2": 6e-3},
    "co2-faint": {"co2": 4e-2}, "co2-untold": {"co2": 2e-3}, "hot-house-fan": {"house_c": 28.0},
    "hot-house-pump": {"house_c": 28.0},
    "crop-cold": {"house_c": 4.0, **STANDS}, "crop-frozen": {"house_c": -1.0, **STANDS},
    "fan-stands-untold": {"fan_turns": False},
    "fan-runs-on-untold": {"fan": 0.0}, "fan-blind": {"phase": "faulted", "silent_core": True},
    "core-silent-untold": {"silent_core": True},
    "supply-silent-untold": {"silent_supply": True}, "duty-range": {"pump": 1.5}, "next-range": {"next_s": 0.5},
    "no-reason": {"reason": ""},
    "odd-limit": {"limit": "whim"}, "odd-phase": {"phase": "dreaming"}, "odd-estimate": {"est_sd_c": -1.0},
    "wordless-alarm": {"sound": False},
    "ending-draw": {"phase": "winding down"}, "no-estimate": {"est_core_c": nan}, "airless-untold": {"pile_o2": 0.01},
    "tank-chilled": {"tank_fall_k": 4.0, "tank_c": 45.0}, "chills-house": {"return_c": 41.0},
    "backflow-untold": {"pump": 0.0, "flow_kg_s": 0.01}, "wet-house-fan": {"rh": 0.995}, "crop-untold": {"house_c": -2.0},
    "silence-untold": {"silent": ("tank_c",)}, "wrong-no-flow": told("no-flow"),
    "wrong-frozen": told("line-frozen"), "wrong-scald": told("scald") | {"supply_c": 35.0},
    "wrong-cold-pile": told("pile-cold"), "wrong-ending": told("pile-ending") | {"core_c": 61.0},
    "wrong-hot-pile": told("pile-hot"), "wrong-co2": told("co2") | {"co2": 5e-4},
    "wrong-flat-pump": told("pump-battery-flat") | {"pump_soc": 0.95},
    "wrong-flat-fan": told("fan-battery-flat") | {"fan_soc": 0.95}, "wrong-stalled": told("fan-stalled"),
    "hand-run-stays": {"phase": "manual"}, "fan-starts-hour": {"fan_starts_h": 21},
    "alarms-crowd": told(*"abcdefghijklm"), "alarm-forgotten": {"record_kept": False},
    "alarm-flood": {"raised_10min": 11}, "alarm-chatter": {"raised_h": 5}, "dead-outputs": {"dead": True,
    "safe": False},
}  # fmt: skip


def view(**changes) -> View:
    v = View()
    for name, value in (GOOD | changes).items():
        setattr(v, name, value)
    return v


def broken(v: View) -> set[str]:
    return {rule.code for rule in RULES if rule.broken(v)}


def test_there_are_sixty_rules_with_a_case_each():
    assert len(RULES) >= 60 and len({rule.code for rule in RULES}) == len(RULES)
    assert set(CASES) == {rule.code for rule in RULES}


def test_a_good_plant_breaks_none():
    assert broken(view()) == set()
    assert broken(view(**STANDS, fan=0.0, fan_turns=False, fan_kg_s=0.0)) == set()


@pytest.mark.parametrize("code", sorted(CASES))
def test_each_rule_can_be_broken(code):
    assert code in broken(view(**CASES[code]))


@pytest.mark.parametrize(
    ("code", "excuse"),
    [
        ("floor-draw", {"limit": "frost"}), ("rest-draw", {"limit": "crop"}), ("overdraw",
        {"lost": frozenset({rules.PILE})}), ("overdraw", {"day_made_j": 0.0, "day_drawn_j": 7.9e6}),
        ("runs-on-untold", {"silent": ("water_flow_kg_s",)}),
        ("overdraw", {"day_ice_j": 1e8}), ("overdraw", {"day_made_j": 0.0, "day_ice_j": 1.93e8}),
        ("frozen-line", {"old_ice": True}), ("freezing-line", {"old_ice": True}),
        ("frozen-line", {"lost": frozenset({rules.WATER})}), ("frozen-line", {"core_c": 40.0}), ("freezing-line",
        {"pump_soc": 0.2}),
        ("frozen-untold", {"codes": frozenset({"frost"})}), ("no-water-untold", {"codes": frozenset({"no-flow"})}),
        ("hot-untold", {"codes": frozenset({"pile-hot"})}), ("co2-limit", {"fitted": frozenset()}), ("crop-cold",
        {"core_c": 50.0}),
        ("flood", {"limit": "scald"}), ("battery-freezes-untold", {"pump_soc": 0.9}), ("scald-untold",
        {"codes": frozenset({"scald"})}),
        ("lithium-cold-untold", {"pump_charges": False}), ("dead-outputs", {"safe": True}),
        ("ending-draw", {"limit": "frost"}), ("no-estimate", {"silent_core": True}),
        ("airless-untold", told("pile-airless")),
        ("airless-untold", {"fitted": frozenset()}), ("tank-chilled", {"tank_c": 39.0}),
        ("chills-house", {"limit": "frost"}),
        ("fan-runs-on-untold", told("fan-speed-silent")),
        ("backflow-untold", told("thermosiphon")), ("backflow-untold", {"true_readings": False}),
        ("wet-house-fan", {"fan_kg_s": 0.0}), ("crop-untold", told("fan-battery")), ("silence-untold", told("tank-silent")),
        ("silence-untold", told("probes-wire")), ("wrong-no-flow", {"flow_kg_s": 0.02}), ("wrong-no-flow", {"pump": 0.0}),
        ("wrong-frozen", {"coldest_j_kg": 4e3}), ("wrong-scald", {"supply_c": 45.0}), ("wrong-cold-pile", {"core_c": 50.0}),
        ("wrong-cold-pile", {"probe_c": 50.0}), ("overdraw", {"core_c": 23.9}), ("lost-core", {"phase": "winding down"}),
        ("lost-core", {"day_drawn_j": 7.9e6}), ("lost-core", {"lost": frozenset({rules.PUSHED_WATER})}),
        ("cold-untold", {"phase": "rest", "true_readings": False}),
        ("supply-silent-untold", told("return-silent") | {"lost": frozenset({rules.READINGS})}),
        ("silence-untold", {"silent": ("pile_edge_c",), "lost": frozenset({rules.READINGS})} | told("pile-probe")),
        ("wrong-cold-pile", {"lost": frozenset({rules.READINGS})}), ("wrong-cold-pile", {"true_readings": False}),
        ("wrong-flat-pump", {"lost": frozenset({rules.WATER})}), ("wrong-flat-fan", {"lost": frozenset({rules.AIR})}),
        ("wrong-stalled", {"fan_turns": False}),
        ("wrong-co2", {"standing": frozenset()}), ("hand-run-stays", {"phase": "rest"}),
    ],
)  # fmt: skip
def test_what_excuses_a_rule(code, excuse):
    assert code not in broken(view(**(CASES[code] | excuse)))


@pytest.mark.parametrize("rule", RULES, ids=[rule.code for rule in RULES])
def test_each_rule_is_broken_by_its_trace_and_only_after_its_time(rule):
    """Sound for three times as long, then bad: quiet until just before its time, broken just after."""
    tick_s = max(rule.for_s / 40.0, 1.0)
    clock, bad = Clockwork((rule,)), CASES[rule.code]
    sound = [clock.turn(view(), tick_s) for _ in range(120)]
    until = [clock.turn(view(**bad), tick_s) for _ in range(round(rule.for_s / tick_s))]
    assert not any(sound) and not any(until)
    assert clock.turn(view(**bad), tick_s) == [rule]


@pytest.mark.parametrize("rule", [r for r in RULES if r.for_s and r.count != BY_DAY], ids=lambda rule: rule.code)
def test_a_sound_moment_gives_a_rule_its_whole_time_again(rule):
    tick_s, clock = rule.for_s / 10.0, Clockwork((rule,))
    for change in [CASES[rule.code]] * 9 + [{}] + [CASES[rule.code]] * 9:
        assert not clock.turn(view(**change), tick_s)


def minutes(rule: Rule, pattern: list[bool]) -> list[bool]:
    """Whether the rule is broken after each minute of a pattern."""
    now = {"so": False}
    clock = Clockwork((Rule(rule.code, rule.text, rule.for_s, lambda v: now["so"], rule.count),))
    out = []
    for now["so"] in pattern:
        out.append(bool(clock.turn(view(), 60.0)))
    return out


def test_a_break_starts_the_time_again():
    rule = Rule("r", "", 180.0, lambda v: True)
    assert minutes(rule, [True] * 5) == [False, False, False, True, True]
    assert not any(minutes(rule, [True, True, False] * 5))


def test_time_within_a_day_adds_up_and_is_forgotten():
    rule = Rule("r", "", 600.0, lambda v: True, BY_DAY)
    assert any(minutes(rule, [True, False] * 15))
    once_an_hour = ([True] + [False] * 200) * 20
    assert not any(minutes(rule, once_an_hour))


@pytest.mark.parametrize(
    ("charge", "freezes_c"), [(1.0, -68.0), (0.5, -36.0), (0.25, -24.0), (0.0, -7.0)]
)  # a battery maker's table, at second hand
def test_a_lead_acid_battery_freezes_where_the_table_says(charge, freezes_c):
    only_pump = {"pump_soc": charge, "lithium_fan": True}
    cold, warm = (only_pump | {"battery_c": freezes_c + d} for d in (-0.5, 0.5))
    assert "battery-freezes-untold" in broken(view(**cold))
    assert "battery-freezes-untold" not in broken(view(**warm))


class Stubborn(Controller):
    """Draws at full whatever happens, and calls it a harvest."""

    __slots__ = ()

    def step(self, measurements):
        return Decision(Commands(1.0, 1.0), "harvest", "none", "Always.", (), PileEstimate(), 60.0)


def test_a_season_of_overdraw_breaks_the_rules_and_ours_keeps_them(monkeypatch):
    monkeypatch.setattr(season, "judged", None)
    settings = mild().controller_settings()
    ruined = run_season(mild(), Stubborn(settings), days=16, watch=True).breaks
    assert {"floor-draw", "overdraw", "floor-draw-deep"} <= {b.code for b in ruined}
    ours = run_season(mild(), Controller(settings), days=9, watch=True).breaks
    assert not {"floor-draw", "overdraw", "dry-run", "frozen-line"} & {b.code for b in ours}
    assert run_season(mild(), Controller(settings), days=2).breaks == ()


def test_outputs_of_a_dead_controller_must_fall():
    plant = Plant(mild(), seed=1)
    watch = Rules(plant, mild().controller_settings())
    held = Decision(Commands(0.5, 0.0), "harvest", "none", "On.", (), PileEstimate(), 60.0)
    for _ in range(2):
        plant.apply(held.commands)
        plant.advance(2.0)
        watch.observe(held, 2.0, dead=True, switched=held.commands)
    assert "dead-outputs" in watch.breaks
    again = Rules(plant, mild().controller_settings())
    for _ in range(10):
        plant.advance(2.0)
        again.observe(held, 2.0, dead=True, switched=Commands())
    assert "dead-outputs" not in again.breaks


def test_alarms_are_counted_as_they_come_up():
    plant = Plant(mild(), seed=1)
    watch = Rules(plant, mild().controller_settings())
    alarm = Alarm("co2", "critical", 0.0, "seen", "do")
    for k in range(12):
        on = Decision(Commands(), "rest", "none", "Why.", (alarm,) if k % 2 else (), PileEstimate(), 60.0)
        plant.advance(60.0)
        watch.observe(on, 60.0)
    assert set(watch.breaks) == {"alarm-chatter"}


@pytest.mark.parametrize(
    ("later", "kept"),
    [((1, 100.0), True), ((2, 200.0), True), ((1, 200.0), False), ((0, 100.0), False), ((2, 100.0), True)],
)
def test_an_alarm_must_not_forget_since_when_it_stands_and_how_often_it_came_up(later, kept):
    plant = Plant(mild(), seed=1)
    watch = Rules(plant, mild().controller_settings())
    for count, since_s in ((1, 100.0), later):
        alarm = Alarm("co2", "critical", since_s, "seen", "do", count=count)
        d = Decision(Commands(), "rest", "none", "Why.", (alarm,), PileEstimate(), 60.0)
        plant.advance(60.0)
        watch.observe(d, 60.0)
    assert ("alarm-forgotten" not in watch.breaks) == kept


def test_a_new_program_may_count_alarms_anew():
    plant = Plant(mild(), seed=1)
    watch = Rules(plant, mild().controller_settings())
    for count, dead in ((3, False), (3, True), (1, False)):
        alarm = Alarm("co2", "critical", 50.0 + count, "seen", "do", count=count)
        d = Decision(Commands(), "rest", "none", "Why.", (alarm,), PileEstimate(), 60.0)
        plant.advance(60.0)
        watch.observe(d, 60.0, dead=dead)
    assert "alarm-forgotten" not in watch.breaks


def test_a_latched_alarm_that_ended_is_told_but_stands_no_more():
    plant = Plant(mild(), seed=1)
    watch = Rules(plant, mild().controller_settings())
    for state in ("unacknowledged", "returned-unacknowledged"):
        alarm = Alarm("co2", "critical", 0.0, "seen", "do", state=state)
        plant.advance(60.0)
        watch.observe(Decision(Commands(), "rest", "none", "Why.", (alarm,), PileEstimate(), 60.0), 60.0)
        assert watch.view.codes == {"co2"} and ("co2" in watch.view.standing) == (state == "unacknowledged")


def test_a_sensor_that_was_falsified_once_excuses_wrong_alarms_from_then_on():
    plant = Plant(mild(), seed=1)
    watch = Rules(plant, mild().controller_settings())
    idle = Decision(Commands(), "rest", "none", "Why.", (), PileEstimate(), 60.0)
    seen = []
    for shift_k in (0.0, 5.0, -5.0):
        plant.sensors[0, C_OFFSET] += shift_k
        plant.advance(300.0)
        watch.observe(idle, 300.0)
        seen.append(watch.view.told_truly)
    assert seen == [True, False, False]


def test_every_silent_sensor_has_an_alarm_that_tells_it():
    assert set(rules.SILENCE_CODES) == set(CHANNEL_KIND_ORDER)
    assert all(codes & set(ALARM_CODES) for codes in rules.SILENCE_CODES.values())


def test_every_rule_is_a_line_of_the_page():
    text = rules.rules_text()
    assert all(f"`{rule.code}`" in text for rule in RULES)
    assert DAY_S == 86400.0


@pytest.mark.parametrize(("lost", "old"), [(frozenset({rules.WATER}), True), (frozenset[str](), False)])
def test_ice_is_old_that_formed_while_no_water_could_move_until_it_has_thawed(lost: frozenset[str], old: bool) -> None:
    """Frost does not give it back when the fault is over, and no pump moves it."""
    plant = Plant(mild(), seed=3)
    watch = Rules(plant, mild().controller_settings())
    watch.view.lost, watch.view.phase = lost, "harvest"
    water = slice(at.Y_RING + at.RING_SUPPLY, at.Y_RING + at.RING)
    plant.state[water] = -0.5 * LATENT_ICE
    watch._see_plant()
    watch.view.core_c, watch.view.pump_soc = 60.0, 0.9
    watch._see_slowly()
    assert watch.view.old_ice is old
    watch.view.lost = frozenset()
    watch._see_slowly()
    assert watch.view.old_ice is old
    plant.state[water] = 1e4
    watch._see_slowly()
    assert not watch.view.old_ice


@pytest.mark.parametrize(
    ("limit", "pump", "code", "since_ice_s", "counts"),
    [
        ("frost", 0.3, "frost-cost", 0.0, True),
        ("frost", 0.3, "frost-drain", 29 * 60.0, True),
        ("frost", 0.3, "frost-drain", 30 * 60.0, False),
        ("frost", 0.3, "pile-cold", 0.0, False),
        ("frost", 0.0, "frost-cost", 0.0, False),
        ("demand", 0.3, "frost-cost", 0.0, False),
    ],
)
def test_the_heat_of_pulses_against_ice_is_kept_where_it_is_told(limit, pump, code, since_ice_s, counts) -> None:
    """0.1 kg/s from 5 to 45 degC for a minute: 1.005 MJ."""
    watch = Rules(Plant(mild(), seed=3), mild().controller_settings())
    watch.elapsed_s, watch._ice_at_s = 1e5, 1e5 - since_ice_s
    watch.view.limit, watch.view.pump, watch.view.codes = limit, pump, frozenset({code})
    watch.view.flow_kg_s, watch.view.supply_c, watch.view.return_c = 0.1, 45.0, 5.0
    watch._count_pulse(60.0)
    assert watch._ice_j == pytest.approx(0.1 * 4186.0 * 40.0 * 60.0 if counts else 0.0)


def test_of_the_heat_against_ice_a_day_counts() -> None:
    watch = Rules(Plant(mild(), seed=3), mild().controller_settings())
    watch._see_plant()
    watch._see_slowly()
    for hours, total_j, of_the_day_j in ((12, 3e6, 3e6), (24, 5e6, 5e6), (37, 6e6, 1e6)):
        watch.elapsed_s, watch._ice_j = 3600.0 * hours, total_j
        watch._see_slowly()
        assert watch.view.day_ice_j == of_the_day_j
