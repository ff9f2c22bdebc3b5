"""The report: figures from a ledger, a page that needs nothing else, mistakes in one line."""

import json
import re
import sqlite3
import sys
import threading
import time
from contextlib import closing
from datetime import UTC, date
from html.parser import HTMLParser
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from controller import Alarm, ControllerSettings
from controller.reasons import LIMITS
from warmheap.cli import main
from warmheap.fuels import FUELS
from warmheap.heat_error import Accuracy, Heat
from warmheap.ledger import Ledger
from warmheap.report_advice import advice
from warmheap.report_data import read
from warmheap.report_figures import GROUPS, figures
from warmheap.report_fuel import Wanted, avoided
from warmheap.report_units import shown
from warmheap.savings import Price

sys.path.insert(0, str(Path(__file__).parent))
from made_season import BEGAN_S, decision, hot_season, ticks  # noqa: E402

FLOWING = ({}, decision(pump=0.3))
NAMES = ["out of the pile", "delivered", "useful", "fuel avoided", "money less costs"]
ALARM = Alarm("no-flow", "critical", 0.0, "The pump runs and <b>no water</b> flows.", "Bleed it.", cause="air")


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    path = tmp_path_factory.mktemp("season") / "ledger.sqlite"
    return path, hot_season(path, 2.0)


@pytest.fixture
def short(tmp_path):
    path = tmp_path / "ledger.sqlite"
    ticks(path, [FLOWING] * 121)
    return path


def told(path, **more):
    return figures(read(path, UTC), more.pop("accuracy", Accuracy()), more.pop("wanted", None), date(2026, 1, 2))


class Page(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.tags, self.words = [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.words.append(data)


def page(path, tmp_path, *more):
    out = tmp_path / "r.html"
    assert main(["report", str(path), "--out", str(out), "--zone", "UTC", *more]) == 0
    return out.read_text(encoding="utf-8")


def test_heat_is_within_its_interval_of_the_simulators_truth(season):
    path, plant = season
    heat = told(path, accuracy=Accuracy(fan_factor=0.3))["heat"]  # the scenario's fan was never commissioned
    water = heat["delivered_by_water"]
    assert plant.truth.heat_water_j / 3.6e6 > 5.0
    assert Heat(water["kwh"], water["half_kwh"]).holds(plant.truth.heat_water_j / 3.6e6)


def test_two_hours_by_hand(short):
    f = told(short)
    assert f["heat"]["out_of_pile_by_water"]["kwh"] == pytest.approx(2.0 * 3600.0 * 0.06 * 4186.0 * 20.0 / 3.6e6)
    assert f["limited_by_h"] == {"flow": pytest.approx(2.0)}
    assert f["power"]["pump_h"] == pytest.approx(0.6)
    assert f["not_counted"]["gap_h"] == 0.0
    assert [r["name"] for r in f["ledgers"]] == NAMES
    assert f["ledgers"][3]["value"] is None and "nothing is assumed" in f["ledgers"][3]["counts"]


def test_a_shown_flow_is_the_corrected_one(tmp_path):
    path = tmp_path / "ledger.sqlite"
    ticks(path, [FLOWING] * 121, ControllerSettings(flow_meter_gain=1.25))
    (day,) = told(path)["days"]
    assert day["flow_mean_kg_s"] == pytest.approx(1.25 * 0.06) and "water_flow_kg_s" not in day["mean"]


def test_heat_given_back_is_taken_off_and_said(tmp_path):
    path = tmp_path / "ledger.sqlite"
    back = ({"water_supply_c": 20.0, "water_return_c": 24.0}, decision(pump=0.3))
    ticks(path, [FLOWING] * 121 + [back] * 120)
    f = told(path)
    ahead_kwh, back_kwh = (2.0 * 3600.0 * 0.06 * 4186.0 * k / 3.6e6 for k in (20.0, 4.0))
    assert f["not_counted"]["given_back_kwh"] == pytest.approx(back_kwh, rel=0.02)
    assert f["heat"]["out_of_pile_by_water"]["kwh"] == pytest.approx(ahead_kwh - back_kwh, rel=0.02)
    text = page(path, tmp_path, "--fuel", "propane")
    assert f"{back_kwh:.1f} kWh that water gave back" in text and "neither credited nor charged" in text


def test_the_hour_that_has_only_begun_is_in_it(tmp_path):
    path = tmp_path / "ledger.sqlite"
    ticks(path, [FLOWING] * 61)
    before = told(path)["heat"]["out_of_pile_by_water"]["kwh"]
    with closing(sqlite3.connect(path)) as db, db:  # as the loop leaves it between two roll-ups
        db.execute("DELETE FROM hours")
        db.execute("DELETE FROM hour_limits")
        db.execute("UPDATE rolled SET tick_id = 0")
    assert told(path)["heat"]["out_of_pile_by_water"]["kwh"] == before
    assert told(path)["limited_by_h"] == {"flow": pytest.approx(1.0)}


def test_days_are_local_with_23_and_25_hours(tmp_path):
    """Clocks in New York went forward on 8 March 2026 and go back on 1 November (tz database)."""
    for began_s, day, hours in ((1_772_946_000.0, date(2026, 3, 8), 23), (1_793_505_600.0, date(2026, 11, 1), 25)):
        path = tmp_path / f"{hours}.sqlite"
        ticks(path, [FLOWING] * (26 * 60), began_s=began_s)
        found = {d.day: d for d in read(path, ZoneInfo("America/New_York")).days}
        assert round(found[day].sums["span_s"] / 3600.0) == hours


def test_a_gap_is_told_on_its_day_and_in_the_sum(tmp_path):
    path = tmp_path / "ledger.sqlite"
    ticks(path, [FLOWING] * 10)
    later = BEGAN_S + 3 * 3600.0
    ledger = Ledger(path)
    from made_season import READ

    from controller import Controller, Measurements
    from warmheap.ledger_clerk import Clerk
    from warmheap.loop import Tick

    clerk = Clerk()
    clerk.begins(Controller(ControllerSettings()), later)
    for time_s in (BEGAN_S + 540.0, later, later + 60.0):
        ledger.write(clerk.tick(Tick(Measurements(time_s=time_s, **READ), decision(pump=0.3), 0.0, 0.0), time_s))
    ledger.roll_up(to_the_end=True)
    ledger.close()
    f = told(path)
    assert f["not_counted"]["gap_h"] == pytest.approx((later - BEGAN_S - 540.0) / 3600.0)
    assert any("no record" in sentence for sentence in advice(f))


def test_alarms_are_counted_by_cause_and_an_open_one_is_the_first_thing_to_do(tmp_path):
    path = tmp_path / "ledger.sqlite"
    on, off = ({}, decision(alarms=(ALARM,))), ({}, decision())
    ticks(path, [on, on, off, on, on, on])
    (alarm,) = told(path)["alarms"]
    assert (alarm["times"], alarm["open"]) == (2, True)
    assert alarm["hours"] == pytest.approx((120.0 + 120.0) / 3600.0)
    assert advice(told(path))[0].startswith("The pump runs and")


def test_nothing_to_do_is_an_answer(short):
    f = told(short, accuracy=Accuracy().matched().bucketed())
    assert advice(f | {"pile": f["pile"] | {"core_c": 58.0, "left_days": 90.0}})[0].startswith("Nothing to do")


@pytest.mark.parametrize(
    ("left_days", "core_c", "word"), [(10.0, 58.0, "10 days more"), (90.0, 45.5, "close to its floor")]
)
def test_a_pile_that_ends_or_is_cold_is_told(short, left_days, core_c, word):
    f = told(short)
    sentences = advice(f | {"pile": f["pile"] | {"core_c": core_c, "left_days": left_days}})
    assert any(word in sentence for sentence in sentences)


def test_every_limit_is_in_one_group():
    grouped = [limit for _, members in GROUPS.values() for limit in members]
    assert len(grouped) == len(set(grouped))
    assert set(LIMITS) <= set(grouped)


def test_the_page_asks_nobody_for_anything(season, tmp_path):
    text = page(season[0], tmp_path)
    found = Page(text)
    assert not [t for t, _ in found.tags if t in ("script", "link", "img", "iframe", "object", "base")]
    assert not [a for _, attrs in found.tags for a in attrs if a in ("src", "href") or a.startswith("on")]
    assert not re.search(r"https?://|url\(|@import|javascript:", text)
    assert len(text) < 400_000


def test_pictures_come_first_and_each_says_what_it_shows(season, tmp_path):
    text = page(season[0], tmp_path)
    labels = [attrs["aria-label"] for tag, attrs in Page(text).tags if tag == "svg"]
    assert len(labels) >= 5 and all(labels)
    assert text.index("<svg") < text.index("<table")
    for heading in ("season at a glance", "Heat per day", "What limited the draw", "The pile", "Power", "Alarms, by cause",
                    "Five ledgers", "What to do next"):  # fmt: skip
        assert heading in text
    assert "prefers-color-scheme: dark" in text and "@media print" in text


def test_no_number_on_the_page_is_no_number(season, short, tmp_path):
    for path in (season[0], short):
        text = page(path, tmp_path)
        assert not re.search(r"\b(nan|inf|None|NULL|NaN)\b", text)


def test_what_a_ledger_says_is_text_and_nothing_else(tmp_path):
    path = tmp_path / "ledger.sqlite"
    ticks(path, [({}, decision(alarms=(ALARM,)))] * 5)
    text = page(path, tmp_path)
    assert "&lt;b&gt;no water&lt;/b&gt;" in text and "<b>no water" not in text


def test_the_growers_units(short, tmp_path):
    text = page(short, tmp_path, "--units", "us", "--heat", "kBtu")
    assert "°F" in text and "kBtu" in text and "°C" not in text
    units = shown("us", "kBtu")
    assert units.temperature(45.0) == pytest.approx(113.0)
    assert units.difference(5.0) == pytest.approx(9.0)  # a difference has no 32 in it
    assert units.heat(1.0) == pytest.approx(3.412142, abs=1e-6)  # NIST SP 811: 1 kWh is 3,412.142 Btu (IT)


def test_fuel_against_a_worked_example():
    """1.5 kW for 120 days, 4,320 kWh: 201 US gal of propane at 80 %, 184 therms at 80 %, 1.23 cords of hardwood at 60 %.

    By the energy contents of the U.S. EIA and of the University of Connecticut (J. Bartok, 2013).
    """
    for name, units, within in (("propane", 201.0, 1.0), ("gas", 184.0, 1.0), ("hardwood", 1.23, 0.01)):
        found = avoided(Heat(4320.0, 400.0), Wanted(FUELS[name], FUELS[name].usual_efficiency), date(2026, 1, 1))
        assert found.units == pytest.approx(units, abs=within)
        assert found.money is None and found.left is None


def test_money_carries_the_doubt_of_the_heat_and_less_costs_is_another_line():
    wanted = Wanted(FUELS["electricity"], 1.0, Price(0.18, "USD", date(2025, 10, 1)), 50.0)
    found = avoided(Heat(1000.0, 100.0), wanted, date(2026, 3, 1))
    assert found.money == pytest.approx(180.0) and found.left == pytest.approx(130.0)
    assert found.half_money == pytest.approx(0.18 * (100.0**2 + 50.0**2) ** 0.5)
    assert "days old" in found.warning


def test_json_is_one_object_of_numbers_and_null(short, capsys):
    args = ["report", str(short), "--json", "--fuel", "propane", "--price", "2.66 USD", "--price-date", "2026-01-01"]
    assert main(args) == 0
    found = json.loads(capsys.readouterr().out, parse_constant=lambda word: pytest.fail(f"{word} in JSON"))
    assert found["fuel"]["units"] > 0.0 and found["fuel"]["half_money"] > 0.0
    assert found["pile"]["left_days"] is None
    assert found["heat"]["useful"]["text"].endswith(" kWh")


def test_matched_probes_and_a_bucket_narrow_the_interval(short, capsys):
    halves = []
    for more in ([], ["--matched"], ["--matched", "--bucket"], ["--probe-accuracy", "2 K"]):
        assert main(["report", str(short), "--json", *more]) == 0
        halves.append(json.loads(capsys.readouterr().out)["heat"]["out_of_pile_by_water"]["half_kwh"])
    assert halves[3] > halves[0] > halves[1] > halves[2]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--fuel", "coal"], "--fuel = 'coal' is not known: choose one of propane"),
        (["--price", "3 USD"], "--price goes with --fuel"),
        (["--fuel", "oil", "--price", "3 USD"], "--price has no date: say in --price-date"),
        (["--fuel", "oil", "--price", "3,20 USD", "--price-date", "2026-01-01"], "is no price"),
        (["--fuel", "oil", "--price", "3", "--price-date", "1/2/26"], "year-month-day"),
        (["--fuel", "oil", "--efficiency", "0 %"], "is outside"),
        (["--probe-accuracy", "half"], "temperature difference"),
        (["--meter-accuracy", "300 %"], "is outside"),
        (["--zone", "Mars/Olympus"], "no time zone"),
        (["--heat", "calories"], "invalid choice"),
    ],
)
def test_mistakes_are_told_in_one_line(short, capsys, words, said):
    assert main(["report", str(short), "--json", *words]) == 2
    err = capsys.readouterr().err
    assert said in err and err.count("\n") == 1


def test_what_is_no_ledger_is_told_in_one_line(tmp_path, capsys):
    (tmp_path / "x.sqlite").write_bytes(b"rubbish" * 500)
    (tmp_path / "empty.sqlite").touch()
    Ledger(tmp_path / "new.sqlite").write([])
    for name, said in (
        ("x", "cannot be read"),
        ("gone", "is no file"),
        ("empty", "version 0"),
        ("new", "holds no ticks"),
    ):
        assert main(["report", str(tmp_path / f"{name}.sqlite")]) == 2
        err = capsys.readouterr().err
        assert said in err and err.count("\n") == 1, err


def test_a_report_that_cannot_be_written_is_told(short, tmp_path, capsys):
    (tmp_path / "file").touch()
    assert main(["report", str(short), "--out", str(tmp_path / "file" / "r.html")]) == 2
    assert "cannot write the report" in capsys.readouterr().err


def test_a_report_while_the_loop_writes(tmp_path):
    path = tmp_path / "ledger.sqlite"
    ticks(path, [FLOWING] * 5)
    stop, wrong = threading.Event(), []

    def write():
        n = 0
        while not stop.is_set():
            n += 1
            try:
                ticks(path, [FLOWING] * 3, began_s=BEGAN_S + 3600.0 * n)
            except Exception as error:  # noqa: BLE001 - whatever it is, the test shall say so
                wrong.append(error)

    writer = threading.Thread(target=write)
    writer.start()
    spans, end_s = [told(path)["hours"]], time.monotonic() + 10.0
    while len(spans) < 20 or (spans[-1] == spans[0] and time.monotonic() < end_s):
        spans.append(told(path)["hours"])
    stop.set()
    writer.join()
    assert not wrong
    assert spans == sorted(spans) and spans[-1] > spans[0]


def test_reading_changes_nothing(short):
    before = short.read_bytes()
    told(short)
    assert short.read_bytes() == before


def test_the_template_engine_missing_is_told(short, tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "jinja2", None)
    assert main(["report", str(short), "--out", str(tmp_path / "r.html")]) == 2
    assert "pip install 'warmheap[report]'" in capsys.readouterr().err
