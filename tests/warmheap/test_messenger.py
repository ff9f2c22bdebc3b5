"""Messages by a command of the user's: alarms, the daily note, and commands that fail, hang or do not exist."""

import time
from dataclasses import replace
from pathlib import Path

import pytest
from page_rig import Rig, reading
from waiting import until

from controller import Alarm, Commands, Decision, Measurements
from warmheap import messenger
from warmheap.loop import Tick
from warmheap.messenger import Messenger, alarm_message, daily_message, run
from warmheap.outside_settings import NotifySettings
from warmheap.page.show import Units

HOT = Alarm("pile-hot", "warning", 0.0, "The core is hot.", "Keep it moist.", cause="Young.", clears="By itself.")
CO2 = Alarm("co2", "critical", 0.0, "The air is bad.", "Ventilate before you go in.")
NOTE = Alarm("scald", "notice", 0.0, "Hot water.", "Fit a valve.")


def tick(*alarms):
    return Tick(reading(), Decision(Commands(0.3, 0.0), "draw", "flow", "Drawing.", alarms), 0.0, 0.0)


def script(tmp_path, body):
    file = tmp_path / "tell"
    file.write_text(f"#!/bin/sh\n{body}\n")
    file.chmod(0o755)
    return str(file)


def started(tmp_path, body, wall=lambda: 43200.0, **how):
    noted = []
    settings = NotifySettings(
        command=script(tmp_path, body), daily=how.pop("daily", False), daily_hour=time.localtime(43200.0).tm_hour
    )
    settings = replace(settings, severity=how.pop("severity", "warning"))
    fast = {"gap_s": 0.0, "together_s": 0.05, "allowed_s": 5.0} | how
    return Messenger(settings, tmp_path, lambda *e: noted.append(e), wall=wall, **fast), noted


def sent(tmp_path):
    return sorted(tmp_path.glob("sent.*"))


KEEP = 'cat > "{0}/sent.$$"; echo "$WARMHEAP_KIND|$WARMHEAP_SEVERITY|$WARMHEAP_CODES" >> "{0}/sent.$$"; sync'


def test_alarms_that_come_together_are_one_message_with_what_to_do(tmp_path):
    told, noted = started(tmp_path, KEEP.format(tmp_path))
    told.tick(tick(HOT))
    told.tick(tick(HOT, CO2, NOTE))
    assert until(lambda: sent(tmp_path) and "co2 pile-hot" in sent(tmp_path)[0].read_text())
    for _ in range(10):
        told.tick(tick(HOT, CO2, NOTE))  # they stand: nothing new
    time.sleep(0.3)
    told.close()
    assert len(sent(tmp_path)) == 1 and not noted
    text = sent(tmp_path)[0].read_text()
    assert text.startswith("warmheap: critical: The air is bad. (and 1 more)")
    assert "What to do: Ventilate before you go in." in text and "Likely: Young." in text and "Hot water" not in text
    assert text.endswith("alarm|critical|co2 pile-hot\n")


def test_an_alarm_that_comes_again_is_told_again(tmp_path):
    told, _ = started(tmp_path, KEEP.format(tmp_path))
    for alarms in ((HOT,), (), (HOT,)):
        told.tick(tick(*alarms))
        time.sleep(0.25)
    assert until(lambda: len(sent(tmp_path)) == 2)
    told.close()


def test_a_note_comes_once_a_day_also_after_a_restart_and_says_that_all_is_well(tmp_path):
    for _ in range(2):
        told, _ = started(tmp_path, KEEP.format(tmp_path), daily=True)
        told.tick(tick())
        assert until(lambda: sent(tmp_path))
        time.sleep(0.2)
        told.close()
    assert len(sent(tmp_path)) == 1
    text = sent(tmp_path)[0].read_text()
    assert (
        text.startswith("warmheap daily: all is well, nothing to do")
        and "Pile core: 55.0 °C" in text
        and "Greenhouse: 8.0 °C" in text
    )
    assert "If this note stays away" in text and text.endswith("daily|none|\n")


@pytest.mark.parametrize("jump_s", [3600.0 * 5, -86400.0 * 400])
def test_at_another_hour_there_is_no_note_but_a_day_without_one_is_never_left_out(tmp_path, jump_s):
    told, _ = started(tmp_path, KEEP.format(tmp_path), wall=lambda: 43200.0 + jump_s, daily=True)
    told._daily_wall_s = 43200.0 + jump_s  # it was just sent, says the clock
    told.tick(tick(HOT))
    time.sleep(0.2)
    before = len([s for s in sent(tmp_path) if "daily" in s.read_text()])
    told._daily_s -= messenger.LATEST_S  # but 25 hours have truly passed
    assert until(lambda: [s for s in sent(tmp_path) if "warmheap daily: 1 open, see below" in s.read_text()])
    told.close()
    assert before == 0


def test_a_command_that_fails_is_tried_again_and_told_once(tmp_path, monkeypatch):
    monkeypatch.setattr(messenger, "RETRIES_S", (0.05, 0.05, 0.05, 0.05))
    count = tmp_path / "count"
    told, noted = started(tmp_path, f'echo x >> "{count}"; [ $(wc -l < "{count}") -ge 3 ]')
    told.tick(tick(HOT))
    assert until(lambda: count.exists() and count.read_text().count("x") == 3)
    time.sleep(0.3)
    told.close()
    assert count.read_text().count("x") == 3
    assert [text for _, text in noted] == ["notify.command did not work: it ended with 1; it is tried again for a day"]


def test_a_message_that_never_gets_through_is_dropped_and_said(tmp_path, monkeypatch):
    monkeypatch.setattr(messenger, "RETRIES_S", (0.01,))
    told, noted = started(tmp_path, "exit 9")
    told.tick(tick(CO2))
    assert until(lambda: len(noted) == 2) and "is dropped: warmheap: critical: The air is bad." in noted[1][1]
    told.close()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["/no/such/program"], "/no/such/program: No such file or directory"),
        (["sh", "-c", "exit 3"], "it ended with 3"),
        (["sh", "-c", "sleep 60 & sleep 60"], "it took longer than 0 s and was ended"),
        (["sh", "-c", "exec <&-; exit 0"], ""),  # does not read its input
        (["cat"], ""),
    ],
)
def test_what_became_of_a_command(words, told):
    began_s = time.monotonic()
    assert run(words, replace(alarm_message([HOT], Units()), text="x" * 200_000), 0.3) == told
    assert time.monotonic() - began_s < 5.0


def test_a_command_that_hangs_never_holds_up_the_loop(tmp_path):
    told, noted = started(tmp_path, "sleep 60", allowed_s=0.5)
    took_s = []
    for n in range(200):
        began_s = time.monotonic()
        told.tick(tick(*((HOT,) if n % 2 else (CO2,))))
        took_s.append(time.monotonic() - began_s)
        time.sleep(0.002)
    assert max(took_s) < 0.05
    assert until(lambda: noted)
    told.close()


def test_the_daily_note_lists_what_is_open(tmp_path):
    message = daily_message(tick(HOT, CO2), Units())
    assert message.severity == "critical" and "2 open" in message.text and "CRITICAL: The air is bad." in message.text
    assert daily_message(Rig(tmp_path).tick, Units()).severity == "none"


def test_a_command_that_is_ended_takes_its_children_with_it(tmp_path):
    words = ["sh", "-c", f'sleep 61 & echo $! > "{tmp_path}/child"; wait']
    assert "was ended" in run(words, alarm_message([HOT], Units()), 0.3)
    child = Path(f"/proc/{(tmp_path / 'child').read_text().strip()}/status")
    assert until(lambda: not child.exists() or "State:\tZ" in child.read_text(), 3.0)


def test_messages_are_in_the_users_units():
    units = Units("degF", "gal/min", "Btu")
    hot = replace(HOT, seen="The core is so hot (76.0 °C) that its microbes suffer.")
    assert "so hot (168.8 °F)" in alarm_message([hot], units).text
    text = daily_message(tick(hot), units).text
    assert "Pile core: 131.0 °F" in text and "0.95 gal/min" in text and "°C" not in text
    nothing = Tick(Measurements(time_s=0.0), tick().decision, 0.0, 0.0)
    assert "nan" not in daily_message(nothing, units).text and "no reading" not in daily_message(nothing, units).text
