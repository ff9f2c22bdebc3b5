"""Random plants, the rule, the proof and the search: honest errors, old gains kept, same table by any executor."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from controller.identify.dead_time import DeadTimeFit, identify_dead_time, unit_answer
from controller.identify.verdict import good, repeat_with
from controller.tuning_choice import Rule, cautious_gains, tuned_from_fit
from controller.tuning_rules import Gains, Process, half_rule, simc_pi
from sim.scenario import Scenario
from sim.tuning_loops import answers, loops_of, margins_of
from sim.tuning_picture import draw_tuning
from sim.tuning_plants import FLOW, SESSION_TICK_S, SUPPLY, Design, designs, flow_design, random_plants, reduced
from sim.tuning_proof import CHUNK, FIELDS, Proof, judged, load_error, prove
from sim.tuning_rule import tight_gains, tuned
from sim.tuning_search import COLUMNS, chosen_of, cost, front_of, gains_of, searched, tried

MILD = Path(__file__).parents[2] / "scenarios" / "mild-wet-winter.toml"
TIGHT = Rule(closed_loop_delays=1.0, caution_sd=0.0)
# near those of the example scenarios, so that most tests need no simulated pile
FLOW_LOOP = Design(
    FLOW, Process(0.4, 1.0, 5.0), 10.0, 0.0126, 0.015, 0.0013, 0.14, 1.0, "kg/s", Gains(0.3, 5.0)
)  # fmt: skip
SUPPLY_LOOP = Design(
    SUPPLY, Process(-100.0, 150.0, 16.0, 25.0), 60.0, 1.0, 0.0126, 0.05, 0.06, 2.2, "K", Gains(-0.0016, 1200.0)
)
BOTH = pytest.mark.parametrize("design", [FLOW_LOOP, SUPPLY_LOOP], ids=["flow", "supply"])


# --- plants


@BOTH
def test_a_number_always_gives_the_same_plant(design: Design) -> None:
    assert random_plants(design, 3, range(5, 8)) == random_plants(design, 3, range(20))[5:8]
    assert random_plants(design, 4, range(5, 8)) != random_plants(design, 3, range(5, 8))


@BOTH
def test_plants_fill_the_range_of_half_off_and_are_known_within_twice_their_uncertainty(design: Design) -> None:
    plants = random_plants(design, 1, range(2000))
    for name in ("gain", "lag_s", "delay_s"):
        factor = np.array([getattr(p.true, name) for p in plants]) / getattr(design.process, name)
        assert 0.5 <= factor.min() < 0.52 and 1.48 < factor.max() <= 1.5
    off = np.array([p.found.gain - p.true.gain for p in plants]) / [p.gain_sd for p in plants]
    assert np.abs(off).max() <= 2.0 + 1e-9 and 0.8 < off.std() < 1.0 and abs(off.mean()) < 0.1
    late = np.array([p.found.delay_s - reduced(p.true).delay_s for p in plants]) / [p.delay_sd_s for p in plants]
    assert np.abs(late).max() <= 2.0 + 1e-9 and late.std() > 0.6
    assert 0.02 < np.mean([not p.good for p in plants]) < 0.09


@pytest.mark.slow
def test_real_identification_is_no_worse_than_the_proof_assumes() -> None:
    """Steps of true plants, recorded every 2 s with the probe's noise and resolution, through the session's own fit."""
    chance, errors = np.random.default_rng(9), []
    for plant in random_plants(SUPPLY_LOOP, 7, range(12)):
        time_s = np.arange(-30.0, 1500.0, SESSION_TICK_S)
        lags = plant.true.lag_s, plant.true.lag2_s
        slow, quick = (unit_answer(time_s, np.zeros(1), np.ones(1), plant.true.delay_s, lag) for lag in lags)
        clean = 0.0126 * plant.true.gain * (lags[0] * slow - lags[1] * quick) / (lags[0] - lags[1])
        seen = np.round((clean + chance.normal(0.0, 0.05, time_s.size)) / 0.0625) * 0.0625
        fit = identify_dead_time(time_s, np.where(time_s >= 0.0, 0.0126, 0.0), seen)
        simple = reduced(plant.true)
        assert fit.verdict.good, fit.verdict.reason
        assert fit.gain_sd <= 0.2 * abs(fit.gain) and fit.lag_sd_s <= 0.25 * fit.lag_s + SESSION_TICK_S
        errors.append((fit.gain / simple.gain - 1.0, fit.lag_s / simple.lag_s - 1.0, fit.delay_s - simple.delay_s))
    gain, lag, delay = np.abs(errors).max(axis=0)
    assert gain < 0.1 and lag < 0.2 and delay < 2.0 * (SESSION_TICK_S + 0.1 * 24.0 + 0.02 * 225.0)


def test_the_loops_of_a_scenario_are_those_of_its_pump_and_pile() -> None:
    scenario = Scenario.load(MILD)
    settings = scenario.controller_settings()
    flow, supply = designs(scenario, settings)
    assert 0.1 < flow.process.gain < settings.pump_full_flow_kg_s / (1.0 - scenario.pump.start_duty)
    assert flow.old.integral_s == pytest.approx(5.0) and flow.room > 0.0
    # a step test with the simulator gave 3 to 16 K for the whole target, lags of 100 to 700 s (test_reference_tuning)
    assert -16.0 < supply.process.gain * settings.flow_target_kg_s < -3.0
    assert 100.0 < supply.process.lag_s < 700.0 and 0.0 <= supply.process.delay_s < 30.0
    assert supply.process.lag2_s == scenario.sensors.water_temperature.lag
    gain = -settings.supply_loop_gain_per_k * settings.flow_target_kg_s
    assert supply.old == pytest.approx((gain, settings.supply_loop_integral_s, 0.0))


def test_a_pump_that_is_far_too_weak_is_refused_by_name() -> None:
    scenario = Scenario.load(MILD)
    weak = scenario.varied({"line.static_head": 5.0, "pump.max_head": 4.0})
    with pytest.raises(ValueError, match="pump.max_flow"):
        flow_design(weak, scenario.controller_settings())


# --- the rule


def test_without_caution_the_rule_is_simc_with_half_a_tick_more_delay() -> None:
    found = Process(-90.0, 170.0, 28.0)
    gains = cautious_gains(found, 9.0, 20.0, 4.0, 60.0, Rule(3.0, 0.0))
    assert gains == simc_pi(Process(-90.0, 170.0, 58.0), 174.0)
    assert tight_gains(Process(-90.0, 157.5, 15.5, 25.0), 60.0) == pytest.approx(
        simc_pi(Process(-90.0, 170.0, 58.0), 58.0)
    )


@pytest.mark.parametrize("which", range(3))
def test_more_uncertainty_never_makes_the_loop_faster(which: int) -> None:
    sds = [9.0, 20.0, 4.0]
    before = cautious_gains(Process(-90.0, 170.0, 28.0), *sds, 60.0, Rule())
    sds[which] *= 2.0
    after = cautious_gains(Process(-90.0, 170.0, 28.0), *sds, 60.0, Rule())
    assert abs(after.gain) < abs(before.gain) and abs(after.integral_gain) <= abs(before.integral_gain) + 1e-15


def test_a_lag_hardly_known_costs_nothing_where_the_dead_time_rules() -> None:
    known = cautious_gains(Process(0.4, 1.0, 5.0), 0.02, 0.0, 1.0, 10.0, Rule())
    unsure = cautious_gains(Process(0.4, 1.0, 5.0), 0.02, 2.0, 1.0, 10.0, Rule())
    assert unsure.integral_gain == pytest.approx(known.integral_gain)


def fit(**changes: object) -> DeadTimeFit:
    found = DeadTimeFit(-90.0, 5.0, 170.0, 15.0, 28.0, 4.0, 40.0, 0.1, good("dead time 28 s, lag 170 s"))
    return found._replace(**changes)


OLD = Gains(-0.0016, 1200.0)


def test_a_good_identification_gives_new_gains() -> None:
    made = tuned_from_fit(fit(), OLD, 60.0)
    assert not made.kept_old and made.gains == cautious_gains(fit().process, 5.0, 15.0, 4.0, 60.0, Rule())
    assert "SIMC" in made.why


def test_a_spoiled_identification_keeps_the_old_gains_and_says_why() -> None:
    made = tuned_from_fit(fit(verdict=repeat_with("a quieter sensor")), OLD, 60.0)
    assert made == (OLD, True, "The old gains stay. Repeat with a quieter sensor.")


def test_a_record_without_a_step_keeps_the_old_gains_and_says_why() -> None:
    made = tuned_from_fit(identify_dead_time(np.arange(50.0), np.zeros(50), np.ones(50)), OLD, 60.0)
    assert made.kept_old and made.gains == OLD and "never changed" in made.why


def test_an_answer_in_the_wrong_direction_keeps_the_old_gains() -> None:
    made = tuned_from_fit(fit(gain=90.0), OLD, 60.0)
    assert made.kept_old and "rises where it must fall" in made.why


def test_a_spoiled_plant_runs_on_the_old_gains() -> None:
    plants = random_plants(FLOW_LOOP, 1, range(200))
    spoiled = next(p for p in plants if not p.good)
    assert tuned(spoiled, FLOW_LOOP, Rule()) == FLOW_LOOP.old
    assert tuned(next(p for p in plants if p.good), FLOW_LOOP, Rule()) != FLOW_LOOP.old


# --- the proof


@BOTH
def test_the_rule_keeps_every_goal_on_two_thousand_plants(design: Design) -> None:
    proof = prove(design, 2000, 1, Rule())
    assert len(proof.table) == 2000 and [goal.text for goal in proof.goals() if not goal.met] == []
    assert proof.summary()["price"]["integral_of_error_to_load_step_over_tight_simc"]["median"] < 3.0


@BOTH
def test_the_tight_rule_is_found_wanting(design: Design) -> None:
    proof = prove(design, 500, 1, TIGHT)
    assert sum(not goal.met for goal in proof.goals()) >= 3


def test_the_table_is_the_same_by_any_executor_and_for_any_part() -> None:
    alone = prove(SUPPLY_LOOP, 2 * CHUNK + 10, 5, Rule())
    with ThreadPoolExecutor(2) as pool:
        assert np.array_equal(alone.table, prove(SUPPLY_LOOP, 2 * CHUNK + 10, 5, Rule(), pool).table)
    assert judged(SUPPLY_LOOP, 5, Rule(), range(300, 303)) == pytest.approx(alone.table[300:303], rel=1e-6)


def test_margins_in_the_table_are_those_of_the_true_plant() -> None:
    plant = random_plants(SUPPLY_LOOP, 1, range(31))[30]
    row = judged(SUPPLY_LOOP, 1, Rule(), range(30, 31))[0]
    ours = margins_of(loops_of([plant.true], [tuned(plant, SUPPLY_LOOP, Rule())], 60.0))
    assert row[FIELDS.index("peak_sensitivity")] == ours.peak_sensitivity[0]
    wrong = margins_of(loops_of([plant.found], [tuned(plant, SUPPLY_LOOP, Rule())], 60.0))
    assert row[FIELDS.index("peak_sensitivity")] != wrong.peak_sensitivity[0]


def test_the_integral_of_the_error_to_a_load_step_is_the_load_over_the_integral_gain() -> None:
    """In closed form for any stable loop with integral action (Astrom and Hagglund, PID Controllers; from memory)."""
    design = SUPPLY_LOOP
    gains = tight_gains(design.process, design.tick_s)
    load, nothing = np.full((1, 800), design.load), np.zeros((1, 1))
    seen = answers(loops_of([design.process], [gains], design.tick_s), nothing, load, nothing)
    assert float(seen.output.sum() * design.tick_s) == pytest.approx(design.load / gains.integral_gain, rel=1e-6)
    assert load_error(design, [design.process], [gains])[0] >= abs(design.load / gains.integral_gain) * (1.0 - 1e-6)


def test_goals_count_what_they_say() -> None:
    table = np.tile(judged(FLOW_LOOP, 1, Rule(), range(1)), (100, 1))
    sound = Proof(FLOW_LOOP, table)
    assert all(goal.met for goal in sound.goals())
    for column, value, goal in (
        ("peak_sensitivity", 2.01, 1), ("gain_margin", 1.99, 2), ("phase_margin_deg", 44.9, 3), ("drift_stable", 0.0, 4),
    ):  # fmt: skip
        one_bad = table.copy()
        one_bad[7, FIELDS.index(column)] = value
        assert [k for k, g in enumerate(Proof(FLOW_LOOP, one_bad).goals()) if not g.met] == [goal]
    many = table.copy()
    many[:6, FIELDS.index("peak_sensitivity")] = 1.71
    assert [g.met for g in Proof(FLOW_LOOP, many).goals()] == [False, True, True, True, True]


# --- the search


def test_the_search_is_the_same_by_any_executor_and_its_choice_keeps_the_goals(tmp_path: Path) -> None:
    alone = searched(SUPPLY_LOOP, 12, 1)
    with ThreadPoolExecutor(2) as pool:
        assert np.array_equal(alone.table, searched(SUPPLY_LOOP, 12, 1, pool).table)
    assert alone.goals_met and alone.gains == gains_of(alone.table[alone.chosen])
    aims = alone.table[:, [COLUMNS.index(name) for name in ("tracking", "travel", "ms_share")]]
    assert alone.front == sorted(alone.front, key=lambda row: aims[row, 2])
    for row in alone.front[::5]:
        assert not np.any(np.all(aims < aims[row], axis=1))
    chosen, tight = alone.table[alone.chosen], alone.named["tight SIMC"]
    assert cost(chosen[None], 1.7)[0] < cost(tight[None], 1.7)[0]
    draw_tuning([alone], 12, 1, "An invented plant", tmp_path / "tuning.png")
    assert (tmp_path / "tuning.png").stat().st_size > 20_000


def test_the_search_keeps_to_gains_that_the_settings_can_hold() -> None:
    least, most = Gains(0.0008, 20.0), Gains(0.002, 7200.0)
    table = searched(SUPPLY_LOOP._replace(settable=(least, most)), 4, 1).table
    proportional, integral_s = -table[:, 0], table[:, 0] / table[:, 1]
    assert least.gain <= proportional.min() < proportional.max() <= most.gain * (1.0 + 1e-12)
    assert least.integral_s * (1.0 - 1e-12) <= integral_s.min() < integral_s.max() <= most.integral_s
    free = searched(SUPPLY_LOOP, 4, 1).table
    assert (free[:, 0] / free[:, 1]).min() < least.integral_s or (-free[:, 0]).max() > most.gain


def test_margins_of_a_candidate_are_those_of_the_worst_plant() -> None:
    gains = tight_gains(SUPPLY_LOOP.process, 60.0)
    row = tried(SUPPLY_LOOP, 20, 1, np.array([[gains.gain, gains.integral_gain]]))[0]
    true = [plant.true for plant in random_plants(SUPPLY_LOOP, 1, range(20))]
    seen = margins_of(loops_of(true, [gains] * 20, 60.0))
    assert row[COLUMNS.index("ms_most")] == pytest.approx(seen.peak_sensitivity.max(), rel=2e-3)
    assert row[COLUMNS.index("gain_margin")] == pytest.approx(seen.gain_margin.min(), rel=5e-3)


def test_an_unstable_candidate_is_worst_of_all_and_never_on_the_front() -> None:
    wild = tight_gains(SUPPLY_LOOP.process, 60.0)
    calm = np.array([0.3, 0.3]) * (wild.gain, wild.integral_gain)
    table = tried(SUPPLY_LOOP, 10, 1, np.array([calm, calm * 40.0]))
    assert table[1, COLUMNS.index("stable")] < 1.0 and np.isfinite(table).all()
    assert cost(table, 1.7)[1] > 100.0 * cost(table, 1.7)[0]
    assert front_of(table) == [0] and chosen_of(table) == 0


def test_where_no_gains_keep_the_goals_the_calmest_are_chosen() -> None:
    wild = tight_gains(SUPPLY_LOOP.process, 60.0)
    base = np.array([wild.gain, wild.integral_gain])
    table = tried(SUPPLY_LOOP, 10, 1, np.array([3.0 * base, 1.5 * base, 2.0 * base]))
    assert chosen_of(table) == 1


def test_more_proportional_gain_travels_more() -> None:
    base = tight_gains(FLOW_LOOP.process, 10.0)
    rows = np.array([[base.gain, base.integral_gain], [3.0 * base.gain, base.integral_gain]])
    calm, lively = tried(FLOW_LOOP, 10, 1, rows)[:, COLUMNS.index("travel")]
    assert lively > calm


def test_a_pump_near_its_smallest_duty_is_started_anew() -> None:
    base = tight_gains(FLOW_LOOP.process, 10.0)
    row = np.array([[base.gain, base.integral_gain]])
    narrow = FLOW_LOOP._replace(step=-0.02, room=0.04)
    assert tried(FLOW_LOOP, 10, 1, row)[0, COLUMNS.index("stops")] == 0.0
    assert tried(narrow, 10, 1, row)[0, COLUMNS.index("stops")] > 0.0


def test_half_rule_is_what_reduces_two_lags() -> None:
    assert reduced(Process(2.0, 100.0, 10.0, 30.0)) == half_rule(2.0, [100.0, 30.0], 10.0)
