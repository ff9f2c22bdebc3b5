"""The units of the service manager: they say what they must, and the manager's own checker accepts them."""

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from warmheap import service
from warmheap.cli import main
from warmheap.errors import UsageError
from warmheap.guardian import FROZEN_S, PAUSES_S, STARTING_S


def settings(text):
    """Every KEY=value of a unit, lists where a key stands twice."""
    found = {}
    for line in text.splitlines():
        if "=" in line and not line.startswith("#"):
            key, value = line.split("=", 1)
            found.setdefault(key, []).append(value)
    return {key: values[0] if len(values) == 1 else values for key, values in found.items()}


@pytest.fixture
def unit(tmp_path, capsys):
    assert main(["init", str(tmp_path / "g.toml"), "--service", str(tmp_path / "units")]) == 0
    assert "systemctl enable --now warmheap.service" in capsys.readouterr().out
    return (tmp_path / "units" / service.SERVICE).read_text()


def test_it_is_watched_started_again_for_ever_and_made_safe_after_any_end(unit):
    s = settings(unit)
    assert s["Restart"] == "always" and s["StartLimitIntervalSec"] == "0"
    assert s["Type"] == "notify" and int(s["WatchdogSec"]) > max(PAUSES_S) + FROZEN_S
    assert int(s["TimeoutStartSec"]) > STARTING_S
    assert s["ExecStart"].endswith("g.toml --last-good") and "/" in s["ExecStart"].split()[-2]
    assert s["ExecStopPost"].endswith("-m warmheap.guardian --safe-off %S/warmheap")
    assert s["KillMode"] == "mixed"


def test_it_may_do_what_it_must_and_little_else(unit):
    s = settings(unit)
    assert s["DeviceAllow"] == "char-gpiochip rw"
    assert s["IPAddressDeny"] == "any" and s["IPAddressAllow"] == "localhost"
    assert "ProtectKernelTunables" not in s  # it writes to /sys
    assert s["WorkingDirectory"] == "%S/warmheap" and s["StateDirectory"] == "warmheap"


@pytest.mark.parametrize(
    ("text", "private", "deny"),
    [
        ("[page]\nserve = false", "yes", None),
        ("", None, "any"),
        ('[page]\nlisten = "[::1]:80"', None, "any"),
        ('[page]\nlisten = "0.0.0.0:8067"', None, None),
        ('[page]\nserve = false\n[mqtt]\nhost = "hub.example"', None, None),
        ('[notify]\ncommand = "mail me"', None, None),
    ],
)
def test_it_reaches_the_network_as_far_as_the_settings_want_and_no_further(tmp_path, text, private, deny):
    file = tmp_path / "g.toml"
    file.write_text(text)
    s = settings(service.unit_text(file))
    assert (s.get("PrivateNetwork"), s.get("IPAddressDeny")) == (private, deny)
    assert ("AF_INET" in s["RestrictAddressFamilies"]) == (private is None)


def test_nothing_is_guessed_about_a_settings_file_that_cannot_be_read(tmp_path):
    file = tmp_path / "g.toml"
    file.write_text("not a settings file")
    with pytest.raises(UsageError, match=r"g\.toml"):
        service.write_units(tmp_path / "units", file)
    assert list((tmp_path / "units").iterdir()) == []


def test_the_managers_own_checker_accepts_it(unit, tmp_path):
    checker = shutil.which("systemd-analyze")
    path = tmp_path / "units" / service.SERVICE
    if checker:
        run = subprocess.run([checker, "verify", str(path)], capture_output=True, text=True)
        assert service.SERVICE not in run.stderr, run.stderr
    assert unit.count("[Service]") == unit.count("[Unit]") == unit.count("[Install]") == 1


def test_a_path_with_spaces_percents_and_quotes_stays_one_word():
    line = settings(service.unit_text(Path('/a b/50% "x"/g.toml')))["ExecStart"]
    assert r'"/a b/50%% \"x\"/g.toml" --last-good' in line


def test_a_path_that_cannot_be_written_into_a_unit_is_refused():
    from warmheap.errors import UsageError

    with pytest.raises(UsageError, match="unprintable"):
        service.unit_text(Path("/a\nExecStart=evil/g.toml"))


@pytest.mark.parametrize("there", [True, False])
def test_the_group_is_named_only_where_there_is_one(monkeypatch, there):
    def getgrnam(name):
        if not there:
            raise KeyError(name)

    monkeypatch.setattr(service.grp, "getgrnam", getgrnam)
    found = settings(service.unit_text(Path("/g.toml"))).get("SupplementaryGroups")
    assert found == ("gpio" if there else None)


def test_all_or_nothing_and_never_over(tmp_path, capsys):
    folder = tmp_path / "units"
    folder.mkdir()
    (folder / service.WATCHDOG).write_text("mine")
    assert main(["init", "g.toml", "--service", str(folder)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert [p.name for p in folder.iterdir()] == [service.WATCHDOG]


def test_json_says_what_was_written(tmp_path, capsys):
    assert main(["init", str(tmp_path / "g.toml"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"wrote": [str(tmp_path / "g.toml")]}


def test_a_folder_that_cannot_be_made_costs_one_line(tmp_path, capsys):
    (tmp_path / "file").write_text("")
    assert main(["init", "--service", str(tmp_path / "file" / "units")]) == 2
    assert "cannot make" in capsys.readouterr().err
