"""What a check says of clock, disk, permissions, service, watchdog, and of another warmheap that holds the outputs."""

import fcntl
import json
import os
import time
from dataclasses import replace
from errno import EACCES, EROFS
from pathlib import Path

import pytest
from board_rig import Tree, settings

from hardware import OutputSettings
from warmheap import check_board, check_host
from warmheap.check_board import Places, permission_findings, service_findings, watchdog_findings
from warmheap.check_found import OK, UNKNOWN, WRONG
from warmheap.check_front import unusable
from warmheap.check_host import PROBE, clock_findings, disk_findings
from warmheap.check_rivals import refuse_rivals
from warmheap.errors import UsageError
from warmheap.service import write_units

NOW_S = 1.8e9  # January 2027


# --- clock


def test_a_clock_at_1970_is_wrong_and_what_cannot_be_told_is_not():
    wall, control, service = clock_findings(lambda: 12.0, synchronised=lambda: False)
    assert wall.verdict == WRONG and "1970-01-01" in wall.seen and "date -s" in wall.mend
    assert control.verdict == OK and service.verdict == UNKNOWN and "set-ntp" in service.mend


@pytest.mark.parametrize(("says", "verdict"), [(True, OK), (False, UNKNOWN), (None, UNKNOWN)])
def test_a_good_clock_is_good_whatever_the_time_service(says, verdict):
    wall, _, service = clock_findings(lambda: NOW_S, synchronised=lambda: says)
    assert wall.verdict == OK and service.verdict == verdict


def test_a_clock_that_runs_too_fast_is_told():
    slept = iter([0.0, 0.3])
    _, control, _ = clock_findings(lambda: NOW_S, lambda: next(slept), lambda: True)
    assert control.verdict == WRONG and "0.300 s" in control.seen


def test_the_kernel_is_asked_and_answers_or_not():
    assert check_host.kernel_says() in (True, False, None)


# --- disk


def test_a_good_disk_is_measured_and_left_clean(tmp_path):
    found = disk_findings(tmp_path / "state")
    assert [f.name for f in found] == ["disk", "disk space"] and found[0].verdict == OK
    assert found[0].values["fsync_s"] > 0.0 and not list((tmp_path / "state").iterdir())


def test_a_full_disk_is_told_with_how_to_make_room(tmp_path):
    (tmp_path / PROBE).symlink_to("/dev/full")  # the kernel's own full disk
    (found,) = disk_findings(tmp_path)
    assert found.verdict == WRONG and "No space left" in found.seen and "make room" in found.mend


@pytest.mark.parametrize(("number", "mend"), [(EROFS, "card is failing"), (EACCES, "sudo")])
def test_a_read_only_disk_and_a_closed_folder_are_told_apart(tmp_path, monkeypatch, number, mend):
    def refuse(file):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(check_host, "_fsync_s", refuse)
    (found,) = disk_findings(tmp_path)
    assert found.verdict == WRONG and os.strerror(number) in found.seen and mend in found.mend


def test_a_slow_disk_and_one_that_hangs_are_told(tmp_path, monkeypatch):
    monkeypatch.setattr(check_host, "_fsync_s", lambda file: 0.9)
    assert "900 ms" in disk_findings(tmp_path)[0].seen and disk_findings(tmp_path)[0].verdict == WRONG
    assert unusable(tmp_path) == "", "a slow disk is no reason to move nothing"
    monkeypatch.setattr(check_host, "HANGS_S", 0.05)
    monkeypatch.setattr(check_host, "_disk", lambda state: time.sleep(0.5) or [])
    (found,) = disk_findings(tmp_path)
    assert found.verdict == WRONG and "no answer" in found.seen and unusable(tmp_path) == found.seen


@pytest.mark.parametrize(("free_mb", "verdict"), [(20, WRONG), (400, UNKNOWN), (5000, OK)])
def test_room_for_a_winter(tmp_path, monkeypatch, free_mb, verdict):
    class Stat:
        f_bavail, f_frsize, f_files, f_favail = free_mb * 1000, 1000, 100, 50

    monkeypatch.setattr(check_host.os, "statvfs", lambda folder: Stat)
    assert check_host.space(tmp_path).verdict == verdict


# --- permissions


@pytest.fixture
def places(tmp_path):
    made = Places(*(tmp_path / name for name in ("dev", "units", "manager", "running", "watchdogs")))
    for folder in (made.dev, made.units, made.manager, made.running, made.watchdogs):
        folder.mkdir()
    (made.dev / "gpiochip0").touch()
    (made.watchdogs / "watchdog0").mkdir()
    return made


@pytest.fixture
def board(tmp_path):
    (tmp_path / "sys").mkdir()
    tree = Tree(tmp_path / "sys")
    tree.pwm_channel(0, 0)
    return settings(tree, fan=OutputSettings(pwm=(0, 0)))


def by_name(found):
    return {finding.name: finding for finding in found}


def test_all_that_may_be_used_is_told(board, places):
    found = by_name(permission_findings(board, 0, places))
    assert found.keys() == {"gpio", "pwm chip 0", "1-wire", "hwmon"}
    assert {f.verdict for f in found.values()} == {OK}


@pytest.mark.parametrize("closed", ["gpiochip0", "export", "hwmon"])
def test_what_this_user_may_not_use_is_told_with_the_group(board, places, monkeypatch, closed):
    real = os.access
    monkeypatch.setattr(check_board.os, "access", lambda path, mode: Path(path).name != closed and real(path, mode))
    wrong = [f for f in permission_findings(board, 0, places) if f.verdict == WRONG]
    assert len(wrong) == 1 and ("usermod -aG gpio" in wrong[0].mend or "I2C on" in wrong[0].mend)


def test_what_is_not_there_is_told_with_its_overlay(board, places, tmp_path):
    (places.dev / "gpiochip0").unlink()
    for folder, name in ((board.roots.onewire, "1-wire"), (board.roots.hwmon, "hwmon")):
        folder.rmdir()
        assert by_name(permission_findings(board, 0, places))[name].verdict == WRONG
    found = by_name(permission_findings(replace(board, fan=OutputSettings(pwm=(3, 0))), 0, places))
    assert "gpiochip" in found["gpio"].mend and "dtoverlay=w1-gpio" in found["1-wire"].mend
    assert "pwmchip3" in found["pwm chip 3"].seen and "dtoverlay=pwm" in found["pwm chip 3"].mend


def test_probes_that_cannot_be_converted_at_once_are_only_slow(board, places, monkeypatch):
    bulk = board.roots.onewire / "w1_bus_master1"
    bulk.mkdir()
    (bulk / "therm_bulk_read").touch()
    monkeypatch.setattr(check_board.os, "access", lambda path, mode: Path(path).name != "therm_bulk_read")
    assert "one by one" in by_name(permission_findings(board, 0, places))["1-wire"].seen


# --- service and watchdog, with the units that init writes


@pytest.fixture
def installed(tmp_path, places):
    """As the three commands of ``init --service`` leave it."""
    file = tmp_path / "g 100%.toml"
    write_units(tmp_path / "out", file)
    (places.units / "warmheap.service").write_bytes((tmp_path / "out" / "warmheap.service").read_bytes())
    (places.units / "multi-user.target.wants").mkdir()
    (places.units / "multi-user.target.wants" / "warmheap.service").symlink_to(places.units / "warmheap.service")
    conf = "10-warmheap-watchdog.conf"
    (places.manager / conf).write_bytes((tmp_path / "out" / conf).read_bytes())
    return file


def test_what_init_installs_is_good(installed, places):
    assert [f.verdict for f in service_findings(installed, places)] == [OK], service_findings(installed, places)
    assert [f.verdict for f in watchdog_findings(places)] == [OK]


def test_a_service_that_is_not_as_it_should_be_is_told(installed, places, tmp_path):
    (other,) = service_findings(tmp_path / "other.toml", places)
    assert other.verdict == WRONG and "other settings" in other.seen
    (places.units / "multi-user.target.wants" / "warmheap.service").unlink()
    (off,) = service_findings(installed, places)
    assert off.verdict == WRONG and "systemctl enable" in off.mend
    unit = places.units / "warmheap.service"
    text = unit.read_text()
    unit.write_text(text.replace("ExecStart=", "ExecStart=/no"))
    assert "Python is gone" in service_findings(installed, places)[0].seen
    unit.write_text(text.replace("--safe-off", "--off"))
    assert "not that of warmheap" in service_findings(installed, places)[0].seen
    unit.unlink()
    (none,) = service_findings(installed, places)
    assert none.verdict == WRONG and "--service units" in none.mend
    places.running.rmdir()
    assert service_findings(installed, places)[0].verdict == UNKNOWN


def test_a_board_without_a_watchdog_and_one_that_nobody_uses(installed, places):
    (places.manager / "10-warmheap-watchdog.conf").write_text("[Manager]\nRuntimeWatchdogSec=off\n")
    (unused,) = watchdog_findings(places)
    assert unused.verdict == WRONG and "nothing uses it" in unused.seen
    (places.watchdogs / "watchdog0").rmdir()
    (none,) = watchdog_findings(places)
    assert none.verdict == WRONG and "dtparam=watchdog=on" in none.mend


# --- another warmheap

PUMP = {"kind": "pwmchip", "name": "pump", "chip": 0, "channel": 0, "root": "/sys/class/pwm", "duty": 0.0}


def process(proc, pid, *words):
    (proc / str(pid)).mkdir(parents=True)
    (proc / str(pid) / "cmdline").write_bytes("\0".join(words).encode() + b"\0")


@pytest.fixture
def running(tmp_path):
    """A guardian in a pretended /proc, and its state folder."""
    process(tmp_path / "proc", 41, "python", "-m", "http.server", "warmheap.guardian")
    (tmp_path / "proc" / "self").mkdir()
    process(tmp_path / "proc", 42, "python", "-m", "warmheap.guardian", str(tmp_path / "theirs"), "python", "run")
    (tmp_path / "theirs").mkdir()
    (tmp_path / "theirs" / "outputs.json").write_text(json.dumps([PUMP]))
    return tmp_path


def test_a_run_that_holds_the_same_output_is_refused_in_one_line(running):
    with pytest.raises(UsageError, match=r"process 42\) holds pump or fan: stop it first .*systemctl stop"):
        refuse_rivals(running / "mine", [PUMP | {"duty": 0.3}], running / "proc")


def test_a_run_with_other_outputs_is_none_of_ours(running):
    refuse_rivals(running / "mine", [PUMP | {"channel": 1}], running / "proc")
    assert not (running / "mine").exists()


@pytest.mark.parametrize("words", [(), ("--plant", "x.toml")])
def test_a_run_that_cannot_be_looked_into_counts_unless_it_is_simulated(running, monkeypatch, words):
    monkeypatch.setattr("warmheap.check_rivals.INTRODUCED_S", 0.0)
    (running / "theirs" / "outputs.json").unlink()
    process(running / "proc", 43, "python", "-m", "warmheap.guardian", str(running / "none"), "run", "--plant", "x")
    line = (running / "proc" / "42" / "cmdline").read_bytes() + "\0".join(words).encode()
    (running / "proc" / "42" / "cmdline").write_bytes(line)
    if words:
        refuse_rivals(running / "mine", [PUMP], running / "proc")
    else:
        with pytest.raises(UsageError, match="process 42"):
            refuse_rivals(running / "mine", [PUMP], running / "proc")


def test_a_state_folder_that_is_locked_is_refused(tmp_path):
    with (tmp_path / "lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        with pytest.raises(UsageError, match="a warmheap runs with"):
            refuse_rivals(tmp_path, [], tmp_path)
    refuse_rivals(tmp_path, [], tmp_path)
