"""Alarms do not chatter; every limit has its sentence."""

from __future__ import annotations

from math import nan

import pytest
from helpers import SILENT, reading

from controller import ControllerSettings
from controller.alarms import CODES, KINDS, AlarmBoard, AlarmKind, Latch
from controller.checks import SensorChecks
from controller.reasons import _SENTENCES, LIMITS, celsius, litres_a_minute, sentence, watts
from controller.view import View

KIND = AlarmKind("x", "warning", 60.0, 600.0, "seen", "do")


def test_an_alarm_rises_and_clears_late() -> None:
    latch, history = Latch(), []
    for k in range(200):
        latch.update(KIND, 10 <= k < 60, 10.0, 10.0 * k)
        history.append(latch.raised)
    assert history.index(True) == 15  # six ticks of ten seconds
    assert history.index(False, 15) == 119
    assert latch.since_s == 150.0  # when it came up


def test_a_flicker_is_no_alarm() -> None:
    latch = Latch()
    assert not any(latch.update(KIND, k % 3 == 0, 30.0, 0.0) for k in range(300))


def test_a_flicker_on_the_board_is_no_alarm() -> None:
    board, quiet = AlarmBoard(), (False,) * len(KINDS)
    low = tuple(code == "pump-battery" for code in CODES)
    assert all(board.update(low if k % 3 == 0 else quiet, 60.0, 0.0) == () for k in range(300))


def test_the_board_names_what_stands() -> None:
    board = AlarmBoard()
    quiet = (False,) * len(KINDS)
    assert board.update(quiet, 60.0, 0.0) == ()
    low = tuple(code == "no-flow" for code in CODES)
    (alarm,) = board.update(low, 60.0, 1234.0)
    assert (alarm.code, alarm.severity, alarm.since_s, alarm.acknowledged) == ("no-flow", "critical", 1234.0, False)
    assert alarm.seen and alarm.do
    assert board.update(quiet, 60.0, 1300.0) == (alarm,)
    assert board.update(quiet, 900.0, 1900.0) == ()


def test_codes_are_unique_and_severities_known() -> None:
    assert len(set(CODES)) == len(CODES)
    assert {k.severity for k in KINDS} == {"notice", "warning", "critical"}


def view(value: float, limit: str) -> View:
    v = View()
    for name in View.__slots__:
        setattr(v, name, value)
    v.limit, v.fan_on = limit, False
    return v


@pytest.mark.parametrize("limit", sorted(LIMITS))
@pytest.mark.parametrize("value", [nan, 0.0, -3.0, 51.2])
def test_every_limit_has_a_sentence_whatever_is_missing(limit: str, value: float) -> None:
    for changes in ({}, SILENT):
        text = sentence(view(value, limit), SensorChecks().read(reading(**changes), 0.0), ControllerSettings())
        assert text.endswith(".") and text[0].isupper() and len(text) < 160


def test_no_sentence_without_a_meaning() -> None:
    assert set(_SENTENCES) == set(LIMITS)


def test_numbers_for_people() -> None:
    assert celsius(46.84) == "46.8 °C"
    assert celsius(nan) == "unknown"
    assert (watts(640.4), watts(1460.0)) == ("640 W", "1.5 kW")
    assert litres_a_minute(0.0631) == "3.8 L/min"


def test_why_a_draw_rests_for_the_coil() -> None:
    v = view(0.0, "heat-budget")
    v.coil_rest_s = 1800.0
    text = sentence(v, SensorChecks().read(reading(water_supply_c=nan), 0.0), ControllerSettings())
    assert text == "Pausing for 30 min so that the pile round the coil warms up again: no probe shows its water."


def test_the_resting_sentence() -> None:
    v = view(0.0, "pile-floor")
    v.core_c, v.zero_c, v.room_k = 46.8, 48.5, -1.7
    text = sentence(v, SensorChecks().read(reading(), 0.0), ControllerSettings())
    assert text == "Resting: the core is 46.8 °C, 1.8 above its floor; drawing again at 50.0 °C."
    v.core_c, v.fan_on = 44.0, True
    text = sentence(v, SensorChecks().read(reading(), 0.0), ControllerSettings())
    assert "1.0 below its floor" in text and text.endswith("; the fan runs meanwhile.")


def test_a_rest_above_the_point_of_drawing_again_says_what_it_waits_for() -> None:
    v, r = view(0.0, "pile-floor"), SensorChecks().read(reading(), 0.0)
    v.core_c, v.zero_c, v.room_k = 54.3, 50.6, 0.7  # judged by where a falling core will be tomorrow
    assert "it is falling; drawing again once it holds" in sentence(v, r, ControllerSettings())
    v.room_k = 3.0
    assert "it rests for at least 2 hours" in sentence(v, r, ControllerSettings())


@pytest.mark.parametrize(
    ("limit", "words"),
    [
        ("co2", "the fan rests: 1500 ppm CO2 indoors."),
        ("humidity", "the fan rests: the air indoors is at 95%."),
        ("battery", "the fan rests: its battery is low."),
        ("stalled", "the fan rests after a stall."),
        ("sensor", "the fan rests until a pile probe reads again."),
        ("", "nears 7.0 °C."),
    ],
)
def test_a_fan_held_back_is_said(limit: str, words: str) -> None:
    v, seen = view(0.0, "demand"), reading(greenhouse_co2=0.0015, greenhouse_rh=0.95)
    v.fan_limit = limit
    assert sentence(v, SensorChecks().read(seen, 0.0), ControllerSettings()).endswith(words)


def test_hold_off_tells_temperature_or_hours() -> None:
    v, r = view(0.0, "hold-off"), SensorChecks().read(reading(), 0.0)
    v.core_c = 41.0
    assert "waits for 50.0 °C" in sentence(v, r, ControllerSettings())
    v.core_c, v.hot_s = 55.0, 6 * 3600.0
    assert "6 of 24 hours" in sentence(v, r, ControllerSettings())
