"""``warmheap campaign faults``: a file that resumes and is never mixed, one episode with its picture, mistakes in one
line."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from sim.campaign import Crew
from warmheap import campaign_faults
from warmheap.campaign_fault_tables import cells, fault_lines
from warmheap.campaign_faults import replay_command, row_text
from warmheap.cli import main

ROOT = Path(__file__).parents[2]
WORDS = ["campaign", "faults", "mild-wet-winter", "--seed", "2"]


@pytest.fixture(autouse=True)
def at_root_in_one_process(monkeypatch):
    """Workers of a pool would start the simulator anew for each test; a thread does the same work."""
    from concurrent.futures import ThreadPoolExecutor
    from contextlib import contextmanager

    @contextmanager
    def by_thread(workers):
        with ThreadPoolExecutor(1) as pool:
            yield Crew(pool, lambda: None)

    monkeypatch.chdir(ROOT)
    monkeypatch.setattr("sim.campaign_workers.local_crew", by_thread)


def rows_in(path: Path) -> list[tuple]:
    with closing(sqlite3.connect(path)) as db:
        return list(db.execute("SELECT * FROM runs ORDER BY run"))


def refused(capsys, *words: object) -> str:
    assert main([str(w) for w in words]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    return told


def test_a_campaign_goes_on_where_it_was_and_is_one_json_object(tmp_path, capsys):
    path = tmp_path / "f.sqlite"
    assert main([*WORDS, "--episodes", "2", "--shrink", "0", "--out", str(path), "--json"]) == 0
    whole = json.loads(capsys.readouterr().out)
    before = rows_in(path)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("DELETE FROM runs WHERE run = 0")
        db.execute("DELETE FROM clock WHERE run = 0")
    assert main([*WORDS, "--episodes", "2", "--shrink", "0", "--out", str(path)]) == 0
    told = capsys.readouterr()
    assert rows_in(path) == before
    assert "2 runs, 1 of them already there" in told.err and "faults took effect" in told.out
    assert whole["done"] == 2 and whole["totals"]["faults"] == whole["totals"]["bit"] > 0
    assert sum(line["n"] for line in whole["faults"].values()) == whole["totals"]["faults"]
    assert main([*WORDS, "--episodes", "3", "--shrink", "0", "--out", str(path)]) == 0
    assert "3 runs, 2 of them already there" in capsys.readouterr().err
    assert rows_in(path)[:2] == before and len(rows_in(path)) == 3
    assert "--episodes was 3, now 2" in refused(capsys, *WORDS, "--episodes", 2, "--out", path)
    assert "holds another campaign: --seed was 2, now 3" in refused(
        capsys, *WORDS[:-1], "3", "--episodes", 3, "--out", path
    )
    assert "kind was faults, now faultless" in refused(capsys, *WORDS, "--episodes", 3, "--faultless", "--out", path)
    other = refused(capsys, "campaign", "seasons", "mild-wet-winter", "--out", path)
    assert "holds a campaign of faults, not of seasons" in other


def test_one_episode_again_with_its_picture(tmp_path, capsys):
    words = [*WORDS[:3], "--episode", "0/12/1:fan-stuck-on@2+6*1", "--out", str(tmp_path / "e")]
    assert main(words) == 0
    told = capsys.readouterr().out
    assert "fan-stuck-on: took effect, named after 0.0 h by fan-runs-on" in told
    assert (tmp_path / "e" / "episode.png").read_bytes().startswith(b"\x89PNG")
    kept = json.loads((tmp_path / "e" / "episode.json").read_text())
    assert kept["faults"][0]["took_effect"] is True and kept["episode"] == "0/12/1:fan-stuck-on@2+6*1"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--out", "a.csv"], "name a file that ends in .sqlite"),
        (["--out", "a.sqlite", "--episode", "0/12/1:"], "name a folder"),
        (["--out", "a", "--episode", "nonsense"], "episode 'nonsense' is not PLANT/DAY/DAYS"),
        (["--out", "a", "--episode", "0/12/1:pump-siezed@1+1*1"], "did you mean pump-seized"),
        (["--out", "a.sqlite", "--episodes", "0"], "'0' is not a whole number"),
        (["--out", "a.sqlite", "--shrink", "x"], "'x' is not a whole number"),
        (["--out", "no/such/a.sqlite"], "there is no folder no/such"),
    ],
)
def test_mistakes_cost_one_line_and_write_nothing(tmp_path, monkeypatch, capsys, words, told):
    (tmp_path / "scenarios").symlink_to(ROOT / "scenarios")
    monkeypatch.chdir(tmp_path)
    assert told in refused(capsys, *WORDS[:3], *words)
    assert [p.name for p in tmp_path.iterdir()] == ["scenarios"]


def test_a_folder_that_cannot_be_written_costs_one_line(tmp_path, capsys):
    (tmp_path / "e").write_text("a file")
    assert "--out" in refused(capsys, *WORDS[:3], "--episode", "0/12/0.1:", "--out", tmp_path / "e")


def test_a_broken_rule_is_told_with_the_command_that_plays_it(monkeypatch):
    rules = {
        "dry-run": {"episodes": 1, "run": 7, "episode": "x", "at_h": 1.0, "state": "s", "with": {"pump-seized": 1}}
    }
    monkeypatch.setattr(campaign_faults, "_smallest", lambda *a: "0/12/1:pump-seized@2+6*1")
    command = replay_command("mild-wet-winter", "0/12/1:pump-seized@2+6*1", 7)
    assert (
        command == "warmheap campaign faults mild-wet-winter --episode '0/12/1:pump-seized@2+6*1' --out out/episode-7"
    )
    totals = dict.fromkeys(
        "episodes unsafe_episodes unsafe_anyway_episodes bit faults seen "
        "named tellable named_tellable due kept alarmed first_right".split(),
        1,
    )
    told = {
        "totals": totals | {"no_bite": [{"run": 3, "fault": "tarp-off", "episode": "t"}]},
        "failed": [],
        "file": "f",
    }
    lines = fault_lines(told | {"rules": {"dry-run": rules["dry-run"] | {"replay": command}}})
    assert f"  dry-run: {command}" in lines and any("no effect: tarp-off in episode 3" in line for line in lines)


def test_a_row_and_a_line_in_words():
    assert row_text({"run": 3, "error": None, "unsafe": "{}"}) == "episode 3: safe"
    assert row_text({"run": 3, "error": None, "unsafe": '{"dry-run": [1, "s"]}'}) == "episode 3: dry-run"
    assert row_text({"run": 3, "error": "E: x", "unsafe": None}) == "episode 3 broke down: E: x"
    line = {
        "n": 4,
        "bit": 4,
        "unsafe": 1,
        "unsafe_alone": 0,
        "seen": 0,
        "named": 0,
        "due": 0,
        "kept": 0,
        "median_min": None,
        "p95_min": None,
    }
    assert cells(line) == ["4", "4", "1", "0", "0", "-", "-", "-", "-"]
