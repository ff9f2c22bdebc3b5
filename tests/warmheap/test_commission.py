"""``warmheap commission``: what it prints, what it refuses, and that it is as good as it says."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import pytest

from warmheap.cli import main
from warmheap.learned import Document
from warmheap.settings_store import SettingsStore

SCENARIOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))


@pytest.fixture(autouse=True)
def state(tmp_path_factory, monkeypatch):
    """A state folder of the tests' own."""
    folder = tmp_path_factory.mktemp("state")
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(folder))
    return folder / "warmheap"


@cache
def session(path: Path) -> str:
    import contextlib
    import io

    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert main(["commission", "--plant", str(path), "--json"]) == 0
    return out.getvalue()


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda p: p.stem)
def test_every_scenario_is_commissioned_without_a_guard_tripping(path: Path) -> None:
    said = json.loads(session(path))
    assert said["guards_tripped"] == [] and said["left_out"] == {}
    assert said["minutes"] < 60.0 and said["core_cooled_k"] < 1.3
    assert said["pump_curve_worst_error"] < 0.07
    for name, row in said["values"].items():
        assert row["reason"].endswith("."), name
        if row["verdict"] == "good" and name.endswith("duty"):
            assert row["value"] == pytest.approx(row["true"], abs=0.02)
    assert abs(said["values"]["return_offset_k"]["value"] - said["values"]["return_offset_k"]["true"]) < 0.1


def test_the_same_seed_gives_the_same_session(capsys) -> None:
    assert main(["commission", "--plant", str(SCENARIOS[0]), "--json"]) == 0
    assert capsys.readouterr().out == session(SCENARIOS[0])


def test_the_table_names_what_was_found(capsys) -> None:
    assert main(["commission", "--plant", str(SCENARIOS[-1])]) == 0
    out = capsys.readouterr().out
    assert "pump start duty" in out and "good" in out and "tachometer" in out


@pytest.mark.parametrize(
    ("args", "word"),
    [
        ([], "greenhouse.toml"),
        (["nowhere.toml"], "nowhere.toml"),
        (["--speed", "10"], "--speed"),
        (["--plant", str(SCENARIOS[0]), "--speed", "0"], "--speed"),
        (["--plant", str(SCENARIOS[0]), "--speed", "9", "--coil", "much"], "--coil"),
        (["--plant", str(SCENARIOS[0]), "--speed", "9", "--answers", "nowhere"], "nowhere"),
        (["--plant", "nowhere"], "nowhere"),
        (["--plant", str(SCENARIOS[0]), "--core-k", "9"], "--core-k"),
        (["--plant", str(SCENARIOS[0]), "--core-k", "nan"], "--core-k"),
        (["--plant", str(SCENARIOS[0]), "--seed", "-1"], "--seed"),
    ],
)
def test_mistakes_are_told_in_one_line(args, word: str, capsys) -> None:
    assert main(["commission", *args]) == 2
    err = capsys.readouterr().err
    assert word in err and err.count("\n") == 1


def test_a_file_without_pins_is_refused_before_anything_starts(tmp_path, capsys) -> None:
    (tmp_path / "g.toml").write_text('[pile]\nwet_mass = "9 t"\n')
    assert main(["commission", str(tmp_path / "g.toml")]) == 2
    err = capsys.readouterr().err
    assert "where pump and fan are connected" in err and err.count("\n") == 1


def test_what_was_learned_is_shown_and_forgotten(tmp_path, capsys) -> None:
    words = ["commission", "--state", str(tmp_path)]
    assert main([*words, "--show"]) == 0 and "Nothing was learned yet" in capsys.readouterr().out
    entry = {"value": 0.22, "sd": 0.003, "was": 0.25, "date": "2026-11-25T10:00+00:00"}
    SettingsStore(tmp_path).save_learned(Document({"pump_start_duty": entry}, {}))
    assert main([*words, "--show"]) == 0
    assert "pump.start_duty 0.22 instead of 0.25 (+/- 0.003), 2026-11-25" in " ".join(capsys.readouterr().out.split())
    assert main([*words, "--show", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["settings"]["pump_start_duty"] == entry
    assert main([*words, "--forget"]) == 0 and "Forgotten" in capsys.readouterr().out
    assert SettingsStore(tmp_path).learned() is None


def test_what_the_simulator_taught_is_kept_where_its_run_looks(state) -> None:
    said = json.loads(session.__wrapped__(SCENARIOS[1]))
    kept = SettingsStore(state / f"plant-{SCENARIOS[1].stem}").learned()
    assert sorted(kept.settings) == said["kept"] and "pump_start_duty" in said["kept"]
    assert kept.settings["pump_start_duty"]["value"] == pytest.approx(
        said["values"]["pump_start_duty"]["value"], abs=1e-5
    )
