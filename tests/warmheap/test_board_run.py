"""The whole board side as it runs, on the kernel's files in a folder."""

import os
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from board_rig import SysTree, loop_pid, pwm_duties
from waiting import seconds_until

from controller import Controller, Measurements
from warmheap.guardian import main as guardian
from warmheap.learned import Document
from warmheap.ledger import rows
from warmheap.restart import memory_text, now
from warmheap.settings_file import load
from warmheap.settings_store import SettingsStore, TwoCopies

ROOT = Path(__file__).parents[2]
CORE, SUPPLY = "28-0000000000a1", "28-0000000000a2"
SETTINGS = f"""
[pile]
start_hold = "0 s"
[greenhouse]
min = "15 degC"
[pump]
pwm = "0/0"
[fan]
pwm = "0/1"
frequency = "25 kHz"
[sensors]
pile_core = "{CORE}"
water_supply = "{SUPPLY}"
pump_battery = "hwmon:ina226:in1"
greenhouse = "28-0000000000a3"
"""


@pytest.fixture
def board(tmp_path):
    tree = SysTree(tmp_path / "sys")
    tree.files = [tree.pwm_channel(0, channel) for channel in (0, 1)]
    tree.probe(CORE, b"58000\n")
    tree.probe(SUPPLY, b"38000\n")
    tree.probe("28-0000000000a3", b"5000\n")
    tree.chip("hwmon", 0, "ina226", "1-0040", {"in1_input": "12700"})
    (tmp_path / "g.toml").write_text(SETTINGS)
    TwoCopies(tmp_path / "state", "memory").save(drawing(tmp_path / "g.toml"))
    return tree


def drawing(file):
    """The memory of a controller that has saved up heat and is in the middle of a draw."""
    controller, time_s = Controller(load(file).controller), 1e9
    for _ in range(5000):
        m = Measurements(time_s=time_s, pile_core_c=58.0, water_supply_c=38.0, greenhouse_c=5.0, pump_battery_v=12.7)
        decision = controller.step(m)
        if decision.commands.pump_duty > 0.0:
            return memory_text(controller, time_s, None, now())
        time_s += min(max(decision.next_s, 1.0), 60.0)
    raise AssertionError("it never draws")


def start(board, *words):
    path = board.root.parent
    command = [sys.executable, "-m", "warmheap", "run", str(path / "g.toml"), "--state", str(path / "state"), *words]
    env = os.environ | {"WARMHEAP_SYS": str(board.root), "PYTHONPATH": str(ROOT)}
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    return subprocess.Popen(command, cwd=path, env=env, start_new_session=True, **pipes)


def ledger(board, table="ticks"):
    """The rows there are; none while the ledger is not there yet."""
    try:
        return list(rows(board.root.parent / "state" / "ledger.sqlite", table))
    except sqlite3.OperationalError:
        return []


def said(board, text):
    """Whether an event with ``text`` comes soon."""
    return seconds_until(lambda: any(text in r["text"] for r in ledger(board, "events")), 10.0) < 10.0


@pytest.fixture
def running(board):
    run = start(board, "--tick", "1")
    assert seconds_until(lambda: pwm_duties(board)[0] > 0) < 20.0, run.communicate(timeout=5)
    yield board, run
    if run.poll() is None:
        os.killpg(run.pid, signal.SIGKILL)
    run.communicate()


def test_it_draws_from_a_hot_pile_and_sigterm_leaves_all_off(running):
    board, run = running
    run.terminate()
    assert seconds_until(lambda: pwm_duties(board) == [0, 0]) < 2.0
    out, err = run.communicate(timeout=15)
    assert run.returncode == 0, err
    assert "told to stop; outputs are safe" in out
    found = ledger(board)
    assert found[-1]["pile_core_c"] == 58.0 and found[-1]["pump_battery_v"] == pytest.approx(12.7)
    assert found[-1]["pump_duty"] > 0.0 and found[-1]["outdoor_c"] is None


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_channels_that_outlive_the_loop_are_made_safe_and_it_comes_back(running, number):
    board, run = running
    os.kill(loop_pid(run), number)
    assert seconds_until(lambda: pwm_duties(board) == [0, 0], 5.0) < 2.0
    assert seconds_until(lambda: pwm_duties(board)[0] > 0, 20.0) < 20.0
    assert said(board, "going on after")


def test_everything_killed_at_once_safe_off_makes_the_channels_safe(running):
    board, run = running
    os.killpg(run.pid, signal.SIGKILL)
    run.wait()
    assert pwm_duties(board)[0] > 0
    assert guardian(["--safe-off", str(board.root.parent / "state")]) == 0
    assert pwm_duties(board) == [0, 0]


def test_an_unplugged_probe_is_told_and_so_is_its_return(running):
    board, run = running
    board.probe(CORE, b"")
    assert said(board, "sensor pile_core_c gives no reading: empty answer")
    board.probe(CORE, b"57500\n")
    assert said(board, "sensor pile_core_c reads again")


def test_a_broken_settings_file_at_a_restart_does_not_end_the_winter(running):
    board, run = running
    (board.root.parent / "g.toml").write_bytes(b"\x00\x00")
    os.kill(loop_pid(run), signal.SIGKILL)
    assert seconds_until(lambda: pwm_duties(board) == [0, 0], 5.0) < 2.0
    (board.root.parent / "g.toml").write_text(SETTINGS)  # mended while it tries again
    assert seconds_until(lambda: pwm_duties(board)[0] > 0, 20.0) < 20.0


def test_with_last_good_it_runs_on_a_broken_file_and_says_so(board):
    first = start(board, "--tick", "1")
    assert seconds_until(lambda: pwm_duties(board)[0] > 0) < 20.0
    first.terminate()
    first.communicate(timeout=15)
    (board.root.parent / "g.toml").write_bytes(b"[pump")
    run = start(board, "--tick", "1", "--last-good")
    assert seconds_until(lambda: pwm_duties(board)[0] > 0) < 20.0
    run.terminate()
    out, err = run.communicate(timeout=15)
    assert run.returncode == 0, err
    assert "is not valid TOML" in out and "going on with the settings that last worked" in out


def test_a_missing_probe_is_named_at_the_start_and_the_rest_runs(board):
    (board.w1 / SUPPLY / "temperature").unlink()
    (board.w1 / SUPPLY).rmdir()
    run = start(board, "--tick", "1")
    assert seconds_until(lambda: ledger(board)) < 20.0
    run.terminate()
    out, err = run.communicate(timeout=15)
    assert run.returncode == 0, err
    assert f"sensor water_supply_c: probe {SUPPLY} is not there; no other probe is on the bus" in out


def test_it_uses_what_was_learned_and_says_so_in_one_line(board):
    entry = {"value": 0.31, "sd": 0.004, "was": 0.25, "date": "2026-11-25T10:00+00:00"}
    SettingsStore(board.root.parent / "state").save_learned(Document({"pump_start_duty": entry}, {}))
    run = start(board, "--tick", "1")
    assert seconds_until(lambda: ledger(board)) < 20.0
    run.terminate()
    out, err = run.communicate(timeout=15)
    assert run.returncode == 0, err
    said = [line for line in out.splitlines() if "learned values are used" in line]
    assert len(said) == 1 and "pump.start_duty 0.31 instead of 0.25 (2026-11-25)" in said[0]
