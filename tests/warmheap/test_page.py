"""The status page: what it shows, in which units, and what a grower can do from it."""

import re
import sqlite3
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import pytest
from made_season import READ, decision
from page_rig import BASE_S, FREE, Rig, reading, signed_in

from controller import Controller, ControllerSettings, Measurements
from warmheap import heat_error
from warmheap.fuel_choice import FuelSettings, chosen
from warmheap.ledger import Ledger
from warmheap.ledger_clerk import Clerk
from warmheap.loop import Tick
from warmheap.page.past import Past
from warmheap.page.picture import day
from warmheap.page.show import Units, together
from warmheap.page.views import season, verdict
from warmheap.page.words import answer
from warmheap.report_data import read

ROOT = Path(__file__).parents[2]
FAHRENHEIT = Units("degF", "gal/min", "Btu")


def front(tmp_path, **how):
    async def visit(client):
        return await client.get("/")

    return Rig(tmp_path, **how).run(visit)


def test_the_front_page_says_how_things_stand_and_why(tmp_path):
    page = front(tmp_path)
    assert page.status_code == 200
    for said in (
        "All is well. Nothing to do.",
        "55.0 °C",
        "38.0 °C",
        "8.0 °C",
        "-4.0 °C",
        "Holding off: the core is",
        "Tonight",
    ):
        assert said in page.text
    assert "<script" not in page.text and "http-equiv" not in page.text


def test_it_asks_nothing_of_the_outside_and_is_small(tmp_path):
    page = front(tmp_path, turns=2000)
    assert len(page.content) < 60_000
    addresses = re.findall(r'(?:href|src|action)="([^"]*)"', page.text)
    assert addresses and all(a.startswith(("/", "#", "data:,")) and not a.startswith("//") for a in addresses)
    assert "default-src 'none'" in page.headers["content-security-policy"]


def test_every_quantity_is_in_the_users_units(tmp_path):
    page = front(tmp_path, temperature="degF", flow="gal/min", heat="Btu").text
    assert "131.0 °F" in page and "100.4 °F" in page and "0.95 gal/min" in page and " Btu" in page
    visible = re.sub(r"<[^>]*>", " ", page)
    assert "°C" not in visible and "L/min" not in visible and "kWh" not in visible


@pytest.mark.parametrize(
    ("sentence", "told"),
    [
        ("the core is 55.0 °C; waits for -2.0 °C.", "the core is 131.0 °F; waits for 28.4 °F."),
        ("the core is 57.0 °C, 12.0 above its floor;", "the core is 134.6 °F, 21.6 °F above its floor;"),
        ("has warmed 1.5 K within a day", "has warmed 2.7 °F within a day"),
        ("Drawing 3.8 L/min, the flow wanted", "Drawing 1.00 gal/min, the flow wanted"),
        ("1.5 kW drawn over the last day", "5,118 Btu/h drawn over the last day"),
    ],
)
def test_the_controllers_sentences_are_told_in_the_users_units(sentence, told):
    assert FAHRENHEIT.text(sentence) == told
    assert Units().text(sentence) == sentence


def test_readings_and_differences_are_never_mixed_up():
    assert FAHRENHEIT.difference(2.78) == "5.0 °F"  # the difference of 5 degF, not the reading -15 degC
    assert FAHRENHEIT.temp(2.78) == "37.0 °F"


@pytest.mark.parametrize("typed", ["120", "120 F", "120 °F", "120 degF", "120.0"])
def test_what_is_typed_comes_back_as_typed(typed):
    assert FAHRENHEIT.temp(FAHRENHEIT.to_c(typed.replace("°", "deg"))) == "120.0 °F"


def test_flow_comes_back_as_typed():
    assert FAHRENHEIT.water(FAHRENHEIT.to_kg_s("1")) == "1.00 gal/min"
    assert Units().water(Units().to_kg_s("4.5")) == "4.5 L/min"


def test_an_alarm_says_what_to_do_and_can_be_acknowledged(tmp_path):
    rig = Rig(tmp_path, limits=FREE, turns=30, measured=lambda n: reading(n, greenhouse_co2=0.004))
    code = rig.tick.decision.alarms[0].code

    async def visit(client):
        before = (await client.get("/")).text
        secret = await signed_in(client)
        done = await client.post("/do/acknowledge", data={"form": secret, "code": code})
        return before, done, (await client.get("/")).text

    before, done, after = rig.run(visit)
    assert "Ventilate before you go in, and do not go in alone." in before
    assert "What to do:" in before and "Likely:" in before and "attention" in before and "Acknowledge" not in before
    assert code == "co2" and done.status_code == 303 and f"Acknowledged: {code}." in after
    assert ("page", f"Acknowledged: {code}.") in rig.events


def test_hold_run_and_resume_go_through_the_controllers_hand_run(tmp_path):
    rig = Rig(tmp_path, limits=FREE)

    def hand():
        return rig.desk.controller.hand

    async def visit(client):
        secret = await signed_in(client)
        found = []
        for deed, fields in (
            ("hold", {"minutes": "15"}),
            ("run", {"pump_percent": "40 %", "fan_percent": "0", "minutes": "5"}),
            ("resume", {}),
        ):
            got = await client.post(f"/do/{deed}", data={"form": secret, **fields})
            found.append((got.status_code, hand().on, hand().pump_duty))
            assert hand().left_s <= 60.0 * float(fields.get("minutes", 0))
        return found

    assert rig.run(visit) == [(303, True, 0.0), (303, True, 0.4), (303, False, 0.0)]
    assert [text for kind, text in rig.events][-1] == "Back to automatic."


def test_targets_are_set_in_the_users_units_and_go_back_to_the_files(tmp_path):
    rig = Rig(tmp_path, limits=FREE, temperature="degF", flow="gal/min")
    before = rig.desk.controller.snapshot()

    async def visit(client):
        secret = await signed_in(client)
        fields = {"form": secret, "supply_target_c": "95", "flow_target_kg_s": "0.8", "greenhouse_min_c": ""}
        got = await client.post("/do/targets", data=fields)
        set_to = rig.desk.settings
        page = (await client.get("/")).text
        back = await client.post("/do/file-targets", data={"form": secret})
        return got.status_code, set_to, page, back.status_code

    status, set_to, page, back = rig.run(visit)
    assert status == back == 303
    assert set_to.supply_target_c == pytest.approx(35.0) and set_to.flow_target_kg_s == pytest.approx(0.05047, rel=1e-3)
    assert "Targets set: Supply temperature 95.0" in page and "Flow of water 0.80 gal/min" in page
    assert "Supply temperature (now 95.0 °F)" in page
    assert rig.desk.settings == rig.desk._file
    assert rig.desk.controller.snapshot()["memory"].keys() == before["memory"].keys()


@pytest.mark.parametrize(
    ("deed", "fields", "told"),
    [
        ("targets", {"supply_target_c": "90"}, "Supply temperature 90.0"),
        ("targets", {"supply_target_c": "55"}, "above Scald limit 49.0"),
        ("targets", {"greenhouse_min_c": "7,5"}, "write decimals with a point"),
        ("targets", {"pile_floor_c": "40"}, "no target was filled in"),
        ("targets", {"supply_target_c": "nan"}, "does not begin with a number"),
        ("hold", {"minutes": "600"}, "minutes must be a number from 1 to 30"),
        ("hold", {}, "minutes must be a number"),
        (
            "run",
            {"pump_percent": "101", "fan_percent": "0", "minutes": "5"},
            "pump percent must be a number from 0 to 100",
        ),
        ("run", {"pump_percent": "inf", "fan_percent": "0", "minutes": "5"}, "pump percent must be"),
        ("acknowledge", {"code": "no-such"}, "is no alarm"),
    ],
)
def test_what_goes_beyond_the_bounds_is_refused_in_words(tmp_path, deed, fields, told):
    rig = Rig(tmp_path, limits=FREE)
    before = rig.desk.settings

    async def visit(client):
        secret = await signed_in(client)
        return await client.post(f"/do/{deed}", data={"form": secret, **fields})

    got = rig.run(visit)
    assert got.status_code in (400, 409) and told in got.text
    assert rig.desk.settings == before and not rig.desk.controller.hand.on and not rig.events


def test_a_hand_run_never_beats_the_guards(tmp_path):
    rig = Rig(tmp_path, limits=FREE, measured=lambda n: reading(n, pump_battery_v=10.4))

    async def visit(client):
        secret = await signed_in(client)
        await client.post("/do/run", data={"form": secret, "pump_percent": "100", "fan_percent": "0", "minutes": "5"})

    rig.run(visit)
    duties = []
    for n in range(10, 30):
        duties.append(rig.desk.step(reading(n, pump_battery_v=10.4, outdoor_c=15.0)).commands.pump_duty)
    assert rig.desk.controller.hand.on is False or max(duties[2:]) == 0.0


def test_without_a_token_it_only_shows(tmp_path):
    async def visit(client):
        return await client.get("/"), await client.get("/sign-in"), await client.post("/sign-in", data={"token": ""})

    rig = Rig(tmp_path, token="")
    page, form, wrong = rig.run(visit)
    assert "<form" not in page.text and "only shows" in page.text and "<form" not in form.text
    assert wrong.status_code == 403


def test_before_the_first_word_and_after_a_long_silence_it_says_so(tmp_path):
    rig = Rig(tmp_path)
    rig.link.heard_s -= 600.0

    async def visit(client):
        old = (await client.get("/")).text
        rig.link.now = None
        return old, (await client.get("/")).text, (await client.get("/metrics")).text

    old, none, metrics = rig.run(visit)
    assert "No word from the controller for 10 min" in old and "All is well" not in old
    assert "No word from the controller yet" in none and "warmheap_up 0.0" in metrics


def test_hostile_words_from_a_sensor_or_alarm_stay_words(tmp_path):
    rig = Rig(tmp_path)
    rig.link.now["reason"] = "<script>alert(1)</script>"

    async def visit(client):
        return (await client.get("/")).text

    assert "<script" not in rig.run(visit)


def test_the_verdict_names_the_gravest():
    alarms = [{"severity": "notice"}, {"severity": "critical"}]
    assert verdict({"alarms": alarms}) == {"kind": "critical", "text": "Danger. 2 things want your attention."}
    assert verdict({"alarms": []})["kind"] == "well"


def test_the_picture_cuts_where_nothing_was_read_and_says_itself_in_words():
    curve = [(BASE_S + 600.0 * n, 50.0 + 0.1 * n) for n in range(60) if not 20 <= n < 30]
    svg = str(day({"pile_core_c": curve, "water_supply_c": []}, Units()))
    path = re.search(r'class="curve core" d="([^"]+)"', svg)[1]
    assert path.count("M") == 2 and 'role="img"' in svg
    assert "Core between 50.0 and 55.9 °C, now 55.9" in svg
    assert str(day({"pile_core_c": []}, Units())) == ""


def flowing(path, minutes, gap_after=None):
    """A ledger of minutes of 0.06 kg/s and 20 K of rise, with an hour's gap after one of them."""
    ledger, clerk = Ledger(path), Clerk()
    rows = clerk.begins(Controller(ControllerSettings()), BASE_S)
    for n in range(minutes):
        late_s = 3600.0 if gap_after is not None and n > gap_after else 0.0
        m = Measurements(time_s=BASE_S + 60.0 * n + late_s, **READ)
        rows += clerk.tick(Tick(m, decision(pump=0.3), 0.0, 0.0), m.time_s)
    ledger.write(rows)
    return ledger


def test_the_season_adds_up_and_fills_no_gap(tmp_path):
    # by hand: 0.06 kg/s * 4186 J/(kg K) * 20 K in each of 190 minutes; the hour without rows brings nothing
    ledger = flowing(tmp_path / "ledger.sqlite", 192, gap_after=100)
    ledger.roll_up()
    past = Past(tmp_path / "ledger.sqlite")
    past.refresh()
    total = past.season().total
    assert total.water_j == pytest.approx(
        0.06 * 4186.0 * 20.0 * 60.0 * 190.0, rel=0.011
    )  # the open minute is not summed
    assert total.pump_s == pytest.approx(0.3 * 60.0 * 190.0, abs=60.0) and total.greenhouse_min_c == 5.0
    assert total.gap_s == 3660.0
    before = total.water_j
    past.refresh()
    assert past.season().total.water_j == before  # nothing is counted twice
    ledger.roll_up(to_the_end=True)
    ledger.close()
    past.refresh()
    from_ticks = next(
        sqlite3.connect(tmp_path / "ledger.sqlite").execute("SELECT sum(water_j + water_est_j), sum(pump_s) FROM ticks")
    )
    assert (past.season().total.water_j, past.season().total.pump_s) == pytest.approx(from_ticks)


def test_useful_heat_and_fuel_are_those_of_the_report(tmp_path):
    ledger = flowing(tmp_path / "ledger.sqlite", 300)
    ledger.roll_up(to_the_end=True)
    ledger.close()
    past = Past(tmp_path / "ledger.sqlite")
    past.refresh()
    useful = heat_error.useful(read(tmp_path / "ledger.sqlite").sums(), heat_error.Accuracy())
    assert past.season().total.useful_j / 3.6e6 == pytest.approx(useful.kwh) and useful.kwh > 1.0
    fuel = chosen(FuelSettings("propane", 0.8, "2.66 USD/gal", date(2026, 2, 23)))
    rows = dict(season(past.season(), Units(), fuel))
    gallons = useful.kwh / 21.44  # kWh of useful heat in a gallon at 80 % (EIA content)
    assert rows["Propane not burnt, about"] == f"{gallons:.3g} US gal"
    assert rows["Worth about"].startswith(f"{2.66 * gallons:.0f} USD")
    assert "Propane not burnt, about" not in dict(season(past.season(), Units()))


def test_a_ledger_that_is_missing_or_another_one_is_no_trouble(tmp_path):
    past = Past(tmp_path / "none.sqlite")
    past.refresh()
    assert past.season().days == 0
    (tmp_path / "none.sqlite").write_bytes(b"no database at all" * 100)
    past.refresh()
    assert past.season().days == 0 and past.curves()["pile_core_c"] == []


class Outline(HTMLParser):
    """Every element that was opened, and what was left open."""

    def __init__(self):
        super().__init__()
        self.open, self.ids, self.fors, self.wrong = [], [], [], []

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.ids += [attrs["id"]] if "id" in attrs else []
        self.fors += [attrs["for"]] if "for" in attrs else []
        if tag not in ("meta", "link", "input", "path"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        if self.open and self.open[-1] == tag:
            self.open.pop()
        elif tag != "path":
            self.wrong.append(tag)


def test_the_page_is_well_formed_and_every_label_has_its_field(tmp_path):
    async def visit(client):
        await signed_in(client)
        return (await client.get("/")).text

    outline = Outline()
    outline.feed(Rig(tmp_path, limits=FREE).run(visit))
    assert not outline.open and not outline.wrong
    assert len(outline.ids) == len(set(outline.ids)) and set(outline.fors) <= set(outline.ids)


def test_answers_name_settings_as_the_page_does():
    text = "Not done: supply_target_c = 90.0 is outside 10.0..60.0 degC"
    assert answer(FAHRENHEIT, text).replace("\u00a0", " ") == (
        "Not done: Supply temperature 194.0 °F is outside 50.0 °F to 140.0 °F"
    )


def luminance(colour):
    """Relative luminance, WCAG 2.2, definition of "relative luminance"."""
    parts = [int(colour[n : n + 2], 16) / 255.0 for n in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    """Contrast ratio, WCAG 2.2, success criterion 1.4.3."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def themes():
    style = (ROOT / "warmheap" / "page" / "style.css").read_text(encoding="utf-8")
    light, dark = re.findall(r":root \{(.*?)\}", style, re.S)
    return [dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", text)) for text in (light, dark)]


def test_contrast_is_computed_as_the_standard_says():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # the well-known grey that just fails


@pytest.mark.parametrize("theme", [0, 1], ids=["light", "dark"])
def test_text_stands_out_4_5_to_1_and_lines_of_the_picture_3_to_1_in_both_themes(theme):
    colours = themes()[theme]
    for ground in ("ground", "raised"):
        for text in ("ink", "soft", "water", "well", "warn", "danger", "ember"):
            assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    assert contrast(colours["button-ink"], colours["button"]) >= 4.5


@pytest.mark.parametrize(
    ("told", "shown"),
    [
        ("it is at 12.7 V; it works again at 13.9 V.", "it is at 12.7\u00a0V; it works again at 13.9\u00a0V."),
        ("is 16.3 °C, 40 % and 3.8 L/min", "is 16.3\u00a0°C, 40\u00a0% and 3.8\u00a0L/min"),
        ("for 3 hours and 2 Valves", "for 3 hours and 2 Valves"),
    ],
)
def test_a_number_and_its_unit_stay_on_one_line(told, shown):
    assert together(told) == shown
