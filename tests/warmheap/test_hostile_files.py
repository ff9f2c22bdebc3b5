"""Every verb, handed what nobody should hand to a program: one line, exit code 2, nothing lost, nothing half-done."""

import errno
import os
import resource
import signal
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import contextmanager
from pathlib import Path

import pytest
from hostile import FILES, LEDGERS, NAMES, damaged_ledger, made
from made_season import hot_season

from warmheap import files
from warmheap.cli import LONGEST_LINE, main
from warmheap.settings_store import COPIES, SettingsStore, TwoCopies

ROOT = Path(__file__).parents[2]
MILD = ROOT / "scenarios" / "mild-wet-winter.toml"
PLAIN = ROOT / "examples" / "plain-greenhouse.toml"
NOBODY = 65534
PATIENCE_S = 10


@pytest.fixture(autouse=True)
def never_for_ever(monkeypatch):
    """A verb that waits for a pipe, or becomes another program, fails its test."""

    def late(*_):
        raise AssertionError("it hangs")

    def became(*words):
        raise AssertionError(f"it went on with {words}")

    monkeypatch.setattr(os, "execv", became)
    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(PATIENCE_S)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.fixture(scope="module")
def ledger(tmp_path_factory):
    path = tmp_path_factory.mktemp("sound") / "ledger.sqlite"
    hot_season(path, days=0.2)
    return path


def refused(capsys, words):
    """Run a command that must be refused, and return its one line."""
    code = main([str(word) for word in words])
    out, err = capsys.readouterr()
    lines = [line for line in err.splitlines() if not line.startswith("preparing")]  # that is progress
    assert code == 2 and out == "" and len(lines) == 1, (code, out, err)
    assert lines[0].startswith("warmheap: ") and len(lines[0]) <= LONGEST_LINE + 20
    assert lines[0].isprintable()
    return lines[0]


# What each verb reads, with the ending of such a file.
READERS = {
    "simulate": (".toml", lambda p: ["simulate", p, "--days", "0.02", "--json"]),
    "tune": (".toml", lambda p: ["tune", p, "--plants", "2", "--workers", "1", "--json"]),
    "campaign seasons": (".toml", lambda p: ["campaign", "seasons", p, "--out", f"{p}.sqlite"]),
    "campaign faults": (".toml", lambda p: ["campaign", "faults", p, "--out", f"{p}.sqlite"]),
    "campaign replay": (".sqlite", lambda p: ["campaign", "replay", p, "--run", "0"]),
    "plan": (".toml", lambda p: ["plan", p, "--json"]),
    "plan, weather": (".epw", lambda p: ["plan", "--weather", p, "--json"]),
    "commission": (".toml", lambda p: ["commission", p, "--state", f"{p}.state"]),
    "commission, plant": (".toml", lambda p: ["commission", "--plant", p, "--state", f"{p}.state"]),
    "commission, answers": (".toml", lambda p: ["commission", PLAIN, "--answers", p, "--state", f"{p}.state"]),
    "report": (".sqlite", lambda p: ["report", p, "--json"]),
    "report, export": (".sqlite", lambda p: ["report", p, "--export", "csv", "--out", f"{p}.tables"]),
    "replay": (".sqlite", lambda p: ["replay", p, "--json"]),
    "replay, settings": (".toml", lambda p: ["replay", "none.sqlite", "--settings", p]),
}
ALLOWED = {  # what is no mistake: nothing is known, or nothing needs to be
    ("commission", "empty"), ("commission, answers", "empty"), ("replay, settings", "empty"),
}  # fmt: skip


@pytest.mark.parametrize("kind", FILES)
def test_no_file_gets_more_than_one_line_out_of_any_verb(tmp_path, capsys, monkeypatch, kind):
    monkeypatch.chdir(tmp_path)
    for verb, (suffix, words) in READERS.items():
        if (verb, kind) in ALLOWED:
            continue
        folder = tmp_path / verb
        folder.mkdir()
        path = made(folder, kind, suffix)
        there = sorted(folder.iterdir())
        assert "hostile" in refused(capsys, words(path)), verb
        assert sorted(folder.iterdir()) == there, f"{verb} left something"


@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)
def test_no_name_of_a_file_that_is_not_there_is_too_odd(tmp_path, capsys, monkeypatch, name):
    monkeypatch.chdir(tmp_path)
    for suffix, words in READERS.values():
        refused(capsys, words(name + suffix))
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_may_not_be_read_is_named(capsys):
    for verb in ("simulate", "commission", "replay, settings", "report", "commission, answers"):
        with tempfile.TemporaryDirectory() as folder:
            os.chmod(folder, 0o755)
            suffix, words = READERS[verb]
            path = Path(folder) / f"secret{suffix}"
            path.write_bytes(b"[water]\n")
            path.chmod(0)
            with as_nobody():
                assert "secret" in refused(capsys, words(path)), verb


@contextmanager
def as_nobody():
    """The rights of somebody who owns nothing here; root may read everything."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


# --- ledgers

SOUND_ENOUGH = {  # verb, damage: what is damaged is not what this verb reads, or is said in its output
    ("replay", "roll-ups lost"), ("replay", "texts in hours"), ("report", "starts spoilt"), ("replay", "starts spoilt"),
    ("report", "commands spoilt"), ("replay", "commands spoilt"), ("report", "alarms spoilt"), ("replay", "alarms spoilt"),
    ("replay", "no ticks"),
}  # fmt: skip


@pytest.mark.parametrize("kind", LEDGERS)
def test_a_spoilt_ledger_is_told_and_left_as_it_is(ledger, tmp_path, capsys, kind):
    path = damaged_ledger(ledger, tmp_path / "hostile.sqlite", kind)
    before = path.read_bytes()
    for verb in ("report", "replay"):
        if (verb, kind) in SOUND_ENOUGH:
            assert main([verb, str(path), "--json"]) == 0
            capsys.readouterr()
        else:
            assert "hostile.sqlite" in refused(capsys, [verb, path, "--json"])
    assert path.read_bytes() == before


@pytest.mark.parametrize("kind", ["cut short", "middle lost", "roll-ups lost"])
def test_an_export_that_fails_leaves_the_old_tables_alone(ledger, tmp_path, capsys, kind):
    out = tmp_path / "tables"
    assert main(["report", str(ledger), "--export", "csv", "--out", str(out)]) == 0
    capsys.readouterr()
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    path = damaged_ledger(ledger, tmp_path / "hostile.sqlite", kind)
    refused(capsys, ["report", path, "--export", "csv", "--out", out])
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


def test_a_ledger_on_a_medium_that_cannot_be_written_is_read(ledger, capsys):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ledger.sqlite"
        path.write_bytes(ledger.read_bytes())
        path.chmod(0o444)
        os.chmod(folder, 0o555)
        with as_nobody():
            assert main(["report", str(path), "--json"]) == 0
        assert capsys.readouterr().out.startswith("{")
        os.chmod(folder, 0o755)


# --- places that cannot be written

WRITERS = {
    "simulate": lambda out, ledger: ["simulate", MILD, "--days", "0.02", "--policy", "off", "--out", out / "run"],
    "plan, picture": lambda out, ledger: ["plan", MILD, "--days", "1", "--picture", out / "plan.png", "--json"],
    "plan, scenario": lambda out, ledger: ["plan", MILD, "--days", "1", "--write-scenario", out / "s.toml", "--json"],
    "init": lambda out, ledger: ["init", out / "g.toml"],
    "init, service": lambda out, ledger: ["init", PLAIN, "--service", out / "units"],
    "report": lambda out, ledger: ["report", ledger, "--out", out / "report.html"],
    "report, export": lambda out, ledger: ["report", ledger, "--export", "csv", "--out", out / "tables"],
    "report, parquet": lambda out, ledger: ["report", ledger, "--export", "parquet", "--out", out / "tables"],
    "replay": lambda out, ledger: ["replay", ledger, "--out", out / "night.svg"],
    "campaign": lambda out, ledger: ["campaign", "seasons", MILD, "--out", out / "none" / "c.sqlite"],
}  # fmt: skip


def below(folder):
    return {path: path.read_bytes() if path.is_file() else None for path in folder.rglob("*")}


@pytest.mark.parametrize("verb", WRITERS)
def test_a_folder_that_may_not_be_written_costs_one_line(ledger, capsys, verb):
    with tempfile.TemporaryDirectory() as folder:
        os.chmod(folder, 0o555)
        with as_nobody():
            refused(capsys, WRITERS[verb](Path(folder), ledger))
        os.chmod(folder, 0o755)
        assert below(Path(folder)) == {}


@contextmanager
def full_disk(most_bytes):
    """Every file may grow to so many bytes only, as on a disk that has no room for more."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, ignored)


@pytest.mark.parametrize("room_bytes", [0, 700])
@pytest.mark.parametrize("verb", [v for v in WRITERS if v != "campaign"])
def test_a_full_disk_costs_one_line_and_no_file(ledger, tmp_path, capsys, verb, room_bytes):
    words = WRITERS[verb](tmp_path, ledger)
    new_only = verb in ("init", "init, service", "plan, scenario")
    if not new_only:
        assert main([str(word) for word in words]) == 0
    before = below(tmp_path)
    capsys.readouterr()
    with full_disk(room_bytes):
        refused(capsys, words)
    left = below(tmp_path)
    assert {path: data for path, data in left.items() if data is not None or path in before} == before


@pytest.mark.parametrize("verb", ["report", "replay", "plan, picture"])
def test_what_is_no_plain_file_is_never_replaced_by_one(ledger, tmp_path, capsys, verb):
    for kind in ("folder", "pipe", "socket", "device without end", "cyclic link"):
        place = tmp_path / kind
        place.mkdir()
        words = WRITERS[verb](place, ledger)
        target = next(word for word in words if isinstance(word, Path) and word.parent == place)
        FILES[kind](target)
        was = os.lstat(target)
        refused(capsys, words)
        assert os.lstat(target).st_ino == was.st_ino
        assert not [path for path in place.iterdir() if ".new" in path.name]


def test_a_link_stays_a_link_and_what_it_points_to_is_written(tmp_path):
    (tmp_path / "real").write_bytes(b"old")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    files.write_whole(tmp_path / "link", b"new")
    assert (tmp_path / "link").is_symlink() and (tmp_path / "real").read_bytes() == b"new"


def test_who_reads_the_old_file_goes_on_reading_it_whole(tmp_path):
    """The new one takes its name in one step; what is written into an open file is half old, half new."""
    path = tmp_path / "page.html"
    path.write_bytes(b"old" * 1000)
    with path.open("rb") as reader:
        files.write_whole(path, b"new")
        assert reader.read() == b"old" * 1000
    assert path.read_bytes() == b"new"


def test_files_that_belong_together_are_all_new_or_all_old(tmp_path):
    paths = [tmp_path / "a", tmp_path / "b"]
    for path in paths:
        path.write_bytes(b"old")
    with pytest.raises(OSError), files.all_whole(paths) as beside:
        beside[0].write_bytes(b"new")
        raise OSError(errno.ENOSPC, "full")
    assert [path.read_bytes() for path in paths] == [b"old", b"old"]
    assert sorted(tmp_path.iterdir()) == paths


@pytest.mark.parametrize("words", [["plan", str(MILD), "--days", "1", "--json"], ["report", "LEDGER", "--json"]])
def test_an_output_that_takes_nothing_more_costs_one_line(ledger, words):
    command = [sys.executable, "-m", "warmheap", *(str(ledger) if word == "LEDGER" else word for word in words)]
    with open("/dev/full", "w") as full:
        run = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, cwd=ROOT)
    assert run.returncode == 2
    assert len(run.stderr.splitlines()) == 1 and "No space left on device" in run.stderr


def test_an_output_that_is_closed_is_no_mistake(ledger):
    command = f"exec {sys.executable} -m warmheap report {ledger} --json >&-"
    run = subprocess.run(["sh", "-c", command], stderr=subprocess.PIPE, text=True, cwd=ROOT)
    assert (run.returncode, run.stderr) == (0, "")


# --- the state folder


@pytest.mark.parametrize("kind", [k for k in FILES if k not in ("missing", "link to nothing", "huge")])
def test_both_kept_copies_bad_are_said_and_the_settings_file_goes_on(tmp_path, kind):
    """Whatever lies where the copies should: a pipe, a device, a folder."""
    state = tmp_path / "state"
    state.mkdir()
    for name in ("settings", "learned"):
        for copy in COPIES:
            FILES[kind](state / f"{name}.{copy}")
    store = SettingsStore(state)
    assert store.learned() is None
    chosen = store.choose(PLAIN)
    assert chosen.settings.board is not None
    assert any("settings are damaged" in said or "cannot keep a copy" in said for said in chosen.said) or kind in (
        "cyclic link",
    )


def test_a_bad_file_and_two_bad_copies_leave_the_outputs_off(tmp_path, capsys):
    (tmp_path / "bad.toml").write_text("[pump\n")
    copies = TwoCopies(tmp_path, "settings")
    copies.save(PLAIN.read_text())
    copies.save(PLAIN.read_text())
    for copy in COPIES:
        path = tmp_path / f"settings.{copy}"
        path.write_bytes(path.read_bytes()[:-5])
    with pytest.raises(Exception, match="the outputs stay off"):
        SettingsStore(tmp_path).choose(tmp_path / "bad.toml", last_good=True)


def test_damaged_copies_of_what_was_learned_are_told_by_show(tmp_path, capsys):
    for copy in COPIES:
        (tmp_path / f"learned.{copy}").write_bytes(b"half")
    assert main(["commission", "--show", "--state", str(tmp_path)]) == 0
    assert "both copies of learned are damaged" in capsys.readouterr().err


@pytest.mark.parametrize("option", ["--show", "--forget"])
def test_a_state_folder_that_is_a_file_is_refused(tmp_path, capsys, option):
    (tmp_path / "state").write_bytes(b"")
    assert "is no folder" in refused(capsys, ["commission", option, "--state", tmp_path / "state"])


def test_a_campaign_file_of_something_else_is_left_alone(tmp_path, capsys):
    for kind in ("binary", "zeros", "not UTF-8", "folder", "pipe", "socket", "cyclic link"):
        folder = tmp_path / kind
        folder.mkdir()
        path = made(folder, kind, ".sqlite")
        before = below(folder)
        for what in ("seasons", "faults"):
            assert "hostile" in refused(capsys, ["campaign", what, MILD, "--out", path])
        assert below(folder) == before


def test_another_database_is_never_taken_for_ours(tmp_path, capsys):
    path = tmp_path / "addresses.sqlite"
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE people (name)")
    before = path.read_bytes()
    for words in (["report", path, "--json"], ["replay", path], ["campaign", "seasons", MILD, "--out", path]):
        assert "addresses.sqlite" in refused(capsys, words)
    assert path.read_bytes() == before
