"""The opponents keep to their rules, look after the line, and start nothing blindly."""

from math import inf, nan
from pathlib import Path

import pytest
from fakes import FakeScenario
from hypothesis import given
from hypothesis import strategies as st

from controller import Commands, Controller, Measurements
from sim import Plant, Scenario
from sim.policies import GALLON_A_MINUTE_KG_S, POLICIES, RULES, Rule, RulePolicy, make_policy, pump_dial

DIALLED_DUTY = 0.3
OPPONENTS = tuple(RULES)
T0_S = 1.7e9
MILD = Path(__file__).parents[2] / "scenarios" / "mild-wet-winter.toml"


def read(minute=0.0, core_c=55.0, greenhouse_c=5.0, outdoor_c=5.0):
    time_s = T0_S + 60.0 * minute
    return Measurements(time_s=time_s, pile_core_c=core_c, greenhouse_c=greenhouse_c, outdoor_c=outdoor_c)


def dial(flow_kg_s):
    return min(1.0, DIALLED_DUTY * flow_kg_s / GALLON_A_MINUTE_KG_S)


def opponent(name):
    return RulePolicy(name, RULES[name], greenhouse_min_c=7.0, dial=dial)


def draws(policy, measurements):
    return policy.step(measurements).commands.pump_duty > 0.0


@pytest.mark.parametrize("flow_kg_s", [0.02, GALLON_A_MINUTE_KG_S, 0.15])
def test_the_dial_gives_the_flow_on_the_real_pump(flow_kg_s):
    scenario = Scenario.load(MILD)
    plant = Plant(scenario, seed=1)
    plant.apply(Commands(1.0))
    plant.advance(2.0)
    plant.apply(Commands(pump_dial(scenario)(flow_kg_s)))
    plant.advance(30.0)
    assert plant.truth.flow_kg_s == pytest.approx(flow_kg_s, rel=0.15)


def test_the_dial_ends_at_nothing_and_at_full():
    duty_for = pump_dial(Scenario.load(MILD))
    assert (duty_for(0.0), duty_for(inf)) == (0.0, 1.0)


def test_a_resting_pump_is_kicked_loose_for_two_seconds():
    policy = opponent("steady")
    first, second = policy.step(read()), policy.step(read(2 / 60))
    assert (first.commands.pump_duty, first.next_s) == (1.0, 2.0)
    assert second.commands.pump_duty == pytest.approx(DIALLED_DUTY)
    assert second.next_s == 60.0
    assert second.commands.fan_duty == 1.0


def test_full_is_always_on():
    policy = opponent("full")
    for minute in range(0, 3000, 60):
        commands = policy.step(read(minute, core_c=10.0, greenhouse_c=30.0)).commands
        assert (commands.pump_duty, commands.fan_duty) == (1.0, 1.0)


def test_off_never_moves_anything():
    policy = opponent("off")
    for minute in range(0, 200):
        decision = policy.step(read(minute, outdoor_c=-20.0))
        assert (decision.commands.pump_duty, decision.commands.fan_duty) == (0.0, 0.0)


def test_thermostat_has_its_five_kelvin():
    policy = opponent("thermostat")
    cores_c = [48.0, 50.1, 47.0, 45.1, 44.9, 49.0, 50.1]
    on = [draws(policy, read(k, core_c=c)) for k, c in enumerate(cores_c)]
    assert on == [False, True, True, True, False, False, True]


def test_demand_follows_the_greenhouse_and_never_asks_the_pile():
    policy = opponent("demand")
    houses_c = [12.0, 8.9, 10.5, 11.1, 9.5]
    assert [draws(policy, read(k, core_c=5.0, greenhouse_c=c)) for k, c in enumerate(houses_c)] == [
        False, True, True, False, False,
    ]  # fmt: skip


def test_timer_runs_ten_hours_from_eight_in_the_evening():
    policy = opponent("timer")
    on = [draws(policy, read(60 * hour)) for hour in range(48)]
    assert on == [hour % 24 >= 20 or hour % 24 < 6 for hour in range(48)]


def test_timer_begins_at_the_first_calls_midnight():
    policy = opponent("timer")
    assert draws(policy, read(0))


@pytest.mark.parametrize("name", [n for n in OPPONENTS if n not in ("off", "full", "steady")])
def test_frost_brings_one_minute_in_twenty_when_resting(name):
    policy = opponent(name)
    noon = 12 * 60
    policy.step(read(0, core_c=20.0, greenhouse_c=20.0))
    on = [draws(policy, read(noon + m, core_c=20.0, greenhouse_c=20.0, outdoor_c=-5.0)) for m in range(60)]
    assert on == [m % 20 == 0 for m in range(60)]


def test_no_frost_pulse_above_freezing():
    policy = opponent("thermostat")
    assert not any(draws(policy, read(m, core_c=20.0, outdoor_c=0.5)) for m in range(60))


@pytest.mark.parametrize("name", ["thermostat", "demand"])
def test_nothing_starts_without_the_reading_that_it_needs(name):
    policy = opponent(name)
    for minute in range(60):
        decision = policy.step(read(minute, core_c=nan, greenhouse_c=nan, outdoor_c=nan))
        assert decision.commands.pump_duty == 0.0
        assert decision.limit == "sensor"


def test_a_short_gap_in_the_readings_is_bridged_and_a_long_one_stops_the_draw():
    policy = opponent("thermostat")
    policy.step(read(0))
    on = [draws(policy, read(minute, core_c=nan)) for minute in (1, 5, 10, 11, 12)]
    assert on == [True, True, True, False, False]


floats = st.floats(allow_nan=True, allow_infinity=True)


@given(name=st.sampled_from(OPPONENTS), rows=st.lists(st.tuples(floats, floats, floats, floats), max_size=20))
def test_any_floats_give_duties_in_range(name, rows):
    policy = opponent(name)
    for time_s, core_c, greenhouse_c, outdoor_c in rows:
        decision = policy.step(
            Measurements(time_s=time_s, pile_core_c=core_c, greenhouse_c=greenhouse_c, outdoor_c=outdoor_c)
        )
        assert 0.0 <= decision.commands.pump_duty <= 1.0
        assert 0.0 <= decision.commands.fan_duty <= 1.0
        assert 1.0 <= decision.next_s <= 60.0
        assert decision.reason


def test_warmheap_is_the_controller():
    assert isinstance(make_policy("warmheap", Scenario.load(MILD)), Controller)


def test_every_name_but_tuned_builds_alone():
    scenario = Scenario.load(MILD)
    for name in POLICIES:
        if name != "tuned":
            assert 0.0 <= make_policy(name, scenario).step(read()).commands.pump_duty <= 1.0


def test_tuned_needs_its_rule():
    with pytest.raises(ValueError, match="needs its rule"):
        make_policy("tuned", Scenario.load(MILD))
    assert isinstance(make_policy("tuned", Scenario.load(MILD), Rule()), RulePolicy)


def test_an_unknown_name_is_told_the_known_ones():
    with pytest.raises(ValueError, match="'clever' is not one of warmheap, off, full"):
        make_policy("clever", FakeScenario())


def test_a_rule_reads_as_a_sentence():
    rule = Rule(fan_duty=0.3, pile_on_c=53, pile_off_c=49, demand_k=4, from_hour=18, hours=14)
    assert str(rule) == (
        "1.0 gal/min, fan at 30%; core on at 53 °C, off at 49 °C;"
        " when the greenhouse is under its minimum + 4 K; 14 h a day from 18:00"
    )
