"""The season loop and its scores, on a plant whose every figure can be told by hand."""

import json
import pickle
from math import nan

import numpy as np
import pytest
from fakes import DRAW_W, HEAT_CAPACITY_J_K, MADE_W, NEEDED_W, Constant, FakePlant, FakeScenario

from controller import Alarm, Commands, Decision
from sim import score, season
from sim.history import History
from sim.season import run_season, twin_of

DAY_H = 24.0
CONTRACT = """heat_water_kwh heat_air_kwh heat_useful_kwh backup_avoided_kwh core_min_c cold_hours_from_draw
supply_rmse_c flow_mean_kg_s pump_wh fan_wh battery_outage_h alarms sim_seconds wall_seconds""".split()


@pytest.fixture(autouse=True)
def fake_plant(monkeypatch):
    monkeypatch.setattr(season, "Plant", FakePlant)
    monkeypatch.setattr(season, "_twins", season.OrderedDict())


class Scripted:
    """A policy that decides by the number of the call, from 0 up."""

    def __init__(self, decide):
        self.decide = decide
        self.calls = 0

    def step(self, measurements):
        self.calls += 1
        return self.decide(self.calls - 1)


def pump(duty):
    return Decision(Commands(duty), "harvest", "none", "Scripted.")


def test_totals_are_those_of_the_plant():
    s = run_season(FakeScenario(), Constant(0.2, fan_duty=0.5), days=2).summary()
    assert s["heat_water_kwh"] == pytest.approx(0.2 * DRAW_W * 2 * DAY_H / 1000)
    assert s["heat_made_kwh"] == pytest.approx(MADE_W * 2 * DAY_H / 1000)
    assert s["pump_wh"] == pytest.approx(60 * 0.2 * 2 * DAY_H)
    assert s["fan_wh"] == pytest.approx(30 * 0.5 * 2 * DAY_H)
    assert s["flow_mean_kg_s"] == pytest.approx(0.1)
    assert s["sim_seconds"] == 2 * 86400
    assert s["limited_by_h"] == {"none": pytest.approx(48.0)}


def test_backup_avoided_is_the_twins_need_less_ours():
    s = run_season(FakeScenario(), Constant(0.2), days=1).summary()
    assert s["backup_without_pile_kwh"] == pytest.approx(NEEDED_W * DAY_H / 1000)
    assert s["backup_avoided_kwh"] == pytest.approx(0.2 * DRAW_W * DAY_H / 1000)


def test_no_heater_no_backup_figure():
    s = run_season(FakeScenario(backup=False), Constant(0.2), days=1).summary()
    assert s["backup_avoided_kwh"] is None and s["backup_kwh"] is None


def test_summary_has_the_contract_keys_and_is_json():
    s = run_season(FakeScenario(), Constant(0.0), days=0.5).summary()
    assert set(CONTRACT) <= set(s)
    assert json.loads(json.dumps(s, allow_nan=False))["supply_rmse_c"] is None


def test_cold_hours_begin_when_the_drawn_core_passes_the_floor():
    s = run_season(FakeScenario(), Constant(0.5), days=2).summary()
    hours_to_floor = (60.0 - 45.0) * HEAT_CAPACITY_J_K / (0.5 * DRAW_W) / 3600
    assert s["cold_hours_from_draw"] == pytest.approx(48.0 - hours_to_floor, abs=0.2)
    assert s["core_min_c"] == pytest.approx(60.0 - 0.5 * DRAW_W * 2 * 86400 / HEAT_CAPACITY_J_K)


@pytest.mark.parametrize(
    ("next_s", "called_after_s"), [(60.0, 60.0), (7.0, 7.0), (0.1, 1.0), (900.0, 60.0), (-5.0, 1.0)]
)
def test_the_controllers_own_wish_is_held_to_one_to_sixty_seconds(next_s, called_after_s):
    policy = Constant(0.2, next_s=next_s)
    run_season(FakeScenario(), policy, days=420 / 86400)
    assert policy.calls == 420 / called_after_s


def test_a_fixed_tick_overrules_the_controllers_wish():
    policy = Constant(0.2, next_s=60.0)
    result = run_season(FakeScenario(), policy, days=0.5, tick_s=7)
    assert policy.calls == -(-43200 // 7)
    assert result.summary()["sim_seconds"] == 43200


def test_history_has_a_row_every_ten_minutes():
    result = run_season(FakeScenario(), Constant(0.2), days=1)
    assert np.array_equal(result.history.elapsed_s, np.arange(145) * 600.0)
    assert result.history["pump_duty"][1:] == pytest.approx(0.2)


def test_duty_in_the_history_is_the_mean_since_the_row_before():
    result = run_season(FakeScenario(), Scripted(lambda call: pump(call % 2)), days=0.25)
    assert result.history["pump_duty"][1:] == pytest.approx(0.5)


def test_supply_error_counts_only_after_ten_minutes_of_flow():
    ten_on_one_off = Scripted(lambda call: pump(0.2 if call % 11 else 0.0))
    assert run_season(FakeScenario(), ten_on_one_off, days=0.25).summary()["supply_rmse_c"] is None
    steady = run_season(FakeScenario(), Constant(0.2), days=0.25).summary()
    assert steady["supply_rmse_c"] == pytest.approx(40.0 - 38.0)


def test_an_alarm_is_counted_each_time_it_comes_up():
    flat = Alarm("battery-flat", "warning", 0.0, "11.2 V", "charge it")

    def alarms(call):
        on = (flat,) if call % 10 < 5 else ()
        return Decision(Commands(), "rest", "battery", "Flat.", alarms=on)

    s = run_season(FakeScenario(), Scripted(alarms), days=100 * 60 / 86400).summary()
    assert s["alarms"] == [{"code": "battery-flat", "count": 10}]


def test_ctrl_c_keeps_what_was_computed():
    def stop(call):
        if call == 300:
            raise KeyboardInterrupt
        return pump(0.2)

    result = run_season(FakeScenario(), Scripted(stop), days=2)
    s = result.summary()
    assert result.interrupted and s["interrupted"]
    assert s["days"] == pytest.approx(300 * 60 / 86400, abs=0.01)
    assert s["heat_water_kwh"] == pytest.approx(0.2 * DRAW_W * 5 / 1000)
    assert s["backup_avoided_kwh"] == pytest.approx(s["heat_water_kwh"])


def test_progress_is_told_every_six_hours_and_may_stop_the_season():
    heard = []

    def progress(days_done, core_c):
        heard.append((round(days_done, 2), core_c))
        if days_done > 0.7:
            raise KeyboardInterrupt

    result = run_season(FakeScenario(), Constant(0.0), days=2, progress=progress)
    assert result.interrupted
    assert [days for days, _ in heard] == [0.24, 0.49, 0.74]
    assert heard[0][1] == 60.0


def test_the_twin_is_computed_once_and_a_longer_one_serves_a_shorter():
    before = FakePlant.built
    long = twin_of(FakeScenario(), 1, 3)
    assert twin_of(FakeScenario(), 1, 2) is long
    assert FakePlant.built == before + 1
    assert twin_of(FakeScenario(), 2, 2) is not long
    assert twin_of(FakeScenario(), 1, 4) is not long


def test_twins_kept_are_bounded():
    for seed in range(40):
        twin_of(FakeScenario(), seed, 0.01)
    assert len(season._twins) == season._TWINS_KEPT


@pytest.mark.parametrize("days", [0, -1, nan, float("inf"), 1e6])
def test_days_that_make_no_sense_are_refused(days):
    with pytest.raises(ValueError, match="days = .* is outside"):
        run_season(FakeScenario(), Constant(0.0), days=days)


@pytest.mark.parametrize("tick_s", [0, 0.5, 61, nan, -1])
def test_ticks_that_make_no_sense_are_refused(tick_s):
    with pytest.raises(ValueError, match="tick_s = .* is outside 1..60"):
        run_season(FakeScenario(), Constant(0.0), days=1, tick_s=tick_s)


def test_history_survives_pickling():
    history = run_season(FakeScenario(), Constant(0.2), days=0.5).history
    again = pickle.loads(pickle.dumps(history))
    assert np.array_equal(again["core_c"], history["core_c"])
    assert again.limits == history.limits
    assert len(again) == len(history)


def test_history_without_rows_has_totals_of_zero():
    assert History(1.0).total("made_j") == 0.0


HOURS = np.arange(0.0, 101.0) * 3600.0


def cold(core_c, twin_c, drawn_w, made_w=1000.0):
    columns = (np.broadcast_to(np.asarray(x, float), HOURS.shape) for x in (core_c, twin_c))
    return score.cold_hours_from_draw(HOURS, *columns, drawn_w * HOURS, made_w * HOURS)


def test_cold_with_a_living_twin_is_the_draws_fault():
    assert cold(44.0, 48.0, 0.0) == 100.0


def test_cold_with_a_dying_twin_and_no_draw_is_nobodys_fault():
    assert cold(44.0, 47.9, 0.0) == 0.0


def test_cold_with_a_dying_twin_is_the_draws_fault_above_five_percent():
    assert cold(44.0, 40.0, 49.0) == 0.0
    assert cold(44.0, 40.0, 51.0) == 100.0


def test_a_warm_core_is_never_cold():
    assert cold(45.0, 60.0, 5000.0) == 0.0


def test_a_days_growth_of_a_ramp():
    grown = score.in_last_day(HOURS, 2.0 * HOURS)
    assert grown[50] == pytest.approx(2 * 86400.0)
    assert grown[12] == pytest.approx(2 * 12 * 3600.0)


def test_coldest_core_counts_from_the_twins_first_hot_hour():
    core_c, twin_c = np.array([12.0, 30.0, 48.0, 60.0]), np.array([12.0, 52.0, 60.0, 60.0])
    assert score.coldest_once_hot(core_c, twin_c, 50.0) == 30.0
    assert score.coldest_once_hot(core_c, twin_c, 70.0) == 12.0


def test_heat_of_each_day():
    elapsed_s = np.arange(0.0, 60.0) * 3600.0  # two days and eleven hours
    kwh = score.heat_per_day(elapsed_s, 1000.0 * elapsed_s)
    assert kwh == pytest.approx([24.0, 24.0, 11.0])
