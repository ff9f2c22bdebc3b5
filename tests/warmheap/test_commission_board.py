"""The session on the board: through hardware.Plant on kernel files and mock pins in virtual time; and as a real command."""

import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from board_bench import FILE, Bench, VirtualHeart
from board_rig import PwmMock, SysTree, Tree, loop_pid, pwm_duties
from waiting import seconds_until

from controller import ControllerSettings
from controller.commissioning import Commissioning
from controller.commissioning_plan import DONE, START
from warmheap.commission_ask import Prepared
from warmheap.commission_keep import SessionKeeper, TakenUp
from warmheap.commission_live import Job, drive, finish
from warmheap.heart import Heart
from warmheap.learned import applied
from warmheap.restart import now
from warmheap.settings_file import Settings, load
from warmheap.settings_store import SettingsStore, TwoCopies

ROOT = Path(__file__).parents[2]


@pytest.fixture
def bench(tmp_path):
    factory = PwmMock()
    (tmp_path / "board").mkdir()
    yield Bench(Tree(tmp_path / "board"), factory)
    factory.reset()


def conducted(bench, state, session, answers=None):
    """Drive the bench to the end of the session; returns (code, keeper, what was said, heart)."""
    heart, said = VirtualHeart(bench), []
    keeper = SessionKeeper(state, "settings")
    asker = Prepared({"tape": bench.rig.coil_kg} if answers is None else answers)
    job = Job([], bench.open, lambda plant: None, lambda plant: asker)
    code = drive(job, TakenUp(session, 1.7e9), keeper, heart, said.append, clock=lambda: bench.now_s)
    return code, keeper, said, heart


def test_the_board_is_learned_through_pins_probes_and_pulses(bench, tmp_path):
    session = Commissioning(ControllerSettings(), 2.0)
    code, keeper, said, heart = conducted(bench, tmp_path, session)
    assert code is None and session.stage == DONE, said
    assert bench.factory.pin(18).state == 0.0 and bench.factory.pin(13).state == 0.0
    assert bench.most == 1.0
    file = Settings(ControllerSettings(), bench.board(), "")
    assert finish(session, file, tmp_path, keeper, heart, said.append, False) == 0
    kept = SettingsStore(tmp_path).learned()
    assert kept.settings["pump_start_duty"]["value"] == pytest.approx(0.22, abs=0.015), said
    assert kept.settings["pump_run_duty"]["value"] == pytest.approx(0.15, abs=0.015)
    assert kept.settings["pump_full_flow_kg_s"]["value"] == pytest.approx(0.5, rel=0.05)
    assert kept.settings["fan_start_duty"]["value"] == pytest.approx(0.18, abs=0.02)
    assert kept.facts["return_offset_k"]["value"] == pytest.approx(0.3, abs=0.07)
    assert applied(file, kept)[0].board.probe_offset_k["water_return_c"] == pytest.approx(-0.3, abs=0.07)
    assert not (tmp_path / "commission.a").exists() and not (tmp_path / "commission.b").exists()
    assert any("scald" in line for line in said)


def test_a_pump_that_moves_nothing_leaves_every_old_value_and_says_why(bench, tmp_path):
    SettingsStore(tmp_path).save_learned(learned_before())
    before = (tmp_path / "learned.a").read_bytes()
    bench.rig.blocked = True
    session = Commissioning(ControllerSettings())
    code, keeper, said, heart = conducted(bench, tmp_path, session, answers={})
    assert code is None
    file = Settings(ControllerSettings(), bench.board(), "")
    assert finish(session, file, tmp_path, keeper, heart, said.append, False) == 0
    assert any("Stays as it was: pump" in line and "dry" in line for line in said)
    kept = SettingsStore(tmp_path).learned()
    assert kept.settings["pump_start_duty"] == learned_before().settings["pump_start_duty"]
    assert (tmp_path / "learned.a").read_bytes() == before  # the other copy got the fan


def learned_before():
    from warmheap.learned import Document

    return Document({"pump_start_duty": {"value": 0.3, "sd": 0.01, "was": 0.25, "date": "2026-01-01"}}, {})


def test_a_session_that_is_stopped_changes_nothing_and_is_kept(bench, tmp_path):
    session = Commissioning(ControllerSettings(), 1.5)
    heart, said, keeper = VirtualHeart(bench), [], SessionKeeper(tmp_path, "settings")

    def asker(plant):
        class Stops(Prepared):
            def poll(self, question):
                if session.stage == START and bench.rig.commands.pump_duty > 0.1:
                    heart.stop()
                return super().poll(question)

        return Stops({})

    job = Job([], bench.open, lambda plant: None, asker)
    assert drive(job, TakenUp(session, 1.7e9), keeper, heart, said.append, clock=lambda: bench.now_s) == 0
    assert bench.factory.pin(18).state == 0.0 and SettingsStore(tmp_path).learned() is None
    assert "Nothing was changed" in said[-1]
    up = keeper.take_up(ControllerSettings(), None, now())
    assert up.session.stage == START and up.session.core_k == 1.5 and "taken up again" in up.said[0]
    assert SessionKeeper(tmp_path, "other").take_up(ControllerSettings(), None, now()).session.stage != START
    late = replace(now(), boottime_s=now().boottime_s + 7 * 3600.0)
    afresh = keeper.take_up(ControllerSettings(), None, late)
    assert afresh.session.stage != START and "7 hours ago" in afresh.said[0]


@pytest.mark.parametrize("fault", ["full", "maths"])
def test_what_cannot_be_kept_or_worked_out_leaves_the_old_values(bench, tmp_path, monkeypatch, fault):
    session, said = Commissioning(ControllerSettings()), []
    session.stage = DONE
    keeper = SessionKeeper(tmp_path, "settings")
    keeper.save(keeper.text(session, 1.7e9, None, now()))

    def broken(*args):
        raise OSError(28, "No space left on device") if fault == "full" else ZeroDivisionError("x")

    target = "warmheap.settings_store.write_whole" if fault == "full" else "controller.commissioning_results.learn"
    monkeypatch.setattr(target, broken)
    code = finish(session, Settings(ControllerSettings(), None, ""), tmp_path, keeper, Heart(), said.append, False)
    assert code == 6 and SettingsStore(tmp_path).learned() is None
    assert (tmp_path / "commission.a").exists(), "the record is lost"
    assert any("old values stay" in line or "Nothing was changed" in line for line in said)


# --- the command itself, on kernel files in real time


@pytest.fixture
def starting(tmp_path):
    """A board on kernel files, and a kept session that has just begun to start the pump."""
    tree = SysTree(tmp_path / "sys")
    tree.files = [tree.pwm_channel(0, channel) for channel in (0, 1)]
    tree.probe("28-0000000000a1", b"62000\n")
    tree.probe("28-0000000000a2", b"14000\n")
    tree.chip("hwmon", 0, "ina226", "1-0040", {"in1_input": "12700"})
    (tmp_path / "g.toml").write_text(FILE)
    file = load(tmp_path / "g.toml")
    session = Commissioning(file.controller, 1.7)
    session.stage = START
    keeper = SessionKeeper(tmp_path / "state", file.text)
    keeper.save(keeper.text(session, 1.7e9, None, now()))
    return tree


def start(tree, *words):
    path = tree.root.parent
    command = [sys.executable, "-m", "warmheap", "commission", str(path / "g.toml"), "--state", str(path / "state")]
    env = os.environ | {"WARMHEAP_SYS": str(tree.root), "PYTHONPATH": str(ROOT)}
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    return subprocess.Popen([*command, *words], cwd=path, env=env, start_new_session=True, **pipes)


@pytest.fixture
def driving(starting):
    run = start(starting)
    assert seconds_until(lambda: pwm_duties(starting)[0] > 0) < 20.0, run.communicate(timeout=5)
    yield starting, run
    if run.poll() is None:
        os.killpg(run.pid, signal.SIGKILL)
    run.communicate()


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_a_dead_or_frozen_session_leaves_the_outputs_safe_and_is_taken_up_again(driving, number):
    tree, run = driving
    os.kill(loop_pid(run), number)
    assert seconds_until(lambda: pwm_duties(tree) == [0, 0], 5.0) < 2.0
    assert seconds_until(lambda: pwm_duties(tree)[0] > 0, 20.0) < 20.0
    run.send_signal(signal.SIGINT)
    out, err = run.communicate(timeout=15)
    assert pwm_duties(tree) == [0, 0] and run.returncode == 0
    assert "taken up again" in " ".join(out.split()) and "the outputs are safe" in err
    assert not (tree.root.parent / "state" / "learned.a").exists()


def test_all_killed_at_once_the_same_command_takes_it_up_with_its_core_k(driving):
    tree, run = driving
    os.killpg(run.pid, signal.SIGKILL)
    run.wait()
    again = start(tree)
    assert seconds_until(lambda: pwm_duties(tree) == [0, 0]) < 20.0  # opening makes them safe
    assert seconds_until(lambda: pwm_duties(tree)[0] > 0) < 20.0
    again.terminate()
    out, err = again.communicate(timeout=15)
    assert again.returncode == 0, err
    assert "taken up again" in " ".join(out.split()) and pwm_duties(tree) == [0, 0]
    file = load(tree.root.parent / "g.toml")
    kept = SessionKeeper(tree.root.parent / "state", file.text).take_up(file.controller, None, now())
    assert kept.session.core_k == 1.7 and kept.session.stage == START


def test_fresh_begins_anew_and_asks_on_the_terminal(starting):
    run = start(starting, "--fresh")
    try:
        run.stdin.write("48\n48 L\n")
        run.stdin.flush()
        state = starting.root.parent / "state"
        assert seconds_until(lambda: "rest" in (TwoCopies(state, "commission").load().text or "")) < 20.0
        time.sleep(1.0)
        run.terminate()
        out, _ = run.communicate(timeout=15)
        said = " ".join(out.split())
        assert "How many litres of water" in said and "has no unit" in said and "Nothing moves" in said
        assert max(map(len, out.splitlines())) <= 72
    finally:
        if run.poll() is None:
            os.killpg(run.pid, signal.SIGKILL)


def test_two_sessions_or_a_session_and_a_run_never_share_a_state_folder(driving):
    tree, _ = driving
    other = start(tree)
    _, err = other.communicate(timeout=15)
    assert other.returncode == 2 and "another warmheap already runs" in err and err.count("\n") == 1
