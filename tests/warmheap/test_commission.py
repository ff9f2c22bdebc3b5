"""``warmheap commission``: what it prints, what it refuses, and that it is as good as it says."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import pytest

from warmheap.cli import main

SCENARIOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))


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
        ([], "--plant"),
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
