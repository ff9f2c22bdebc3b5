"""Real processes, really killed: whatever happens to the loop or its guardian, the outputs are safe within two seconds."""

import errno
import json
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from waiting import seconds_until

from warmheap import guardian
from warmheap.guardian import COMPILING_S, FD_HERE, STARTING_S, all_safe, main
from warmheap.record import read_record, spec

ROOT = Path(__file__).parents[2]
TINY = Path(__file__).with_name("tiny_loop.py")
SAFE_S = 2.0
ON, OFF = {"pump": 0.7, "fan": 0.7}, {"pump": 0.0, "fan": 0.0}


class Guarded:
    """A guardian with the tiny loop under it."""

    def __init__(self, state, fault="none", env=None):
        self.state = state
        words = [
            sys.executable,
            "-m",
            "warmheap.guardian",
            str(state),
            sys.executable,
            str(TINY),
            str(state),
            FD_HERE,
            fault,
        ]
        path = {"PYTHONPATH": str(ROOT)}
        self.process = subprocess.Popen(
            words,
            cwd=ROOT,
            env=os.environ | path | (env or {}),
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def duties(self):
        record = self.state / "outputs.bin"
        return read_record(record) if record.exists() else None

    def runs(self):
        return seconds_until(lambda: self.duties() == ON, 10.0) < 10.0

    def safe_after_s(self, timeout_s=5.0):
        return seconds_until(lambda: self.duties() == OFF, timeout_s)

    def loop_pid(self):
        return int((self.state / "pid").read_text())

    def starts(self):
        return len((self.state / "starts").read_text().splitlines())

    def end(self):
        """Stop everything; what the guardian said."""
        if self.process.poll() is None:
            self.process.terminate()
        try:
            return self.process.communicate(timeout=15.0)[1]
        finally:
            if self.process.poll() is None:
                os.killpg(self.process.pid, signal.SIGKILL)
                self.process.wait()


@pytest.fixture
def start(tmp_path):
    begun = []

    def begin(fault="none", env=None):
        guarded = Guarded(tmp_path, fault, env)
        begun.append(guarded)
        return guarded

    yield begin
    for guarded in begun:
        guarded.end()


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP, signal.SIGABRT, signal.SIGSEGV])
def test_a_loop_that_is_killed_or_stopped_is_made_safe_and_started_again(start, number):
    guarded = start()
    assert guarded.runs()
    os.kill(guarded.loop_pid(), number)
    assert guarded.safe_after_s() < SAFE_S
    assert seconds_until(lambda: guarded.duties() == ON, 20.0) < 20.0
    assert guarded.starts() == 2
    said = guarded.end()
    assert ("was frozen" if number == signal.SIGSTOP else "was killed by signal") in said
    assert guarded.duties() == OFF and guarded.process.returncode == 0


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        ("exception", "ended with code 1"),
        ("deadlock", "was frozen"),
        ("exit", "ended with code 7"),
        ("disobey", "ended with code 3"),
    ],
)
def test_a_loop_that_fails_by_itself_is_made_safe_and_started_again(start, fault, told):
    guarded = start(fault)
    assert guarded.runs()
    at_most_s = (
        0.5 + SAFE_S + (3.0 if fault == "disobey" else 1.0)
    )  # the fault comes at a tick; three ticks of disobeying
    assert guarded.safe_after_s(at_most_s) < at_most_s
    assert seconds_until(lambda: guarded.starts() == 2, 20.0) < 20.0
    assert told in guarded.end()


def test_a_deadlock_is_made_safe_two_seconds_after_the_last_heartbeat(start):
    guarded = start("deadlock")
    assert guarded.runs()
    time.sleep(0.9)  # the second tick, one second after the first, hangs
    assert guarded.safe_after_s() < SAFE_S + 0.2


def test_sigterm_ends_it_well_and_safe(start):
    guarded = start()
    assert guarded.runs()
    guarded.process.terminate()
    assert guarded.safe_after_s() < SAFE_S
    assert guarded.process.wait(10.0) == 0
    with pytest.raises(ProcessLookupError):
        os.kill(guarded.loop_pid(), 0)


def test_sigterm_ends_even_a_frozen_loop_in_time(start):
    guarded = start()
    assert guarded.runs()
    os.kill(guarded.loop_pid(), signal.SIGSTOP)
    guarded.process.terminate()
    assert guarded.safe_after_s() < SAFE_S
    assert guarded.process.wait(10.0) == 0


def test_a_loop_that_ends_by_itself_ends_the_guardian(start):
    guarded = start("end")
    assert guarded.runs()
    assert guarded.process.wait(10.0) == 0
    assert guarded.duties() == OFF and guarded.starts() == 1


def test_a_loop_whose_guardian_is_killed_makes_itself_safe_and_ends(start):
    guarded = start()
    assert guarded.runs()
    pid = guarded.loop_pid()
    guarded.process.kill()
    assert guarded.safe_after_s() < SAFE_S
    assert (
        seconds_until(lambda: not Path(f"/proc/{pid}").exists() or "Z" in Path(f"/proc/{pid}/stat").read_text(), 5.0)
        < 5.0
    )


def test_both_killed_at_once_safe_off_finishes_the_job(start):
    guarded = start()
    assert guarded.runs()
    os.killpg(guarded.process.pid, signal.SIGKILL)
    guarded.process.wait()
    assert guarded.duties() == ON  # nobody is left: this is what the service manager's last step is for
    assert main(["--safe-off", str(guarded.state)]) == 0
    assert guarded.duties() == OFF


def test_safe_off_leaves_a_running_one_alone(start, capsys):
    guarded = start()
    assert guarded.runs()
    assert main(["--safe-off", str(guarded.state)]) == 1
    assert "a warmheap runs with" in capsys.readouterr().err
    assert guarded.duties() == ON


def test_safe_off_with_nothing_to_do_is_well(tmp_path):
    assert main(["--safe-off", str(tmp_path)]) == 0


def test_safe_off_says_when_its_notes_are_damaged(tmp_path, capsys):
    (tmp_path / "outputs.json").write_bytes(b"{rubbish")
    assert main(["--safe-off", str(tmp_path)]) == 1
    assert "cannot read" in capsys.readouterr().err


def test_a_second_one_is_refused(start, capsys):
    guarded = start()
    assert guarded.runs()
    assert main([str(guarded.state), "true"]) == 2
    assert "another warmheap already runs" in capsys.readouterr().err


def test_a_slow_start_is_no_freeze(start):
    guarded = start("slow-start")
    assert guarded.runs()
    assert guarded.starts() == 1


@pytest.mark.parametrize(
    ("kinds", "allowed_s"), [(("record", "record"), COMPILING_S), (("record", "pwmchip"), STARTING_S)]
)
def test_only_what_nothing_real_hangs_on_may_take_minutes_to_start(tmp_path, kinds, allowed_s):
    """Two outputs are introduced; in the guardian's own process, since no test can wait a minute."""
    script = f"""
import json, sys
from pathlib import Path
from warmheap.guardian import Child, Guardian
guardian = Guardian(Path({str(tmp_path)!r}), [])
child = Child([sys.executable, "-c", ""])
before_s = child.allowed_s()
guardian._introduced(child, [dict(kind=kind) for kind in {kinds!r}])
child.kill()
print(json.dumps([before_s, child.allowed_s()]))
"""
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    said = subprocess.run([sys.executable, "-c", script], env=env, capture_output=True, text=True, check=True).stdout
    assert json.loads(said) == [STARTING_S, allowed_s]


def test_it_stops_while_it_waits_to_start_again(start):
    guarded = start("exit")
    assert guarded.runs()
    assert seconds_until(lambda: guarded.duties() == OFF, 5.0) < 5.0
    guarded.process.terminate()
    assert guarded.process.wait(3.0) == 0


def test_the_service_manager_hears_of_progress_and_of_nothing_else(start, tmp_path):
    address = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(address))
        manager.settimeout(5.0)
        guarded = start(env={"NOTIFY_SOCKET": str(address)})
        assert manager.recv(100) == b"READY=1"
        assert [manager.recv(100) for _ in range(2)] == [b"WATCHDOG=1"] * 2
        os.kill(guarded.loop_pid(), signal.SIGSTOP)
        assert guarded.safe_after_s() < SAFE_S
        manager.settimeout(0.7)  # the pause before the next start: safe, but no progress
        with pytest.raises(TimeoutError):
            while True:
                manager.recv(100)
        guarded.end()
        manager.settimeout(2.0)
        last = b""
        try:
            while True:
                last = manager.recv(100)
        except TimeoutError:
            assert last == b"STOPPING=1"


def test_the_guardian_stays_small_and_knows_no_control(start):
    guarded = start()
    assert guarded.runs()
    pages = Path(f"/proc/{guarded.process.pid}/statm").read_text().split()[1]
    assert int(pages) * os.sysconf("SC_PAGE_SIZE") < 25e6
    code = (
        "import sys, warmheap.guardian, hardware.safe_off\n"
        "print([m for m in ('controller', 'numpy', 'simple_pid', 'sim', 'gpiozero') if m in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert run.stdout.strip() == "[]"


def test_an_output_that_fails_is_tried_again_and_the_others_are_not_kept_waiting(tmp_path, monkeypatch):
    from warmheap import record

    calls, really = [], record.make_safe

    def moody(spec):
        calls.append(spec["name"])
        if spec["name"] == "pump" and len(calls) < 6:
            raise OSError("busy")
        return really(spec)

    monkeypatch.setattr(record, "make_safe", moody)
    specs = [spec(tmp_path / "r", n, 0.25) for n in ("pump", "fan")]
    assert len(all_safe(specs)) == 2
    assert calls[:3] == ["pump", "fan", "pump"] and calls.count("fan") == 1
    assert read_record(tmp_path / "r") == {"pump": 0.25, "fan": 0.25}


def test_an_output_that_never_obeys_is_told_in_the_end(tmp_path, capsys):
    assert all_safe([{"name": "pump", "kind": "steam", "duty": 0.0}], give_up_s=0.3) == []
    assert "pump could not be made safe" in capsys.readouterr().err


def test_what_safe_off_will_need_is_written_down_before_anything_opens(start):
    guarded = start()
    assert guarded.runs()
    kept = json.loads((guarded.state / "outputs.json").read_text())
    assert [s["name"] for s in kept] == ["pump", "fan"]


def test_a_full_disk_keeps_nobody_from_the_lock(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(guardian.os, "write", full)
    with guardian._locked(tmp_path) as lock:
        assert lock is not None and guardian._locked(tmp_path) is None
