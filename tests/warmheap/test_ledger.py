"""The ledger and its scribe: every tick a row, a full disk costs rows and never control, a cut costs at most the last."""

import io
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from waiting import until

from controller import Alarm, Commands, Decision, Measurements, PileEstimate
from warmheap import scribe as scribe_module
from warmheap.ledger import COLUMNS, Ledger, LedgerError, event_row, rows, set_aside, tick_row
from warmheap.loop import Tick
from warmheap.scribe import Scribe
from warmheap.settings_store import TwoCopies
from warmheap.status import Status

ROOT = Path(__file__).parents[2]
ALARM = Alarm("no-flow", "warning", 5.0, "the pump runs and no water flows", "bleed the high point")


def tick(n=0, alarms=(), **readings):
    d = Decision(Commands(0.3, 0.1), "draw", "demand", "why", alarms, PileEstimate(core_c=55.0), 10.0)
    return Tick(Measurements(time_s=1e9 + n, **readings), d, 0.001, 0.0002)


def scribe(state, stream=None, remember=lambda: "memory"):
    return Scribe(state, Status(stream=stream or io.StringIO()), remember)


def test_a_tick_is_a_row_and_no_reading_is_null(tmp_path):
    ledger = Ledger(tmp_path / "l.sqlite")
    t = tick(pile_core_c=55.5, greenhouse_c=float("inf"))
    ledger.write([tick_row(2e9, t.measurements, t.decision, t.late_s)])
    ledger.close()
    (row,) = rows(ledger.path)
    assert set(row) == {"id", *COLUMNS}
    assert (row["pile_core_c"], row["pump_duty"], row["phase"], row["wall_s"]) == (55.5, 0.3, "draw", 2e9)
    assert row["greenhouse_c"] is None and row["tank_c"] is None and row["stored_j"] is None


def test_it_is_written_so_that_a_power_cut_loses_nothing(tmp_path):
    ledger = Ledger(tmp_path / "l.sqlite")
    ledger.write([event_row(0.0, 0.0, "a", "b")])
    assert ledger._db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert ledger._db.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL
    ledger.close()


def test_a_row_takes_as_much_as_is_said(tmp_path):
    ledger = Ledger(tmp_path / "l.sqlite")
    full = {n: 12.345678 for n in COLUMNS if n in Measurements.__slots__ and n != "time_s"}
    batch = [tick_row(2e9 + i, (t := tick(i, **full)).measurements, t.decision, 0.1) for i in range(2000)]
    ledger.write(batch)
    ledger.close()
    assert 200 < ledger.path.stat().st_size / 2000 < 350


def test_old_rows_go(tmp_path):
    ledger = Ledger(tmp_path / "l.sqlite")
    t = tick()
    ledger.write([tick_row(wall_s, t.measurements, t.decision, 0.0) for wall_s in (10.0, 20.0, 30.0)])
    ledger.prune(20.0)
    ledger.close()
    assert [row["wall_s"] for row in rows(ledger.path)] == [20.0, 30.0]


def test_what_is_no_database_is_set_aside(tmp_path):
    path = tmp_path / "l.sqlite"
    path.write_bytes(b"rubbish" * 1000)
    with pytest.raises(LedgerError, match="cannot write l.sqlite"):
        Ledger(path).write([event_row(0.0, 0.0, "a", "b")])
    assert set_aside(path) == tmp_path / "l.sqlite.damaged-1"
    assert not path.exists() and set_aside(path) is None
    Ledger(path).write([event_row(0.0, 0.0, "a", "b")])
    assert set_aside(path) is None


def test_scribe_writes_rows_alarms_events_and_memory(tmp_path):
    out = io.StringIO()
    s = scribe(tmp_path, out)
    s.tick(tick(0))
    s.tick(tick(1, (ALARM,)))
    s.tick(tick(2, (ALARM,)))
    s.tick(tick(3))
    s.event("start", "hello")
    s.remember_now()
    s.close()
    db = tmp_path / "ledger.sqlite"
    assert [row["time_s"] for row in rows(db)] == [1e9, 1e9 + 1, 1e9 + 2, 1e9 + 3]
    assert [(r["code"], r["begins"]) for r in rows(db, "alarms")] == [("no-flow", 1), ("no-flow", 0)]
    assert [r["text"] for r in rows(db, "events")] == ["hello"]
    assert TwoCopies(tmp_path, "memory").load().text == "memory"
    assert "WARNING: the pump runs and no water flows. bleed the high point" in out.getvalue()


class Full(Ledger):
    """A disk that is full while ``full`` says so."""

    full = True

    def write(self, statements):
        if Full.full:
            raise LedgerError("cannot write ledger.sqlite: database or disk is full")
        super().write(statements)


def test_a_full_disk_keeps_rows_in_memory_and_writes_them_later(tmp_path, monkeypatch, capfd):
    monkeypatch.setattr(scribe_module, "Ledger", Full)
    monkeypatch.setattr(scribe_module, "RETRY_S", 0.05)
    Full.full = True
    s = scribe(tmp_path)
    for n in range(50):
        s.tick(tick(n))
    time.sleep(0.3)
    Full.full = False
    s.tick(tick(50))
    assert until(lambda: not s._rows or s.tick(tick(51)))
    s.close()
    times = [row["time_s"] for row in rows(tmp_path / "ledger.sqlite")]
    assert times[:51] == [1e9 + n for n in range(51)]
    assert "control goes on" in capfd.readouterr().err


def test_a_disk_full_for_days_costs_the_oldest_rows_and_says_how_many(tmp_path, monkeypatch):
    monkeypatch.setattr(scribe_module, "Ledger", Full)
    monkeypatch.setattr(scribe_module, "MOST_WAITING", 100)
    Full.full = True
    s = scribe(tmp_path)
    for n in range(250):
        s.tick(tick(n))
    Full.full = False
    s.close()
    times = [row["time_s"] for row in rows(tmp_path / "ledger.sqlite")]
    assert times == [1e9 + n for n in range(150, 250)]
    assert [r["text"] for r in rows(tmp_path / "ledger.sqlite", "events")] == ["152 rows were lost before this one"]


def test_rows_that_are_dropped_while_others_are_written_are_not_taken_twice(tmp_path, monkeypatch):
    monkeypatch.setattr(scribe_module, "MOST_WAITING", 10)
    write, during, let_go = Ledger.write, threading.Event(), threading.Event()

    def slow(self, statements):
        during.set()
        let_go.wait(5.0)
        write(self, statements)

    monkeypatch.setattr(Ledger, "write", slow)
    s = scribe(tmp_path)
    s.tick(tick(0))
    assert during.wait(5.0)
    for n in range(1, 14):  # more than fit: the one being written and three more are dropped
        s.tick(tick(n))
    let_go.set()
    s.close()
    times = [row["time_s"] - 1e9 for row in rows(tmp_path / "ledger.sqlite")]
    assert times == [0.0, *range(4, 14)]


def test_a_really_full_disk_is_an_error_of_the_ledger_and_of_nobody_else(tmp_path):
    ledger = Ledger(tmp_path / "l.sqlite")
    ledger.write([event_row(0.0, 0.0, "a", "b")])
    ledger._db.execute("PRAGMA max_page_count = 8")  # SQLite's own full disk
    t = tick()
    with pytest.raises(LedgerError, match="full"):
        ledger.write([tick_row(0.0, t.measurements, t.decision, 0.0)] * 5000)
    ledger.write([event_row(0.0, 0.0, "a", "after")])
    ledger.close()
    assert [r["text"] for r in rows(ledger.path, "events")] == ["b", "after"]


def test_a_stuck_disk_does_not_hold_up_the_loop(tmp_path, monkeypatch):
    stuck = threading.Event()
    monkeypatch.setattr(Ledger, "write", lambda self, statements: stuck.wait(10.0))
    s = scribe(tmp_path)
    began_s = time.monotonic()
    for n in range(200):
        s.tick(tick(n))
    assert time.monotonic() - began_s < 0.5
    stuck.set()
    s.close()


def test_a_closed_screen_does_not_stop_the_ledger(tmp_path):
    class Closed(io.StringIO):
        def write(self, text):
            raise BrokenPipeError

    s = scribe(tmp_path, Closed())
    s.tick(tick(0))
    s.close()
    assert len(list(rows(tmp_path / "ledger.sqlite"))) == 1


def test_a_state_folder_that_cannot_be_written_is_no_end(tmp_path):
    (tmp_path / "file").write_text("")
    s = scribe(tmp_path / "file" / "state")
    s.tick(tick(0))
    s.remember_now()
    s.close()
    assert len(s._rows) == 3  # the tick, its phase and its limit


def test_a_damaged_ledger_is_kept_aside_and_said(tmp_path):
    (tmp_path / "ledger.sqlite").write_bytes(b"\x00" * 5000)
    s = scribe(tmp_path)
    s.tick(tick(0))
    s.close()
    assert (tmp_path / "ledger.sqlite.damaged-1").exists()
    assert "is kept as ledger.sqlite.damaged-1" in next(iter(rows(tmp_path / "ledger.sqlite", "events")))["text"]


WRITER = """
import sys, time
from pathlib import Path
from warmheap.ledger import Ledger, event_row
ledger = Ledger(Path(sys.argv[1]))
for n in range(10**6):
    ledger.write([event_row(float(n), float(n), "n", "x" * 100)])
    print(n, flush=True)
"""


def test_killed_while_writing_it_is_whole_and_lost_nothing_that_was_acknowledged(tmp_path):
    path = tmp_path / "l.sqlite"
    for cut in range(5):
        run = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path)],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
        )
        before = len(list(rows(path, "events"))) if cut else 0
        for _ in range(20 + 7 * cut):
            last = int(run.stdout.readline())
        run.send_signal(signal.SIGKILL)
        rest = run.communicate()[0].split()
        last = int(rest[-1]) if rest else last
        assert set_aside(path) is None
        assert len(list(rows(path, "events"))) >= before + last + 1


@settings(max_examples=30, deadline=None)
@given(st.binary(max_size=3000))
def test_whatever_lies_there_a_ledger_begins(tmp_path_factory, raw):
    folder = tmp_path_factory.mktemp("l")
    (folder / "ledger.sqlite").write_bytes(raw)
    s = scribe(folder)
    s.tick(tick(0))
    s.close()
    assert len(list(rows(folder / "ledger.sqlite"))) == 1


def test_a_reader_does_not_stop_the_writer(tmp_path):
    ledger = Ledger(tmp_path / "l.sqlite")
    ledger.write([event_row(0.0, 0.0, "a", "b")])
    reader = sqlite3.connect(ledger.path)
    reader.execute("BEGIN")
    reader.execute("SELECT * FROM events").fetchall()
    ledger.write([event_row(0.0, 0.0, "a", "c")])
    assert [r["text"] for r in rows(ledger.path, "events")] == ["b", "c"]
    reader.close()
    ledger.close()
