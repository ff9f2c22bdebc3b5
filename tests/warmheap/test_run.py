"""`warmheap run` as a whole: on the simulator, killed and gone on with, the same decisions as the pure simulator."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from waiting import until

from controller import Controller
from sim import Plant, Scenario
from warmheap.cli import main
from warmheap.ledger import rows
from warmheap.record import read_record
from warmheap.run import state_folder
from warmheap.settings_store import SettingsStore, TwoCopies
from warmheap.simplant import SimPlant

ROOT = Path(__file__).parents[2]
MILD = ROOT / "scenarios" / "mild-wet-winter.toml"
BOARD = "[pump]\npin = 18\n[fan]\npin = 13\n"


def started(state, *words):
    command = [sys.executable, "-m", "warmheap", "run", "--state", str(state), *map(str, words)]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    return subprocess.Popen(command, cwd=ROOT, **pipes)


def loop_pid(guardian):
    kids = Path(f"/proc/{guardian.pid}/task/{guardian.pid}/children").read_text().split()
    return int(kids[0]) if kids else None


def tick_rows(state):
    try:
        return list(rows(state / "ledger.sqlite"))
    except Exception:  # not there yet
        return []


def test_two_days_give_the_decisions_of_the_pure_simulator_tick_by_tick(tmp_path):
    run = started(tmp_path, "--plant", MILD, "--speed", 1e6, "--days", 2, "--seed", 3)
    out, err = run.communicate(timeout=120)
    assert run.returncode == 0, err
    assert "the days are over; outputs are safe" in out
    plant = Plant(Scenario.load(MILD), seed=3)
    controller = Controller(plant.scenario.controller_settings())
    found = tick_rows(tmp_path)
    assert len(found) > 1000
    for row in found:
        decision = controller.step(plant.measure())
        assert (row["pump_duty"], row["fan_duty"], row["phase"], row["limited_by"]) == (
            decision.commands.pump_duty,
            decision.commands.fan_duty,
            decision.phase,
            decision.limit,
        )
        assert row["time_s"] == plant.time_s
        plant.apply(decision.commands)
        plant.advance(min(max(decision.next_s, 1.0), 60.0))
    assert read_record(tmp_path / "outputs.bin") == {"pump": 0.0, "fan": 0.0}


def test_killed_it_is_back_within_twenty_seconds_where_it_was_and_sigterm_ends_it(tmp_path):
    run = started(tmp_path, "--plant", MILD, "--speed", 600)
    try:
        assert until(lambda: len(tick_rows(tmp_path)) > 20)
        os.kill(loop_pid(run), signal.SIGKILL)
        killed_s, before = time.monotonic(), len(tick_rows(tmp_path))
        assert until(lambda: len(tick_rows(tmp_path)) > before + 5, 20.0)
        assert time.monotonic() - killed_s < 20.0
        run.terminate()
        out, err = run.communicate(timeout=20)
    finally:
        run.kill()
    assert run.returncode == 0
    assert "was killed by signal 9; the outputs are safe" in err
    assert "told to stop; outputs are safe" in out
    assert read_record(tmp_path / "outputs.bin") == {"pump": 0.0, "fan": 0.0}


def test_stopped_and_resumed_it_goes_on_as_if_nothing_had_been(tmp_path):
    for days in (0.5, 1.0):
        run = started(tmp_path, "--plant", MILD, "--speed", 1e6, "--days", days, "--resume")
        out, err = run.communicate(timeout=120)
        assert run.returncode == 0, err
    assert "going on where it was" in out
    found = tick_rows(tmp_path)
    gaps_s = [b["time_s"] - a["time_s"] for a, b in zip(found, found[1:], strict=False)]
    assert min(gaps_s) == 0.0 and gaps_s.count(0.0) == 1 and max(gaps_s) <= 60.0  # one tick is told by both runs
    straight = Plant(Scenario.load(MILD), seed=1)
    controller = Controller(straight.scenario.controller_settings())
    while straight.time_s < found[-1]["time_s"]:
        decision = controller.step(straight.measure())
        straight.apply(decision.commands)
        straight.advance(min(max(decision.next_s, 1.0), 60.0))
    assert straight.time_s == found[-1]["time_s"] == found[0]["time_s"] + 86400.0
    assert found[-1]["pile_core_c"] == pytest.approx(straight.true_reading("pile_core_c"), abs=0.5)


def test_a_simulated_plant_goes_on_from_its_snapshot_bit_by_bit(tmp_path):
    scenario = Scenario.load(MILD)
    with SimPlant(scenario, 1, tmp_path / "a") as one:
        for _ in range(50):
            one.pass_time(60.0)
        kept = json.loads(json.dumps(one.snapshot()))
        with SimPlant(scenario, 1, tmp_path / "b") as two:
            two.restore(kept)
            for plant in (one, two):
                for _ in range(50):
                    plant.pass_time(60.0)
            assert repr(one.measure()) == repr(two.measure())  # NaN is not equal to itself
            assert one.elapsed_s == two.elapsed_s == 6000.0
            with pytest.raises(ValueError, match="the kept plant has 1 numbers in state"):
                two.restore({**kept, "arrays": {**kept["arrays"], "state": [1.0]}})


def test_json_lines_are_json_and_a_new_run_begins_anew(tmp_path):
    for _ in range(2):
        run = started(tmp_path, "--plant", MILD, "--speed", 1e6, "--days", 0.1, "--json")
        out, err = run.communicate(timeout=120)
        assert run.returncode == 0, err
        lines = [json.loads(line) for line in out.splitlines()]
        assert lines[0]["phase"] and "outputs are safe" in lines[-1]["event"]
        found = tick_rows(tmp_path)
        assert found[-1]["time_s"] - found[0]["time_s"] == 8640.0
        assert sum(row["time_s"] == found[0]["time_s"] for row in found) == 1


def test_a_settings_file_goes_before_the_scenarios_own(tmp_path):
    file = tmp_path / "g.toml"
    file.write_text('[pile]\nstart_core = "60 degC"\n')
    run = started(tmp_path / "s", file, "--plant", MILD, "--speed", 1e6, "--days", 0.01)
    out, err = run.communicate(timeout=120)
    assert run.returncode == 0, err
    assert "waits for 60.0 °C" in out


@pytest.mark.parametrize(
    ("content", "words", "told"),
    [
        (None, [], "cannot read"),
        ("[pump]\npinn = 1", [], "pump.pinn: no such key; did you mean pump.pin?"),
        ("", [], "does not say where pump and fan are connected"),
        (None, ["--last-good"], "no settings that once worked are kept: the outputs stay off"),
        (BOARD + "[board]\ngpiochip = 31", [], "cannot open gpiochip31"),
    ],
)
def test_a_mistake_costs_one_line(tmp_path, content, words, told):
    file = tmp_path / "g.toml"
    if content is not None:
        file.write_text(content)
    run = started(tmp_path / "s", file, *words)
    out, err = run.communicate(timeout=60)
    assert run.returncode == 2
    assert out == "" and len(err.splitlines()) == 1 and told in err and err.startswith("warmheap: ")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--speed", "60"], "--speed is for --plant"),
        (["--days", "1"], "--days is for --plant"),
        (["--resume"], "--resume is for --plant"),
        (["--plant", "x", "--speed", "0"], "'0' is not a number of times between 0.1"),
        (["--tick", "0.5"], "'0.5' is not a number of seconds between 1 and 60"),
    ],
)
def test_a_mistake_in_the_words_costs_one_line(capsys, words, told):
    assert main(["run", *words]) == 2
    assert told in capsys.readouterr().err


def test_an_unknown_scenario_costs_one_line(tmp_path):
    run = started(tmp_path, "--plant", "no-such")
    out, err = run.communicate(timeout=60)
    assert run.returncode == 2 and "scenario 'no-such' is not a file" in err and len(err.splitlines()) == 1


def test_the_state_folder_is_the_service_managers_or_the_users(monkeypatch):
    class Args:
        state, plant = None, None

    monkeypatch.setenv("STATE_DIRECTORY", "/var/lib/warmheap")
    assert state_folder(Args) == Path("/var/lib/warmheap")
    monkeypatch.delenv("STATE_DIRECTORY")
    monkeypatch.setenv("XDG_STATE_HOME", "/x")
    assert state_folder(Args) == Path("/x/warmheap")
    Args.plant = "scenarios/small-pile.toml"
    assert state_folder(Args) == Path("/x/warmheap/plant-small-pile")


def test_the_board_part_loads_nothing_heavy():
    heavy = "sim numba scipy pvlib pandas pydantic pint rich matplotlib gpiozero lgpio".split()
    code = (
        "import sys\n"
        "import warmheap.run, warmheap.loop, warmheap.scribe, warmheap.restart, warmheap.settings_store, hardware.plant\n"
        f"print([m for m in {heavy} if m in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert run.stdout.strip() == "[]"


def session_kept(state):
    """The stage of the session that is kept in ``state``."""
    text = TwoCopies(state, "commission").load().text
    return json.loads(text)["session"]["memory"]["stage"] if text else ""


def commissioning(state, *words):
    command = [sys.executable, "-m", "warmheap", "commission", "--plant", str(MILD), "--state", str(state)]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    return subprocess.Popen([*command, *map(str, words)], cwd=ROOT, start_new_session=True, **pipes)


def test_commission_killed_twice_is_taken_up_and_run_uses_what_it_learned(tmp_path):
    first = commissioning(tmp_path, "--speed", 200, "--core-k", 2)
    assert until(lambda: session_kept(tmp_path) == "start"), first.communicate(timeout=5)
    os.killpg(first.pid, signal.SIGKILL)
    first.communicate()
    assert not (tmp_path / "learned.a").exists()
    second = commissioning(tmp_path, "--speed", 1000)
    assert until(lambda: session_kept(tmp_path) == "draw"), second.communicate(timeout=5)
    os.kill(loop_pid(second), signal.SIGKILL)
    out, err = second.communicate(timeout=60)
    assert second.returncode == 0, err
    said = " ".join(out.split())
    assert said.count("taken up again") == 2 and "'start' begins anew" in said and "is started again" in err
    assert read_record(tmp_path / "outputs.bin") == {"pump": 0.0, "fan": 0.0} and session_kept(tmp_path) == ""
    kept = SettingsStore(tmp_path).learned()
    assert abs(kept.settings["pump_start_duty"]["value"] - Scenario.load(MILD).pump.start_duty) < 0.02
    assert "coil_ua_fresh_w_k" not in kept.facts and "Stays as it was: coil" in said
    run = started(tmp_path, "--plant", MILD, "--speed", 1e6, "--days", 0.01)
    out, err = run.communicate(timeout=60)
    assert run.returncode == 0, err
    used = [line for line in out.splitlines() if "learned values are used" in line]
    assert len(used) == 1 and "pump.start_duty" in used[0]
