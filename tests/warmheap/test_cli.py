"""The command line: every verb answers, mistakes cost one line, JSON is JSON, Ctrl-C keeps what there is."""

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from sim.policies import POLICIES
from warmheap import cli
from warmheap.cli import VERBS, main

ROOT = Path(__file__).parents[2]
MILD = ROOT / "scenarios" / "mild-wet-winter.toml"


@pytest.fixture(autouse=True)
def at_root(monkeypatch):
    monkeypatch.chdir(ROOT)


def refused(capsys, *words):
    """Run a command that must be refused and return its one line."""
    code = main([str(w) for w in words])
    out, err = capsys.readouterr()
    assert code == 2
    assert out == ""
    lines = err.splitlines()
    assert len(lines) == 1 and lines[0].startswith("warmheap: ")
    return lines[0]


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_has_help(capsys, verb):
    with pytest.raises(SystemExit) as done:
        main([verb, "--help"])
    assert done.value.code == 0
    assert VERBS[verb][0].split()[0].capitalize() in capsys.readouterr().out


@pytest.mark.parametrize("verb", [v for v, (_, module) in VERBS.items() if module is None])
def test_a_verb_not_built_yet_says_what_it_will_do(capsys, verb):
    assert f"{verb} will {VERBS[verb][0]}; this version does not have it yet" in refused(capsys, verb, "--any", "thing")


def test_help_names_every_policy(capsys):
    with pytest.raises(SystemExit):
        main(["simulate", "--help"])
    text = capsys.readouterr().out
    assert all(name in text for name in POLICIES)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "the following arguments are required: VERB"),
        (["bake"], "invalid choice: 'bake'"),
        (["simulate"], "name a scenario file; in scenarios/ there are: hard-northern-winter, mild-wet-winter"),
        (["simulate", "no-such-file.toml"], "scenario 'no-such-file.toml' is not a file; in scenarios/ there are"),
        (["simulate", MILD, "--days", "nan"], "'nan' is not a number of days between 0.01 and 730"),
        (["simulate", MILD, "--days", "-3"], "'-3' is not a number of days"),
        (["simulate", MILD, "--days", "ten"], "'ten' is not a number of days"),
        (["simulate", MILD, "--tick", "0"], "'0' is not a number of seconds between 1 and 60"),
        (["simulate", MILD, "--seed", "-1"], "'-1' is not a whole number from 0 up"),
        (["simulate", MILD, "--workers", "0"], "'0' is not a number of processes"),
        (["simulate", MILD, "--policy", "clever"], "policy = 'clever' is not one of warmheap, off, full"),
        (["simulate", MILD, "--compare", "some"], "--compare 'some': only 'all' or nothing may follow"),
        (["simulate", MILD, "--loud"], "unknown argument '--loud' of simulate"),
        (["simulate", MILD, "--out", MILD], "name a folder that can be written"),
    ],
)
def test_a_mistake_costs_one_line(capsys, words, told):
    assert told in refused(capsys, *words)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (('volume = "18 yd3"', 'volume = "-3 m3"'), "pile.volume"),
        (('volume = "18 yd3"', 'volume = "18 kg"'), "pile.volume"),
        (('volume = "18 yd3"', 'volume = "nan m3"'), "pile.volume"),
        (('volume = "18 yd3"', 'volumme = "18 yd3"'), "pile.volumme"),
        (("pvlib:723170TYA.CSV", "nowhere.csv"), "nowhere.csv"),
        (("[pile]", "[pile"), "not valid TOML"),
    ],
)
def test_a_wrong_scenario_costs_one_line(capsys, tmp_path, change, told):
    text = MILD.read_text(encoding="utf-8")
    assert change[0] in text
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(text.replace(*change, 1), encoding="utf-8")
    assert told in refused(capsys, "simulate", wrong, "--days", "1", "--json")


def test_without_the_simulators_packages_it_says_what_to_install(capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "sim", None)
    line = refused(capsys, "simulate", MILD)
    assert "pip install 'warmheap[sim]'" in line


def test_json_is_one_object_and_writes_nothing(capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    assert main(["simulate", str(MILD), "--days", "1", "--seed", "4", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["days"] == 1.0 and found["seed"] == 4 and found["policy"] == "warmheap"
    assert list(tmp_path.iterdir()) == []


def test_same_seed_same_json(capsys):
    found = []
    for _ in range(2):
        assert main(["simulate", "mild-wet-winter", "--days", "2", "--policy", "steady", "--json"]) == 0
        found.append({k: v for k, v in json.loads(capsys.readouterr().out).items() if k != "wall_seconds"})
    assert found[0] == found[1]
    assert found[0]["drawn_kwh"] > 0.0


def test_a_season_leaves_table_picture_and_json(capsys, tmp_path):
    assert main(["simulate", str(MILD), "--days", "1", "--policy", "steady", "--out", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert "Backup heat avoided" in out and "Hours cold because of the draw" in out
    assert json.loads((tmp_path / "season.json").read_text())["policy"] == "steady"
    assert (tmp_path / "season.png").stat().st_size > 10_000


def test_a_comparison_leaves_both_pictures_and_every_policy(capsys, tmp_path):
    words = ["simulate", "--compare", str(MILD), "--days", "1", "--workers", "1", "--out", str(tmp_path)]
    assert main(words) == 0
    out = capsys.readouterr().out
    found = json.loads((tmp_path / "season.json").read_text())
    assert set(found["policies"]) == set(POLICIES) - {"tuned"}
    assert all(name in out for name in found["policies"])
    assert "Cold hours" in out
    assert {p.name for p in tmp_path.iterdir()} == {"season.json", "season.png", "compare.png"}


def test_tuned_searches_first_and_names_its_rule(capsys, monkeypatch):
    from sim import search
    from sim.policies import Rule

    monkeypatch.setattr(search, "grid", lambda: [Rule(flow_kg_s=0.0), Rule(fan_duty=0.3)])
    assert main(["simulate", str(MILD), "--days", "1", "--policy", "tuned", "--workers", "1", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["policy"] == "tuned" and "gal/min" in found["rule"]
    assert main(["simulate", str(MILD), "--days", "1", "--compare", "all", "--workers", "1", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert set(found["policies"]) == set(POLICIES) and "gal/min" in found["tuned_rule"]


def test_ctrl_c_keeps_what_was_computed(tmp_path):
    words = ["simulate", str(MILD), "--days", "700", "--policy", "steady", "--out", str(tmp_path)]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    run = subprocess.Popen([sys.executable, "-m", "warmheap", *words], **pipes)
    assert run.stderr.readline().startswith("preparing")
    assert run.stderr.readline().startswith("steady: 175 of 700 days")
    run.send_signal(signal.SIGINT)
    out, err = run.communicate(timeout=120)
    assert run.returncode == 130
    assert "Traceback" not in err
    assert err.splitlines()[-1].startswith("warmheap: stopped after ")
    found = json.loads((tmp_path / "season.json").read_text())
    assert found["interrupted"] is True and 0.0 < found["days"] < 700.0
    assert "Useful heat brought in" in out


def test_ctrl_c_before_anything_keeps_nothing(capsys, monkeypatch):
    def stop(args):
        raise KeyboardInterrupt

    monkeypatch.setattr("warmheap.simulate.run", stop)
    assert main(["simulate", str(MILD)]) == 130
    assert capsys.readouterr().err == "warmheap: stopped; nothing was kept\n"


def test_a_closed_pipe_is_no_mistake(monkeypatch):
    def closed(args):
        raise BrokenPipeError

    class Stream:
        closed = False

        def close(self):
            self.closed = True

    stream = Stream()
    monkeypatch.setattr("warmheap.simulate.run", closed)
    monkeypatch.setattr(cli.sys, "stderr", stream)
    assert main(["simulate", str(MILD)]) == 0
    assert stream.closed


def test_help_needs_no_heavy_package():
    heavy = "sim numba scipy pvlib pandas pydantic pint rich matplotlib"
    code = (
        "import sys, warmheap.cli as c\n"
        "try: c.main(['simulate', '--help'])\n"
        "except SystemExit: pass\n"
        f"print('HEAVY', [m for m in {heavy.split()} if m in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert run.stdout.splitlines()[-1] == "HEAVY []"
