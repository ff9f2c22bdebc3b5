"""``warmheap tune``: what it prints, writes, refuses, and with which exit code."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from controller import ControllerSettings
from sim.tuning_plants import flow_bounds, supply_bounds
from warmheap import campaign_cluster
from warmheap.cli import main
from warmheap.tune_file import with_gains

ROOT = Path(__file__).parents[2]
SCENARIOS = sorted((ROOT / "scenarios").glob("*.toml"))
MILD = str(ROOT / "scenarios" / "mild-wet-winter.toml")


def found(capsys: pytest.CaptureFixture[str], *words: str) -> dict:
    assert main(["tune", *words, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said.pop("wall_seconds") > 0.0
    return said


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda p: p.stem)
def test_every_scenario_proves_its_gains(capsys: pytest.CaptureFixture[str], path: Path) -> None:
    said = found(capsys, str(path), "--prove", "--plants", "500", "--workers", "1")
    assert said["goals_met"] is True and set(said["loops"]) == {"flow", "supply"}
    for loop in said["loops"].values():
        assert loop["plants"] == 500 and 0 < loop["kept_old_gains"] < 60
        assert loop["peak_sensitivity"]["largest"] <= 2.0
        assert loop["price"]["integral_of_error_to_load_step_over_tight_simc"]["median"] > 1.5


@pytest.mark.slow
def test_one_and_two_workers_give_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    words = (MILD, "--prove", "--plants", "600", "--seed", "3")
    assert found(capsys, *words, "--workers", "1") == found(capsys, *words, "--workers", "2")
    search = (MILD, "--plants", "4", "--seed", "3")
    assert found(capsys, *search, "--workers", "1") == found(capsys, *search, "--workers", "2")


def test_a_missed_goal_is_told_and_ends_with_code_1(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["tune", MILD, "--prove", "--plants", "300", "--closed-loop", "1", "--caution", "0", "--workers", "1"]
    with pytest.raises(SystemExit) as done:
        main(words)
    out = capsys.readouterr().out
    assert done.value.code == 1
    assert "MISSED" in out and "Missed: flow: " in out and "Price: " in out and "Worst plant: number" in out
    with pytest.raises(SystemExit):
        main([*words, "--json"])
    assert json.loads(capsys.readouterr().out)["goals_met"] is False


def test_the_search_writes_picture_and_figures(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["tune", MILD, "--plants", "6", "--workers", "1", "--out", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert "chosen" in out and "tight SIMC" in out and "in use" in out
    said = json.loads((tmp_path / "tuning.json").read_text(encoding="utf-8"))
    assert said["loops"]["flow"]["figures"]["chosen"]["ms_share"] <= 1.7
    assert 3 <= len(said["loops"]["supply"]["front"]) <= 41
    assert (tmp_path / "tuning.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "name a scenario file"),
        (["nowhere"], "'nowhere' is not a file"),
        ([MILD, "--plants", "1"], "--plants 1: must be 2 to 500"),
        ([MILD, "--prove", "--plants", "100001"], "--plants 100001: must be 2 to 100000"),
        ([MILD, "--plants", "many"], "invalid int value"),
        ([MILD, "--seed", "-1"], "--seed -1: must be"),
        ([MILD, "--workers", "0"], "--workers 0: must be 1 to 64"),
        ([MILD, "--prove", "--closed-loop", "0"], "--closed-loop 0.0: must be 0.2 to 20"),
        ([MILD, "--prove", "--caution", "nan"], "--caution nan: must be 0 to 4"),
        ([MILD, "--caution", "2"], "--caution goes with --prove"),
        ([MILD, "--out", MILD], "--out"),
    ],
)
def test_mistakes_cost_one_line(capsys: pytest.CaptureFixture[str], words: list[str], told: str) -> None:
    assert main(["tune", *words]) == 2
    out, err = capsys.readouterr()
    assert out == "" and len(err.splitlines()) == 1 and told in err


def test_ctrl_c_keeps_nothing_and_says_so(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    import sim.tuning_search

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(sim.tuning_search, "searched", interrupted)
    assert main(["tune", MILD, "--workers", "1", "--out", str(tmp_path)]) == 130
    assert "nothing was kept" in capsys.readouterr().err and list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_a_dask_cluster_of_two_gives_the_table_of_one(capsys: pytest.CaptureFixture[str]) -> None:
    distributed = pytest.importorskip("distributed")
    words = (MILD, "--prove", "--plants", "300", "--seed", "3")
    with distributed.LocalCluster(2, threads_per_worker=1, dashboard_address=None) as cluster:
        clustered = found(capsys, *words, "--cluster", cluster.scheduler_address)
    assert clustered == found(capsys, *words, "--workers", "1")


def test_tune_takes_a_settings_file_and_writes_one(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    mine, out = tmp_path / "mine.toml", tmp_path / "tuned.toml"
    mine.write_text('[water]\nflow_target = "1.2 gal/min"\nsupply_loop_gain_per_k = 0.05\n', encoding="utf-8")
    words = (MILD, "--settings", str(mine), "--plants", "4", "--workers", "1", "--write", str(out))
    said = found(capsys, *words)
    from warmheap.settings_file import load

    before, after = load(mine).controller, load(out).controller
    in_use, chosen = (said["loops"]["supply"]["gains"][name]["gain"] for name in ("in use", "chosen"))
    assert in_use == pytest.approx(-0.05 * before.flow_target_kg_s)
    assert after.flow_target_kg_s == pytest.approx(before.flow_target_kg_s, rel=1e-3)
    assert after.supply_loop_gain_per_k == pytest.approx(-chosen / before.flow_target_kg_s, rel=2e-3)
    assert after.flow_loop_integral_s == pytest.approx(said["loops"]["flow"]["gains"]["chosen"]["integral_s"], rel=2e-3)
    assert main(["tune", *words]) == 2
    assert "not overwritten" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--cluster", "tcp://127.0.0.1:9"], "--cluster tcp://127.0.0.1:9: no Dask scheduler"),
        (["--settings", "no-such.toml"], "no-such.toml"),
        (["--prove", "--write", "x.toml"], "--write goes with the search"),
        (["--state", "no-such-folder"], "nothing was learned"),
    ],
)
def test_what_cannot_be_tuned_is_refused(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], told: str
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(campaign_cluster, "ANSWER_S", 1)
    assert main(["tune", MILD, "--plants", "4", "--out", str(tmp_path), *words]) == 2
    assert told in capsys.readouterr().err


@pytest.mark.parametrize("end", [0, 1], ids=["least", "most"])
def test_gains_at_the_bounds_of_the_search_are_settings(end):
    settings = ControllerSettings()
    flow, supply = flow_bounds(settings)[end], supply_bounds(settings)[end]
    kept = with_gains(settings, flow, supply._replace(gain=-supply.gain))
    assert kept.supply_loop_integral_s == pytest.approx((20.0, 7200.0)[end])
    assert kept.flow_loop_gain == pytest.approx((0.005, 0.5)[end])
