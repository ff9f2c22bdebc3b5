"""Campaigns: which runs there are, what a row holds, one file that is never mixed up, hostile files, worst runs."""

from __future__ import annotations

import dataclasses
import json
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from controller import Controller
from sim import Scenario, campaign, campaign_workers, run_season
from sim.campaign import (
    COLUMNS,
    FIGURES,
    CampaignError,
    Crew,
    CrewError,
    Run,
    Seasons,
    as_text,
    from_text,
    program,
    run_all,
    task,
)
from sim.campaign_book import open_book, read_book
from sim.campaign_figures import by_policy, worst
from sim.campaign_picture import LANE, draw_campaign, spread
from sim.population import random_season

SCENARIOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))
MILD = next(path for path in SCENARIOS if path.stem == "mild-wet-winter")
DAYS = 0.5


def plan(**changes) -> Seasons:
    made = {"scenario": as_text(Scenario.load(MILD)), "first": 4, "seasons": 2, "days": DAYS}
    return Seasons(**(made | {"policies": ("warmheap", "steady")} | changes))


def row(run: int, policy: str = "warmheap", avoided_kwh: float | None = 100.0, cold_h: float = 0.0, **more):
    figures = dict.fromkeys(FIGURES, 1.0)
    figures |= {"backup_avoided_kwh": avoided_kwh, "cold_hours_from_draw": cold_h, "core_min_c": 50.0 - run}
    named = {"run": run, "seed": run, "policy": policy, "start": "12-01", "weather": "w", "volume_m3": 9.0}
    return named | figures | {"alarms": "[]", "limited_by_h": "{}", "error": None} | more


def by_threads(what: Seasons, runs: list[Run]) -> list[dict]:
    rows = []
    with ThreadPoolExecutor(1) as pool:
        run_all(Crew(pool, lambda: None), what, runs, lambda r, wall_s: rows.append(r))
    return sorted(rows, key=lambda r: r["run"])


def test_runs_are_numbered_policy_by_policy_within_a_season():
    assert plan().runs() == [
        Run(0, 4, "warmheap"), Run(1, 4, "steady"), Run(2, 5, "warmheap"), Run(3, 5, "steady"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"policies": ("clever",)}, "policy 'clever' is not one of warmheap, off"),
        ({"policies": ("tuned",)}, "policy 'tuned' is searched anew for each plant"),
        ({"policies": ("off", "off")}, "name each one once"),
        ({"policies": ()}, "at least one"),
        ({"seasons": 0}, "seasons = 0 is outside 1..1000000"),
        ({"first": -1}, "first = -1 is outside 0.."),
        ({"first": 2**40}, "is outside 0..2147483647"),
        ({"days": float("nan")}, "days = nan is outside 0..730"),
    ],
)
def test_a_campaign_that_makes_no_sense_is_refused(changes, told):
    with pytest.raises(CampaignError) as refused:
        plan(**changes)
    assert told in str(refused.value) and "\n" not in str(refused.value)


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda p: p.stem)
def test_a_scenario_kept_as_text_gives_the_same_plants(path):
    scenario = Scenario.load(path)
    again = from_text(as_text(scenario))
    assert again.model_dump() == scenario.model_dump()
    assert random_season(again, 7).built.model_dump() == random_season(scenario, 7).built.model_dump()


def test_a_row_holds_what_the_season_alone_comes_to():
    what, case = plan(), random_season(Scenario.load(MILD), 4)
    alone = run_season(case.built, Controller(case.settings), DAYS, seed=4).summary()
    got, wall_s = task(what, what.runs()[0], program())
    assert tuple(got) == COLUMNS
    assert {name: got[name] for name in FIGURES} == {name: alone[name] for name in FIGURES}
    assert json.loads(got["limited_by_h"]) == alone["limited_by_h"]
    assert got["volume_m3"] == case.built.pile.volume and wall_s > 0.0


def test_our_controller_is_told_the_design_and_not_the_plant(monkeypatch):
    told = []
    monkeypatch.setattr(campaign, "Controller", lambda settings: told.append(settings) or Controller(settings))
    task(plan(), plan().runs()[0], program())
    case = random_season(Scenario.load(MILD), 4)
    assert told == [case.settings] and told != [case.built.controller_settings()]


def test_any_executor_will_do_and_a_broken_run_does_not_end_the_campaign(monkeypatch):
    play = campaign.play

    def play_but_one(what, run, progress=None):
        if run.number == 1:
            raise ZeroDivisionError("made to fail")
        return play(what, run, progress)

    monkeypatch.setattr(campaign, "play", play_but_one)
    rows = by_threads(plan(), plan().runs())
    assert [r["run"] for r in rows] == [0, 1, 2, 3]
    assert [r["error"] for r in rows] == [None, "ZeroDivisionError: made to fail", None, None]
    assert set(rows[1]) == set(COLUMNS) and rows[1]["seed"] == 4


def test_a_run_that_is_stopped_gives_no_row(monkeypatch):
    monkeypatch.setattr(campaign_workers, "_worker", {"stop": type("Stop", (), {"is_set": lambda self: True})()})
    assert task(plan(), plan().runs()[0], program())[0] is None


def test_a_worker_with_another_program_is_refused():
    with pytest.raises(CrewError, match="another version of warmheap"):
        task(plan(), plan().runs()[0], "0" * 16)


def test_what_ends_a_campaign_early_stops_the_workers():
    halted = []

    def full(row, wall_s):
        raise CampaignError("disk full")

    with ThreadPoolExecutor(1) as pool, pytest.raises(CampaignError):
        run_all(Crew(pool, lambda: halted.append(True)), plan(seasons=50), plan(seasons=50).runs(), full)
    assert halted == [True]


def test_the_file_goes_on_where_it_was_left_and_gives_rows_by_number(tmp_path):
    path, what = tmp_path / "a.sqlite", plan()
    with open_book(path, what) as book:
        assert book.missing(what) == what.runs()
        for number in (3, 0):
            book.add(row(number), 1.0)
    with open_book(path, what) as book:
        assert [run.number for run in book.missing(what)] == [1, 2]
        assert book.rows() == [row(0), row(3)]
    with read_book(path) as book:
        assert book.plan() == what and book.program() == program()


def test_every_row_is_on_the_disk_at_once(tmp_path):
    path = tmp_path / "a.sqlite"
    with open_book(path, plan()) as book:
        book.add(row(0), 1.0)
        with sqlite3.connect(path) as other:
            assert other.execute("SELECT run FROM runs").fetchall() == [(0,)]
        assert book._db.execute("PRAGMA synchronous").fetchone() == (3,)  # EXTRA
        assert not book._db.in_transaction


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"days": 1.5}, "--days was 0.5, now 1.5"),
        ({"seasons": 1}, "--seasons was 2, now 1"),
        ({"first": 0}, "--first was 4, now 0"),
        ({"policies": ("steady", "warmheap")}, "--policy was warmheap steady, now steady warmheap"),
        (
            {"scenario": as_text(Scenario.load(MILD).varied({"pile.volume": "20 m3"}))},
            "pile.volume was 13.762, now 20;",
        ),
    ],
)
def test_another_campaign_on_the_same_file_is_refused_and_the_difference_named(tmp_path, changes, told):
    path = tmp_path / "a.sqlite"
    with open_book(path, plan()):
        pass
    with pytest.raises(CampaignError) as refused, open_book(path, plan(**changes)):
        pass
    assert told in str(refused.value) and "repeat its own command or name another file" in str(refused.value)


def test_a_campaign_may_grow_and_says_so_when_asked_for_fewer(tmp_path):
    path = tmp_path / "a.sqlite"
    with open_book(path, plan()) as book:
        book.add(row(0), 1.0)
    with open_book(path, plan(seasons=3)) as book:
        assert book.plan() == plan(seasons=3)
        assert [run.number for run in book.missing(plan(seasons=3))] == [1, 2, 3, 4, 5]
    with pytest.raises(CampaignError, match="--seasons was 3, now 2"), open_book(path, plan()):
        pass


def test_another_program_on_the_same_file_is_refused(tmp_path, monkeypatch):
    path = tmp_path / "a.sqlite"
    with open_book(path, plan()):
        pass
    monkeypatch.setattr("sim.campaign_book.program", lambda: "another")
    with pytest.raises(CampaignError, match="begun with another version of warmheap"), open_book(path, plan()):
        pass


def test_a_second_campaign_waits_outside_but_a_reader_may_look(tmp_path):
    path = tmp_path / "a.sqlite"
    with open_book(path, plan()) as book:
        with pytest.raises(CampaignError, match="another campaign is writing to it now"), open_book(path, plan()):
            pass
        with read_book(path) as reader:
            assert reader.rows() == []
        book.add(row(0), 1.0)  # the refused one took no lock away


def test_a_first_transaction_cut_short_is_begun_again(tmp_path):
    path = tmp_path / "a.sqlite"
    path.touch()
    with open_book(path, plan()) as book:
        assert book.rows() == []


def make_text(path):
    path.write_text("heat, hours\n1, 2\n" * 500)


def make_other(path):
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE ticks (id)")


def make_newer(path):
    with open_book(path, plan()):
        pass
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 99")


def make_cut(path):
    with open_book(path, plan()):
        pass
    path.write_bytes(path.read_bytes()[:4096])


def make_forgetful(path):
    with open_book(path, plan()):
        pass
    with sqlite3.connect(path) as db:
        db.execute("DELETE FROM campaign WHERE name = 'scenario'")


@pytest.mark.parametrize("make", [make_text, make_other, make_newer, make_cut, make_forgetful, Path.mkdir])
def test_a_hostile_file_costs_one_line_and_is_left_as_it_is(tmp_path, make):
    path = tmp_path / "a.sqlite"
    make(path)
    before = path.read_bytes() if path.is_file() else None
    for opened in (lambda: open_book(path, plan()), lambda: read_book(path)):
        with pytest.raises(CampaignError) as refused, opened() as book:
            book.rows()
        assert str(path) in str(refused.value) and "\n" not in str(refused.value)
    assert (path.read_bytes() if path.is_file() else None) == before


def test_a_full_disk_costs_one_line_and_no_row(tmp_path):
    path = tmp_path / "a.sqlite"
    with open_book(path, plan()) as book:
        book.add(row(0), 1.0)
        (pages,) = book._db.execute("PRAGMA page_count").fetchone()
        book._db.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(CampaignError, match="full"):
            book.add(row(1, error="x" * 20_000), 1.0)
    with open_book(path, plan()) as book:
        assert book.rows() == [row(0)]


def test_figures_of_a_policy_by_hand():
    rows = [row(n, avoided_kwh=10.0 * n, cold_h=float(n == 3) * 5.0) for n in range(11)] + [row(11, error="broke")]
    figures = by_policy(rows)["warmheap"]
    assert figures["runs"] == 11
    assert figures["backup_avoided_kwh"] == pytest.approx({"mean": 50.0, "median": 50.0, "worst_tenth": 10.0})
    assert (figures["cold_hours_from_draw"], figures["seasons_with_cold_hours"]) == (5.0, 1)
    assert figures["core_min_c"] == 40.0


def test_worst_is_most_cold_hours_then_least_heat_for_every_policy():
    rows = [row(0, avoided_kwh=9.0), row(1, avoided_kwh=1.0), row(2, cold_h=3.0), row(3, "full", cold_h=99.0)]
    assert [r["run"] for r in worst(rows, each=2)] == [2, 1, 3]


def test_without_a_heater_useful_heat_counts():
    rows = [row(n, avoided_kwh=None, heat_useful_kwh=5.0 - n) for n in range(3)]
    assert [r["run"] for r in worst(rows)] == [2, 1, 0]
    assert by_policy(rows)["warmheap"]["backup_avoided_kwh"] is None


def test_equal_dots_lie_apart_within_their_lane():
    heights = spread(np.zeros(40))
    assert np.abs(heights).max() <= LANE
    assert np.diff(np.sort(heights)).min() > 0.3 * 2 * LANE / 40


def test_the_picture_marks_the_worst_runs_of_every_policy(tmp_path, monkeypatch):
    from matplotlib.figure import Figure

    texts = []
    save = Figure.savefig

    def seen(figure, *args, **more):
        texts.extend(t.get_text() for axes in figure.axes for t in axes.texts)
        save(figure, *args, **more)

    monkeypatch.setattr(Figure, "savefig", seen)
    rows = [row(n, p, avoided_kwh=50.0 + n, cold_h=float(n)) for n, p in enumerate(("warmheap", "full") * 4)]
    draw_campaign(rows, "Invented", tmp_path / "a.png")
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")
    marked = {text for text in texts if text.startswith("run ")}
    assert marked == {"run 4", "run 6", "run 5", "run 7"}
    assert "no cold hour in 1 of 4 seasons, 12 h in all" in texts


def test_plans_are_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError):
        plan().days = 3.0
