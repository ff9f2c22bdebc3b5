"""``warmheap campaign``: the same table from any workers, through kills and Ctrl-C; replays; mistakes in one line."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import closing, contextmanager
from io import StringIO
from pathlib import Path

import pytest

from sim import campaign_workers
from sim.campaign import Crew
from warmheap import campaign_cluster
from warmheap.campaign_progress import Count, PlainShown, run_text, span_text
from warmheap.cli import main

ROOT = Path(__file__).parents[2]
SEASONS, DAYS = 4, 3
RUNS = 2 * SEASONS
WORDS = ["campaign", "seasons", "mild-wet-winter", "--policy", "warmheap", "steady", "--days", str(DAYS)]
WORDS += ["--seasons", str(SEASONS), "--first", "3"]


@pytest.fixture(autouse=True)
def at_root(monkeypatch):
    monkeypatch.chdir(ROOT)


def table(path: Path) -> list[tuple]:
    """Everything in the file but the wall times."""
    with closing(sqlite3.connect(path)) as db:
        return [
            *db.execute("SELECT * FROM campaign ORDER BY name"),
            *db.execute("SELECT rowid, * FROM runs ORDER BY rowid"),
        ]


def rows_in(path: Path) -> int:
    with closing(sqlite3.connect(path)) as db:
        return db.execute("SELECT count(*) FROM runs").fetchone()[0]


@pytest.fixture(scope="module")
def reference(tmp_path_factory):
    """The file that one worker makes; made once, never changed."""
    path = tmp_path_factory.mktemp("campaign") / "one.sqlite"
    before = Path.cwd()
    os.chdir(ROOT)
    try:
        assert main([*WORDS, "--out", str(path), "--workers", "1"]) == 0
    finally:
        os.chdir(before)
    assert rows_in(path) == RUNS
    return path


def begun(path: Path) -> subprocess.Popen:
    """The same campaign as a process group of its own, with its first run done."""
    process = subprocess.Popen(
        [sys.executable, "-m", "warmheap", *WORDS, "--out", str(path), "--workers", "2"],
        cwd=ROOT, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
    )  # fmt: skip
    for line in process.stderr:
        if f"of {RUNS} runs" in line:
            return process
    raise AssertionError(process.communicate())


def refused(capsys, *words) -> str:
    """Run a command that must be refused and return its one line."""
    code = main([str(w) for w in words])
    out, err = capsys.readouterr()
    lines = [line for line in err.splitlines() if "Ctrl-C keeps" not in line]
    assert (code, out, len(lines)) == (2, "", 1), (code, out, err)
    assert lines[0].startswith("warmheap: ")
    return lines[0]


def test_two_workers_give_the_table_of_one(reference, tmp_path):
    path = tmp_path / "two.sqlite"
    assert main([*WORDS, "--out", str(path), "--workers", "2"]) == 0
    assert table(path) == table(reference)


def test_killed_half_way_and_resumed_gives_the_same_table(reference, tmp_path, capsys):
    path = tmp_path / "killed.sqlite"
    process = begun(path)
    os.killpg(process.pid, signal.SIGKILL)
    process.communicate()
    done = rows_in(path)
    assert 0 < done < RUNS
    assert main([*WORDS, "--out", str(path), "--workers", "2"]) == 0
    assert f"{RUNS} runs, {done} of them already there" in capsys.readouterr().err
    assert table(path) == table(reference)


def test_ctrl_c_keeps_what_is_done_and_says_how_to_go_on(reference, tmp_path):
    path = tmp_path / "stopped.sqlite"
    process = begun(path)
    os.killpg(process.pid, signal.SIGINT)  # the terminal sends it to the workers too
    out, err = process.communicate(timeout=30)
    done = rows_in(path)
    assert process.returncode == 130 and 0 < done < RUNS
    last = err.splitlines()[-1]
    assert last == (f"warmheap: stopped after {done} of {RUNS} runs, all kept in {path}; repeat the command to go on")
    assert "Traceback" not in err and "Worst runs" in out
    assert set(table(path)) < set(table(reference))


def children(pid: int) -> list[int]:
    return [int(p) for p in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_a_killed_campaign_leaves_no_worker_behind(tmp_path):
    process = begun(tmp_path / "orphans.sqlite")
    born = children(process.pid)
    assert len(born) >= 2
    process.kill()
    process.wait()
    late_s = time.monotonic() + 10.0
    while any(map(alive, born)) and time.monotonic() < late_s:
        time.sleep(0.1)
    assert not [pid for pid in born if alive(pid)]


def test_a_lost_worker_costs_one_line_and_no_row(reference, tmp_path, monkeypatch, capsys):
    path = tmp_path / "lost.sqlite"

    @contextmanager
    def dying_crew(workers):
        with ThreadPoolExecutor(1) as pool:
            yield Crew(Dying(pool), lambda: None)

    class Dying:
        def __init__(self, pool):
            self.pool, self.left = pool, 2

        def submit(self, *task):
            self.left -= 1
            if self.left >= 0:
                return self.pool.submit(*task)
            lost = Future()
            self.pool.submit(lost.set_exception, BrokenProcessPool("A process was terminated"))
            return lost

    monkeypatch.setattr(campaign_workers, "local_crew", dying_crew)
    code = main([*WORDS, "--out", str(path)])
    last = capsys.readouterr().err.splitlines()[-1]
    assert code == 2
    assert "a worker was lost (BrokenProcessPool: A process" in last and "repeat the command to go on" in last
    assert set(table(path)) < set(table(reference)) and rows_in(path) > 0


def test_a_dask_cluster_of_two_gives_the_table_of_one(reference, tmp_path):
    distributed = pytest.importorskip("distributed")
    path = tmp_path / "dask.sqlite"
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        assert main([*WORDS, "--out", str(path), "--dask", cluster.scheduler_address]) == 0
    assert table(path) == table(reference)


def test_a_finished_campaign_is_only_shown(reference, capsys):
    before = table(reference)
    assert main([*WORDS, "--out", str(reference), "--json"]) == 0
    out, err = capsys.readouterr()
    told = json.loads(out)
    assert err == ""
    assert (told["done"], told["runs"], told["failed"]) == (RUNS, RUNS, [])
    assert list(told["policies"]) == ["warmheap", "steady"]
    assert {row["seed"] for row in told["worst"]} <= set(range(3, 3 + SEASONS))
    assert told["worst"][0]["replay"].startswith(f"warmheap campaign replay {reference} --run ")
    assert Path(told["picture"]).read_bytes().startswith(b"\x89PNG")
    assert table(reference) == before


def test_the_tables_name_heat_and_cold_hours_together(reference, capsys):
    assert main([*WORDS, "--out", str(reference)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    for told in ("Backup avoided", "Cold hours", "Worst runs of each policy", "--run", "Seed", f"wrote {reference}"):
        assert told in out


def test_a_run_replayed_alone_gives_the_figures_of_the_file_and_a_picture(reference, tmp_path, capsys):
    out = tmp_path / "alone"
    assert main(["campaign", "replay", str(reference), "--run", "4", "--out", str(out), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told == json.loads((out / "season.json").read_text())
    assert (out / "season.png").read_bytes().startswith(b"\x89PNG")
    with closing(sqlite3.connect(reference)) as db:
        kept = db.execute("SELECT seed, policy, backup_avoided_kwh, cold_hours_from_draw FROM runs WHERE run = 4")
        assert kept.fetchone() == tuple(
            told[k] for k in ("seed", "policy", "backup_avoided_kwh", "cold_hours_from_draw")
        )
    assert told["compared"] == "The figures are those of the file, to the last digit."


def test_a_replay_says_when_its_figures_are_others(reference, tmp_path, capsys):
    path = tmp_path / "touched.sqlite"
    path.write_bytes(reference.read_bytes())
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE runs SET pump_wh = pump_wh + 1 WHERE run = 1")
        db.execute("DELETE FROM runs WHERE run = 0")
    for number, told in ((1, "not those of the file: pump_wh differ"), (0, "has no figures of this run yet")):
        assert main(["campaign", "replay", str(path), "--run", str(number), "--out", str(tmp_path / "r")]) == 0
        assert told in " ".join(capsys.readouterr().out.split())


def test_another_command_on_the_same_file_is_refused(reference, capsys):
    told = refused(capsys, *WORDS, "--out", reference, "--days", "7")
    assert "holds another campaign: --days was 3, now 7;" in told


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "the following arguments are required: KIND"),
        (["faults", "mild-wet-winter"], "the following arguments are required: --out"),
        (["seasons", "mild-wet-winter"], "the following arguments are required: --out"),
        (["seasons", "no-such", "--out", "a.sqlite"], "scenario 'no-such' is not a file"),
        (["seasons", "mild-wet-winter", "--out", "a.csv"], "name a file that ends in .sqlite"),
        (["seasons", "mild-wet-winter", "--out", "no/such/a.sqlite"], "there is no folder no/such; make it first"),
        (["seasons", "mild-wet-winter", "--out", "a.sqlite", "--seasons", "0"], "not a whole number from 1"),
        (["seasons", "mild-wet-winter", "--out", "a.sqlite", "--policy", "clever"], "'clever' is not one of"),
        (
            ["seasons", "mild-wet-winter", "--out", "a.sqlite", "--first", str(2**40)],
            "first = 1099511627776 is outside",
        ),
        (["seasons", "mild-wet-winter", "--out", "a.sqlite", "--workers", "1", "--dask", "x"], "not allowed with"),
        (["replay", "no-such.sqlite", "--run", "1"], "no-such.sqlite is not a file"),
        (["replay", "README.md", "--run", "1"], "README.md is no campaign file"),
        (["replay", "README.md"], "the following arguments are required: --run"),
    ],
)
def test_a_mistake_costs_one_line(capsys, words, told):
    assert told in refused(capsys, "campaign", *words)
    assert not Path("a.sqlite").exists()


def test_a_run_that_is_not_there_is_refused(reference, capsys):
    assert f"has the runs 0 to {RUNS - 1}" in refused(capsys, "campaign", "replay", reference, "--run", RUNS)


def test_a_folder_that_cannot_be_written_is_refused(capsys, tmp_path):
    folder = Path("/sys") if os.geteuid() == 0 else tmp_path
    tmp_path.chmod(0o500)
    assert "cannot be written" in refused(capsys, *WORDS, "--out", folder / "a.sqlite")


def test_a_cluster_that_does_not_answer_is_refused(capsys, tmp_path, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr(campaign_cluster, "ANSWER_S", 1)
    told = refused(capsys, *WORDS, "--out", tmp_path / "a.sqlite", "--dask", "tcp://127.0.0.1:9")
    assert "no Dask scheduler answers there" in told


def test_without_the_cluster_packages_dask_says_what_to_install(capsys, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    told = refused(capsys, *WORDS, "--out", tmp_path / "a.sqlite", "--dask", "tcp://127.0.0.1:9")
    assert "pip install 'warmheap[sim,cluster]'" in told


def done_row(**more):
    named = {"run": 7, "seed": 9, "policy": "steady", "error": None, "backup_avoided_kwh": 120.4}
    return named | {"heat_useful_kwh": 300.0, "cold_hours_from_draw": 5.0} | more


def test_time_left_is_that_of_the_pace_since_this_start():
    count = Count(total=20, before=10, now_s=100.0)
    count.finished = 12
    assert count.left_s(110.0) == pytest.approx(8 * 5.0)
    assert count.text(110.0) == "12 of 20 runs, about 40 s left"
    assert [span_text(s) for s in (5.0, 600.0, 7200.0)] == ["5 s", "10 min", "2.0 h"]


def test_plain_progress_says_a_line_now_and_then_and_the_last_one():
    stream = StringIO()
    progress = PlainShown(Count(5, 0, time.monotonic()), stream)
    for _ in range(5):
        progress.done(done_row())
    lines = stream.getvalue().splitlines()
    assert len(lines) == 2 and lines[0].startswith("1 of 5 runs, about") and lines[1].startswith("5 of 5 runs; ")


def test_a_run_is_told_with_heat_and_cold_hours():
    assert run_text(done_row()) == "run 7 (seed 9, steady): 120 kWh avoided, 5 cold h"
    assert "300 kWh useful, 5 cold h" in run_text(done_row(backup_avoided_kwh=None))
    assert run_text(done_row(error="ValueError: x")) == "run 7 (seed 9, steady) broke down: ValueError: x"
