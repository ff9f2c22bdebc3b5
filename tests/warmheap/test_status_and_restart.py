"""The status line, and what a restart goes on from."""

import io
import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller import Alarm, Commands, Controller, ControllerSettings, Decision, Measurements
from warmheap.loop import Tick
from warmheap.restart import UNKNOWN_GAP_S, Moment, gap, memory_text, resume
from warmheap.settings_store import TwoCopies
from warmheap.status import Status, plain

SETTINGS = ControllerSettings()
MOMENT = Moment(1e9, 5000.0, "boot-1")


def tick(limit="demand", phase="draw", **readings):
    d = Decision(Commands(0.3, 0.0), phase, limit, "The greenhouse is warm enough.", next_s=10.0)
    return Tick(Measurements(time_s=1.0e9, **readings), d, 0.0, 0.0)


def test_one_plain_line():
    line = plain(tick(pile_core_c=55.25, water_flow_kg_s=0.0631))
    assert line == (
        "2001-09-09 01:46  draw  core 55.2 °C  1.00 gal/min  pump 30%  fan 0%  The greenhouse is warm enough."
    )


def test_a_log_hears_news_and_is_otherwise_left_alone():
    status = Status(stream=io.StringIO())
    assert status.line(tick()) and not status.line(tick())
    assert status.line(tick("pile-floor"))
    assert not status.line(tick("pile-floor"))


def test_a_terminal_has_one_line_that_is_painted_over():
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    out = Terminal()
    status = Status(stream=out)
    status.show(status.line(tick()))
    status.show(status.line(tick("pile-floor")))
    status.show(status.event("sensor lost"))
    assert out.getvalue().count("\r\x1b[K") == 3
    assert out.getvalue().count("\n") == 2


def test_json_is_one_object_a_line_without_nan():
    out = io.StringIO()
    status = Status(as_json=True, stream=out)
    for line in (status.line(tick()), status.event("e"), status.alarm(Alarm("c", "warning", 0.0, "s", "d"))):
        status.show(line)
    first, second, third = map(json.loads, out.getvalue().splitlines())
    assert first["pile_core_c"] is None and first["pump_duty"] == 0.3 and first["limit"] == "demand"
    assert second == {"event": "e"} and third["alarm"] == "c"


def kept_by(controller, tmp_path, **changes):
    TwoCopies(tmp_path, "memory").save(memory_text(controller, 777.0, None, replace(MOMENT, **changes)))


def ran(steps=50):
    controller = Controller(SETTINGS)
    for n in range(steps):
        controller.step(
            Measurements(time_s=60.0 * n, pile_core_c=55.0 + 0.01 * n, greenhouse_c=5.0, water_supply_c=20.0)
        )
    return controller


def test_a_restart_goes_on_exactly_where_it_was(tmp_path):
    controller = ran()
    kept_by(controller, tmp_path)
    resumed = resume(SETTINGS, tmp_path, replace(MOMENT, boottime_s=5012.0, wall_s=1e9 + 12.0))
    assert resumed.controller.snapshot() == controller.snapshot()
    assert resumed.time_s == 777.0 + 12.0
    assert resumed.said == ("going on after 12 s where it was",)


@pytest.mark.parametrize("jump_s", [365.25 * 86400, -365.25 * 86400, 86400.0, -1.0])
def test_a_wall_clock_that_jumps_within_a_boot_changes_nothing(tmp_path, jump_s):
    kept_by(ran(), tmp_path)
    resumed = resume(SETTINGS, tmp_path, replace(MOMENT, boottime_s=5012.0, wall_s=1e9 + jump_s))
    assert resumed.time_s == 777.0 + 12.0


@pytest.mark.parametrize(
    ("jump_s", "gap_s", "doubt"),
    [(3600.0, 3600.0, False), (365.25 * 86400, UNKNOWN_GAP_S, True), (-365.25 * 86400, UNKNOWN_GAP_S, True)],
)
def test_across_boots_a_clock_that_cannot_be_right_is_not_believed(tmp_path, jump_s, gap_s, doubt):
    kept_by(ran(), tmp_path)
    resumed = resume(SETTINGS, tmp_path, Moment(1e9 + jump_s, 10.0, "boot-2"))
    assert resumed.time_s == 777.0 + gap_s
    assert ("not believed" in resumed.said[-1]) == doubt


def test_without_a_memory_it_starts_afresh_and_says_nothing(tmp_path):
    resumed = resume(SETTINGS, tmp_path, MOMENT)
    assert resumed.time_s == MOMENT.wall_s and resumed.said == ()
    assert resumed.controller.snapshot() == Controller(SETTINGS).snapshot()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{}",
        "[]",
        "null",
        '{"controller": {"version": 99}}',
        '{"controller": 1, "time_s": 1}',
        "rubbish",
        "[" * 9999,
    ],
)
def test_a_memory_that_does_not_fit_starts_afresh_and_says_so(tmp_path, text):
    TwoCopies(tmp_path, "memory").save(text)
    resumed = resume(SETTINGS, tmp_path, MOMENT)
    assert "starts afresh" in resumed.said[-1]
    assert resumed.controller.snapshot() == Controller(SETTINGS).snapshot()


def test_one_damaged_copy_goes_on_with_the_other(tmp_path):
    kept_by(ran(10), tmp_path)
    kept_by(ran(20), tmp_path)
    (tmp_path / "memory.b").write_bytes(b"")
    resumed = resume(SETTINGS, tmp_path, MOMENT)
    assert resumed.controller.snapshot() == ran(10).snapshot()
    assert "memory.b is damaged" in resumed.said[0]


@given(st.floats(allow_nan=False), st.floats(allow_nan=False), st.booleans())
def test_a_gap_is_never_negative_nor_longer_than_a_week_across_boots(wall_s, boottime_s, same):
    kept = {"boot": "a", "boottime_s": 0.0, "wall_s": 0.0}
    gap_s, _ = gap(kept, Moment(wall_s, boottime_s, "a" if same else "b"))
    assert gap_s >= 0.0
    assert same or gap_s <= 7 * 86400.0
