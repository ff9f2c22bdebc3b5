"""Seasons side by side: the same on any number of workers, and what is there is kept when stopped."""

import signal
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from sim import Scenario, parallel
from sim.compare import WITHOUT_SEARCH, compare
from sim.parallel import Job, run_jobs
from sim.policies import RULES, Rule
from sim.search import Tried, best_rule, choose, grid

MILD = Path(__file__).parents[2] / "scenarios" / "mild-wet-winter.toml"
DAYS = 1.0


@pytest.fixture(scope="module")
def scenario():
    return Scenario.load(MILD)


def without_clock(result):
    return {k: v for k, v in result.summary().items() if k != "wall_seconds"}


def test_results_do_not_depend_on_the_number_of_workers(scenario):
    names = ("steady", "warmheap", "off")
    alone, together = (compare(scenario, names, DAYS, seed=3, workers=n) for n in (1, 2))
    assert list(alone) == list(together) == list(names)
    for name in names:
        assert without_clock(alone[name]) == without_clock(together[name])
    assert alone["steady"].summary()["drawn_kwh"] > 0.0 == alone["off"].summary()["drawn_kwh"]


@pytest.mark.parametrize("workers", [1, 2])
def test_progress_names_the_policy(scenario, workers):
    heard = set()
    compare(scenario, ("steady", "off"), DAYS, workers=workers, told=lambda label, days, core_c: heard.add(label))
    assert heard == {"steady", "off"}


def test_ctrl_c_with_workers_keeps_the_seasons_begun(scenario):
    def stop(label, days_done, core_c):
        raise KeyboardInterrupt

    results = compare(scenario, WITHOUT_SEARCH, 30.0, workers=2, told=stop)
    assert results
    cut = [r for r in results.values() if r.interrupted]
    assert cut and all(0.0 < r.summary()["days"] < 30.0 for r in cut)


def test_ctrl_c_alone_keeps_the_season_begun_and_begins_no_other(scenario):
    def stop(label, days_done, core_c):
        raise KeyboardInterrupt

    results = compare(scenario, ("steady", "off"), DAYS, workers=1, told=stop)
    assert list(results) == ["steady"]
    assert results["steady"].interrupted


def test_tuned_is_not_among_the_quick_ones():
    assert set(WITHOUT_SEARCH) == {"warmheap", *RULES}


def test_a_worker_ignores_ctrl_c_and_obeys_the_event(scenario, monkeypatch):
    ignored = []
    monkeypatch.setattr(parallel.signal, "signal", lambda number, handler: ignored.append((number, handler)))
    monkeypatch.setattr(parallel, "_worker", {})

    class News:
        def cancel_join_thread(self):
            pass

        def put(self, message):
            ignored.append(message)

    class Stop:
        def is_set(self):
            return True

    twin = parallel.twin_of(scenario, 1, DAYS)
    parallel._start_worker(News(), Stop(), (scenario, DAYS, 1, None), twin)
    result = parallel._run_job(Job("a", "off"), parallel.whole)
    assert ignored[0] == (parallel.signal.SIGINT, parallel.signal.SIG_IGN)
    assert ignored[1][0] == "a"
    assert result.interrupted


def test_ctrl_c_while_workers_are_born_is_heard_afterwards():
    reached = []
    with pytest.raises(KeyboardInterrupt):
        with parallel.ctrl_c_held():
            signal.raise_signal(signal.SIGINT)
            reached.append(signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, ()))
    assert reached == [True]
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_beside_the_main_thread_signals_are_left_alone(scenario):
    before = signal.getsignal(signal.SIGINT)
    with ThreadPoolExecutor(1) as thread:
        results = thread.submit(compare, scenario, ("steady", "off"), 0.1, workers=2).result()
    assert set(results) == {"steady", "off"}
    assert signal.getsignal(signal.SIGINT) is before


def test_keep_decides_what_comes_back(scenario):
    kept = run_jobs(scenario, [Job("a", "off")], 0.1, 1, workers=1, keep=type)
    assert kept["a"].__name__ == "SeasonResult"


def test_search_takes_the_rule_that_avoids_most(scenario):
    never, always = Rule(flow_kg_s=0.0), Rule(fan_duty=0.3)
    told = []
    best = best_rule(scenario, 4.0, workers=1, rules=[never, always], searched=lambda *count: told.append(count))
    worth = {r: best_rule(scenario, 4.0, workers=1, rules=[r]) for r in (never, always)}
    assert best == choose(list(worth.values()))
    assert told == [(1, 2), (2, 2)]


def test_a_stopped_search_gives_nothing(scenario):
    def stop(done, total):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        best_rule(scenario, DAYS, workers=1, rules=[Rule(), Rule()], searched=stop)


def test_most_heat_among_those_that_leave_the_pile_warm():
    rules = [Rule(fan_duty=x / 10) for x in range(3)]
    cold, warm, warmer = (Tried(r, kwh, h) for r, kwh, h in zip(rules, (900, 500, 400), (24.0, 23.9, 0.0), strict=True))
    assert choose([cold, warm, warmer]) is warm


def test_fewest_cold_hours_when_every_rule_chills():
    bad, worse = Tried(Rule(), 100.0, 50.0), Tried(Rule(fan_duty=1.0), 900.0, 800.0)
    assert choose([worse, bad]) is bad


def test_the_grid_has_no_rule_twice_and_every_rule_a_floor():
    rules = grid()
    assert len({str(r) for r in rules}) == len(rules) == 162
    assert all(r.pile_on_c > r.pile_off_c >= 46.0 for r in rules)
