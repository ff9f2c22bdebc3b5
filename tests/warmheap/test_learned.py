"""What a session gives and what a run takes of it: only what is good, beside the old value, and the later word counts."""

import json
from dataclasses import replace

import pytest
from commission_rig import Rig, drive

from controller import ControllerSettings, SettingsError
from controller.commissioning import Commissioning
from controller.commissioning_results import learn
from controller.identify.verdict import good, repeat_with
from warmheap.learned import Document, applied, merged, read, taken
from warmheap.settings_file import parse
from warmheap.settings_store import SettingsStore

SUPPLY, RETURN = "28-0000000000a2", "28-0000000000a4"
TOML = f"""
[pump]
pin = 18
full_flow = "0.6 kg/s"
[fan]
pin = 13
[sensors]
pile_core = "28-0000000000a1"
water_supply = "{SUPPLY}"
water_return = "{RETURN}"
"""
DATE = "2026-11-25T10:00+00:00"


@pytest.fixture(scope="module")
def found():
    """A whole session on a rig whose return probe reads 0.3 K too much and whose pump starts at 0.22."""
    session = Commissioning(ControllerSettings(), 2.0)
    drive(session, Rig())
    return learn(session)


def test_good_results_are_kept_beside_the_old_ones(found):
    kept = taken(found, parse(TOML), DATE).document
    entry = kept.settings["pump_start_duty"]
    assert entry["value"] == pytest.approx(0.22, abs=0.012) and entry["was"] == 0.25
    assert 0.0 < entry["sd"] < 0.02 and entry["date"] == DATE
    assert kept.settings["pump_full_flow_kg_s"]["was"] == 0.6
    assert kept.settings["pump_full_flow_kg_s"]["value"] == pytest.approx(0.5, rel=0.05)
    assert read(json.loads(json.dumps(kept.as_json(), allow_nan=False))) == kept


def test_the_coil_of_a_fresh_bed_is_a_fact_and_never_the_setting(found):
    coil = found.coil._replace(ua_w_k=500.0, ua_sd_w_k=40.0, verdict=good("well"))
    kept = taken(found._replace(coil=coil), parse(TOML), DATE).document
    assert kept.facts["coil_ua_fresh_w_k"]["value"] == 500.0
    assert "coil_ua_w_k" not in kept.settings
    assert applied(parse(TOML), kept)[0].controller.coil_ua_w_k == parse(TOML).controller.coil_ua_w_k


def test_what_is_not_good_is_not_kept_and_says_why(found):
    spoiled = found._replace(pump=found.pump._replace(verdict=repeat_with("water")))
    got = taken(spoiled, parse(TOML), DATE)
    assert not any(name.startswith("pump") for name in (*got.document.settings, *got.document.facts))
    assert "fan_start_duty" in got.document.settings
    assert "pump: Repeat with water." in got.left


def test_a_curve_that_ends_before_full_power_gives_no_full_flow(found):
    half = {name: getattr(found.pump, name)[:-2] for name in ("drive", "reading", "reading_sd")}
    got = taken(found._replace(pump=found.pump._replace(**half)), parse(TOML), DATE)
    assert "pump_full_flow_kg_s" not in got.document.settings and "pump_start_duty" in got.document.settings
    assert any("full power was not reached" in line for line in got.left)


def test_values_that_contradict_each_other_are_not_kept(found):
    upside = found.pump._replace(start_duty=0.1, run_duty=0.3)
    got = taken(found._replace(pump=upside), parse(TOML), DATE)
    assert "pump_start_duty" not in got.document.settings
    assert any("pump: Not kept: pump_run_duty" in line for line in got.left)


def test_a_run_uses_them_and_says_so_in_one_line(found):
    file = parse(TOML)
    settings, said = applied(file, taken(found, file, DATE).document)
    assert settings.controller.pump_start_duty == pytest.approx(0.22, abs=0.012)
    assert settings.board.probe_offset_k["water_return_c"] == pytest.approx(-0.3, abs=0.06)
    assert len(said) == 1 and "pump.start_duty" in said[0] and "instead of 0.25 (2026-11-25)" in said[0]


def test_a_value_changed_in_the_file_since_counts(found):
    document = taken(found, parse(TOML), DATE).document
    settings, said = applied(parse(TOML.replace("0.6 kg/s", "0.7 kg/s")), document)
    assert settings.controller.pump_full_flow_kg_s == 0.7
    assert settings.controller.pump_start_duty == pytest.approx(0.22, abs=0.012)
    assert "pump.full_flow changed in the settings file since" in said[1]


@pytest.mark.parametrize("change", [(RETURN, "28-0000000000ff"), (SUPPLY, "28-0000000000ff")])
def test_an_offset_found_for_one_pair_of_probes_is_no_other_pairs(found, change):
    document = taken(found, parse(TOML), DATE).document
    settings, _ = applied(parse(TOML.replace(*change)), document)
    assert settings.board.probe_offset_k == {}


def test_a_later_session_that_finds_less_leaves_the_rest(found):
    first = taken(found, parse(TOML), DATE).document
    later = Document({"fan_start_duty": first.settings["fan_start_duty"] | {"value": 0.3, "date": "2027-01-01"}}, {})
    both = merged(first, later)
    assert both.settings["fan_start_duty"]["value"] == 0.3
    assert both.settings["pump_start_duty"] == first.settings["pump_start_duty"] and both.facts == first.facts


def test_kept_in_the_store_and_forgotten_again(found, tmp_path):
    file, store = parse(TOML), SettingsStore(tmp_path)
    store.save_learned(taken(found, file, DATE).document)
    assert store.with_learned(file).settings.controller.pump_start_duty != 0.25
    assert store.forget_learned() and not store.forget_learned()
    assert store.with_learned(file).settings == file and store.with_learned(file).said == ()


def test_an_absurd_offset_is_refused(found):
    file = parse(TOML)
    document = taken(found, file, DATE).document
    document.facts["return_offset_k"]["value"] = 40.0
    with pytest.raises(SettingsError):
        applied(file, document)


def test_a_file_without_a_board_takes_the_controllers_values_only(found):
    file = replace(parse(TOML), board=None)
    settings, said = applied(file, taken(found, file, DATE).document)
    assert settings.board is None and len(said) == 1 and "water_return" not in said[0]
