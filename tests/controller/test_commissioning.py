"""The guided session on a small plant of its own equations: what it learns, what it never does, how it takes up again."""

from __future__ import annotations

import json
import random
from math import inf, isfinite, nan

import pytest
from commission_rig import Rig, answer_of, drive
from hypothesis import given, settings
from hypothesis import strategies as st

from controller import ControllerSettings, Measurements
from controller.commissioning import Commissioning
from controller.commissioning_plan import (
    BUCKETS,
    DONE,
    DOWN,
    DRAW,
    FAN_UP,
    FIRST,
    ORDER,
    REST,
    START,
    TAPE,
    UP,
    at_time,
    levels_down,
    levels_up,
    search_plan,
)
from controller.commissioning_results import as_json, learn
from controller.commissioning_watch import Permission, Watch
from controller.identify import GOOD, UNKNOWN
from controller.memory import SnapshotError

S = ControllerSettings()


@pytest.fixture(scope="module")
def whole():
    rig = Rig()
    session = Commissioning(S, core_k=2.0)
    steps = drive(session, rig)
    return rig, session, steps, learn(session)


def test_the_session_ends_within_the_hour_and_passes_every_stage_it_can(whole) -> None:
    rig, session, steps, _ = whole
    assert steps[-1].done and rig.time_s - 1.7e9 < 3600.0
    seen = list(dict.fromkeys(step.stage for step in steps))
    assert seen == [name for name in ORDER if name != BUCKETS[2]]  # full power would take more heat than is left
    assert not session.given_up


def test_it_finds_what_the_rig_is_made_of(whole) -> None:
    rig, _, _, found = whole
    assert found.pump.verdict.kind == GOOD and found.fan.verdict.kind == GOOD
    assert found.pump.start_duty == pytest.approx(0.22, abs=0.012)
    assert found.pump.run_duty == pytest.approx(0.15, abs=0.015)
    for duty in (0.35, 0.6, 0.9):
        assert found.pump.at(duty) == pytest.approx(0.5 * (duty - 0.1275) / 0.8725, rel=0.05)
    assert found.fan.start_duty == pytest.approx(0.18, abs=0.02)
    assert found.probes.offset_k == pytest.approx(0.3, abs=0.05)
    assert found.start.verdict.kind == GOOD and found.start.delay_s < 25.0
    if found.coil.verdict.kind == GOOD:
        assert found.coil.ua_w_k == pytest.approx(400.0, rel=0.2)


def test_results_are_json(whole) -> None:
    text = json.dumps(as_json(whole[3]), allow_nan=False)
    assert json.loads(text)["pump"]["verdict"]["kind"] == GOOD


def test_pump_and_fan_never_run_together_and_duties_are_shares(whole) -> None:
    for step in whole[2]:
        assert 0.0 <= step.commands.pump_duty <= 1.0 and 0.0 <= step.commands.fan_duty <= 1.0
        assert min(step.commands.pump_duty, step.commands.fan_duty) == 0.0
        assert step.question is None or step.commands.pump_duty == 0.0


def test_everything_shown_is_a_sentence(whole) -> None:
    assert all(step.instruction.endswith(".") for step in whole[2])
    assert all(verdict.reason.endswith(".") for verdict in whole[3].verdicts().values())


# --- it gives way


def test_a_permission_from_outside_is_never_exceeded() -> None:
    chance = random.Random(1)

    def allow(rig: Rig, step) -> Permission:
        return Permission(chance.choice((0.0, 1.0, 0.3, nan)), 1.0, "somebody says no")

    rig, session = Rig(), Commissioning(S)
    answer, before = nan, {}
    for _ in range(600):
        limit = allow(rig, None)
        step = session.step(rig.measure(), limit, answer)
        assert step.commands.pump_duty <= (limit.pump_duty if isfinite(limit.pump_duty) else 0.0)
        if step.done:
            break
        answer = answer_of(rig, step, before)
        rig.commands = step.commands
        rig.advance(step.next_s)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"volts": 11.0}, "battery"),
        ({"core_c": 45.5}, "floor"),
        ({"missing": ("pile_core_c",)}, "no pile probe"),
        ({"missing": ("water_supply_c",)}, "supply probe"),
        ({"core_c": 75.0}, "hot"),
    ],
)
def test_each_guard_stops_the_pump_and_is_named(change, word: str) -> None:
    rig, session = Rig(**change), Commissioning(S)
    steps = drive(session, rig)
    assert steps[-1].done
    reasons = [step.reason for step in steps if step.reason] + list(session.given_up.values())
    assert any(word in reason for reason in reasons), reasons
    if word != "hot":
        assert rig.pumped == 0.0
    assert learn(session).pump.verdict.kind != GOOD


def test_a_pump_without_water_is_stopped_before_it_runs_dry_for_long() -> None:
    rig, session = Rig(blocked=True), Commissioning(S)
    steps = drive(session, rig)
    hard_s = sum(step.next_s for step in steps if step.commands.pump_duty > 0.4)
    assert hard_s < 120.0 and "dry" in session.given_up[START]
    assert "dry" in learn(session).pump.verdict.reason


def test_the_heat_budget_is_kept_by_the_guard_even_if_nothing_else_ends_the_draw() -> None:
    small = ControllerSettings(pile_wet_mass_kg=500.0)
    rig, session = Rig(coil_kg=400.0), Commissioning(small)
    drive(session, rig)
    core_j_k = 600.0 * 500.0
    assert session.watch.heat.cooled_k < 1.0
    assert session.watch.heat.cooled_k * core_j_k > 0.0


def test_bad_air_stops_the_fan_only() -> None:
    watch = Watch(S)
    m = Measurements(time_s=0.0, pile_core_c=60.0, water_supply_c=30.0, greenhouse_co2=0.01, fan_battery_v=12.7)
    _, allowed = watch.look(m, 0.0, 0.5)
    assert allowed.fan_duty == 0.0 and allowed.pump_duty == 1.0 and "carbon dioxide" in allowed.reason


# --- what is not fitted


def test_without_a_flow_meter_buckets_take_its_place() -> None:
    rig, session = Rig(missing=("water_flow_kg_s",)), Commissioning(S, core_k=3.0)
    steps = drive(session, rig)
    stages = {step.stage for step in steps}
    assert set(BUCKETS) <= stages and not {UP, DOWN} & stages
    found = learn(session)
    assert found.pump.verdict.kind == GOOD
    assert found.pump.at(0.7) == pytest.approx(0.5 * (0.7 - 0.1275) / 0.8725, rel=0.07)
    assert not isfinite(found.pump.run_duty) and found.pump.voltage_verdict.kind == UNKNOWN


def test_without_tachometer_and_return_probe_the_rest_is_still_learnt() -> None:
    rig, session = Rig(missing=("fan_speed_hz", "water_return_c")), Commissioning(S)
    stages = {step.stage for step in drive(session, rig)}
    found = learn(session)
    assert FAN_UP not in stages and found.fan.verdict.kind == UNKNOWN
    assert found.coil.verdict.kind == UNKNOWN and "return probe" in found.coil.verdict.reason
    assert found.pump.verdict.kind == GOOD and found.start.verdict.kind == GOOD


def test_answers_left_out_are_no_answers() -> None:
    rig, session = Rig(), Commissioning(S)
    for _ in range(3):
        step = session.step(rig.measure(), answer=-1.0)
        rig.advance(step.next_s)
    assert session.stage == REST and session.watch.heat.coil_kg == 0.0


# --- taking up again


def test_cut_and_restored_at_random_steps_it_does_the_same() -> None:
    plain, cut = [], []
    for steps, chance in ((plain, None), (cut, random.Random(5))):
        rig, session, answer, before = Rig(), Commissioning(S), nan, {}
        for _ in range(1500):
            if chance and chance.random() < 0.1:
                session = Commissioning.restore(S, json.loads(json.dumps(session.snapshot(), allow_nan=False)))
            step = session.step(rig.measure(), answer=answer)
            steps.append((step.commands, step.stage, step.next_s))
            if step.done:
                break
            if step.question and step.question.key.endswith("-ready"):
                before[step.stage] = rig.pumped
            answer = answer_of(rig, step, before)
            rig.commands = step.commands
            rig.advance(step.next_s)
    assert plain == cut


def test_after_a_long_silence_the_stage_begins_again() -> None:
    rig, session = Rig(), Commissioning(S)
    session.step(rig.measure(), answer=-1.0)
    while session.stage != FIRST or session.in_stage_s < 60.0:
        step = session.step(rig.measure(), answer=-1.0)
        rig.commands = step.commands
        rig.advance(step.next_s)
    rig.time_s += 3600.0
    session.step(rig.measure())
    assert session.stage == FIRST and session.in_stage_s == 0.0 and len(session.record(FIRST)) <= 1


@pytest.mark.parametrize(
    "damage",
    [
        lambda s: None,
        lambda s: s | {"version": 99},
        lambda s: s | {"rows": [["start", ["x"]]]},
        lambda s: {k: v for k, v in s.items() if k != "notes"},
        lambda s: s | {"memory": s["memory"] | {"stage": "nowhere"}},
    ],
)
def test_a_damaged_snapshot_is_refused_in_one_line(damage) -> None:
    with pytest.raises(SnapshotError) as refused:
        Commissioning.restore(S, damage(Commissioning(S).snapshot()))
    assert "\n" not in str(refused.value)


# --- plans, and any floats


def test_plans_by_hand() -> None:
    plan = search_plan(blind=False)
    assert plan[0][0] == 0.04 and plan[1][0] == 0.05 and plan[-1][0] <= 0.9
    assert [d for d, _ in levels_up(0.3)] == [0.33, 0.42, 0.55, 0.75, 1.0]
    down = [d for d, _ in levels_down(0.2)]
    assert down == sorted(down, reverse=True) and min(down) >= 0.01
    assert at_time([(0.2, 5.0), (0.4, 5.0)], 5.0) == 0.4 and not isfinite(at_time([(0.2, 5.0)], 5.0))


ANY = st.floats(allow_nan=True, allow_infinity=True) | st.sampled_from([0.0, 12.5, 60.0, 85.0, 0.05, -inf])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(ANY, ANY, ANY, ANY, ANY, ANY, ANY), min_size=1, max_size=60))
def test_no_floats_make_it_raise_or_leave_its_range(rows) -> None:
    session, now = Commissioning(S), 0.0
    for dt, flow, supply, back, core, volts, answer in rows:
        now += dt if abs(dt) < 1e5 else 1.0
        m = Measurements(
            time_s=now, water_flow_kg_s=flow, water_supply_c=supply, water_return_c=back, pile_core_c=core,
            pump_battery_v=volts, fan_battery_v=volts, fan_speed_hz=flow,
        )  # fmt: skip
        step = session.step(m, Permission(answer, flow, "x"), answer)
        assert 0.0 <= step.commands.pump_duty <= 1.0 and 0.0 <= step.commands.fan_duty <= 1.0
        assert 1.0 <= step.next_s <= 60.0 and step.stage in ORDER
    json.dumps(session.snapshot(), allow_nan=False)


def test_the_draw_is_recorded_and_the_rest_is_not(whole) -> None:
    session = whole[1]
    assert len(session.record(DRAW)) > 20 and not session.record(DONE) and not session.record(TAPE)


def test_the_coil_is_told_by_the_meter_as_the_bucket_corrected_it() -> None:
    """Conductance goes with flow times warming: a meter 6 % off must not put it 6 % off where a bucket said so."""

    def learned(meter: float):
        session = Commissioning(S, core_k=2.0)
        drive(session, Rig(meter=meter, coil_kg=20.0))
        return learn(session)

    true, low = learned(1.0), learned(0.94)
    assert low.coil.verdict.kind == true.coil.verdict.kind == GOOD
    assert low.coil.ua_w_k == pytest.approx(0.94 * low.meter.scale * true.coil.ua_w_k, rel=0.01)
    assert low.meter.scale > 1.02
