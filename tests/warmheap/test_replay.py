"""A recorded ledger through today's controller."""

import json
import sqlite3
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from controller import Controller, ControllerSettings
from warmheap.cli import main
from warmheap.ledger import Ledger
from warmheap.ledger_clerk import Clerk
from warmheap.loop import Tick
from warmheap.replay_picture import draw
from warmheap.replay_run import replay

sys.path.insert(0, str(Path(__file__).parent))
from made_season import SCENARIO, hot_season  # noqa: E402


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    path = tmp_path_factory.mktemp("season") / "ledger.sqlite"
    hot_season(path, 1.5)
    return path


def edited(path, tmp_path, sql):
    copy = tmp_path / "copy.sqlite"
    copy.write_bytes(path.read_bytes())
    with closing(sqlite3.connect(copy)) as db, db:
        db.execute(sql)
    return copy


def test_the_same_version_decides_every_tick_the_same(season):
    found = replay(season)
    assert found.ticks > 2000
    assert (found.differing, found.skipped, found.stretches, found.notes) == (0, 0, [], [])
    assert found.water_j == found.pump_duty_s == found.fan_duty_s == 0.0


def test_one_changed_duty_is_found_with_its_tick(season, tmp_path):
    copy = edited(season, tmp_path, "UPDATE ticks SET pump_duty = 0.9 WHERE id = 1000")
    found = replay(copy)
    assert (found.differing, len(found.stretches)) == (1, 1)
    assert found.largest_duty > 0.3
    assert found.pump_duty_s < 0.0  # today's controller runs the pump less than that


def test_another_floor_decides_otherwise_and_says_why(season):
    settings = replace(_settings(), pile_floor_c=57.0, start_core_c=57.5)
    found = replay(season, settings)
    assert found.differing > 100
    assert found.pump_duty_s < 0.0 and found.water_j < 0.0
    assert any("pile-floor" in kind for kind in found.kinds)
    assert all(stretch.why for stretch in found.stretches)
    assert sum(stretch.ticks for stretch in found.stretches) == found.differing


def test_only_the_night_that_was_asked_for_is_compared(season):
    settings = replace(_settings(), pile_floor_c=57.0, start_core_c=57.5)
    whole = replay(season, settings)
    half_s = (whole.stretches[0].from_s + whole.stretches[-1].to_s) / 2.0
    half = replay(season, settings, since_s=half_s)
    assert 0 < half.differing < whole.differing
    assert all(stretch.from_s >= half_s for stretch in half.stretches)


def _settings():
    from sim import Scenario

    return replace(Scenario.load(SCENARIO).controller_settings(), start_hold_s=3600.0)


def lived(path, deeds, days=0.4, restart_at=None):
    """A season in which the grower meddles: {tick number: (verb, arguments)}; it may be restarted in between."""
    from sim import Plant, Scenario

    scenario = Scenario.load(SCENARIO)
    hot = scenario.pile.model_copy(update={"initial_temperature": 58.0, "start_activity": 0.8})
    plant, controller = Plant(scenario.model_copy(update={"pile": hot}), seed=2), Controller(_settings())
    ledger, clerk = Ledger(path), Clerk()
    ledger.write(clerk.begins(controller, 0.0))
    for n in range(int(days * 1440)):
        if n == restart_at:
            controller = Controller.restore(_settings(), json.loads(json.dumps(controller.snapshot())))
            plant.advance(3000.0)
            ledger.write(clerk.begins(controller, 0.0))
        if n in deeds:
            verb, arguments = deeds[n]
            getattr(controller, verb)(*arguments)
            ledger.write([clerk.command(verb, arguments, "test", "done", 0.0)])
        m = plant.measure()
        decision = controller.step(m)
        plant.apply(decision.commands)
        ledger.write(clerk.tick(Tick(m, decision, 0.0, 0.0), 0.0))
        plant.advance(60.0)
    ledger.close()


def test_what_the_grower_did_and_a_restart_are_replayed(tmp_path):
    deeds = {60: ("hand_run", [0.5, 0.4, 900.0]), 70: ("end_hand_run", []), 120: ("declare_drained", []),
             180: ("declare_filled", []), 200: ("hand_run", [0.6, 0.0, 600.0])}  # fmt: skip
    path = tmp_path / "l.sqlite"
    lived(path, deeds, restart_at=205)
    found = replay(path)
    assert found.ticks == 576 and found.differing == 0
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("DELETE FROM commands")
    assert replay(path).differing > 10  # the test can fail: without them it goes otherwise


def test_ticks_before_the_first_kept_memory_are_told_and_left_out(season, tmp_path):
    copy = edited(season, tmp_path, "DELETE FROM starts WHERE kind = 'start'")
    found = replay(copy)
    assert found.skipped >= 1 and found.differing == 0
    assert "not replayed" in found.notes[0]


def test_after_lost_rows_it_goes_on_from_a_new_memory(tmp_path):
    from sim import Plant, Scenario

    plant, controller = Plant(Scenario.load(SCENARIO), seed=3), Controller(ControllerSettings())
    ledger, clerk = Ledger(tmp_path / "l.sqlite"), Clerk()
    ledger.write(clerk.begins(controller, 0.0))
    for n in range(600):
        m = plant.measure()
        decision = controller.step(m)
        found = clerk.tick(Tick(m, decision, 0.0, 0.0), 0.0)
        if not 100 <= n < 400:
            ledger.write(found)
        if n == 399:
            clerk.rows_were_lost()
        plant.advance(60.0)
    ledger.close()
    done = replay(tmp_path / "l.sqlite")
    assert done.ticks == 300
    assert done.differing <= 1  # the first tick after the loss comes before the memory that was noted after it


def test_a_memory_of_another_version_begins_afresh_and_says_so(season, tmp_path):
    copy = edited(season, tmp_path, "UPDATE starts SET snapshot = '{\"version\": 0}'")
    assert "begun afresh" in replay(copy).notes[0]


def test_a_setting_that_is_gone_does_not_matter_and_a_bad_one_is_told(season, tmp_path):
    gone = edited(season, tmp_path, "UPDATE starts SET settings = json_set(settings, '$.no_such_setting', 1)")
    assert replay(gone).differing == 0
    bad = edited(season, tmp_path, "UPDATE starts SET settings = json_set(settings, '$.pile_floor_c', 900)")
    assert "do not fit" in replay(bad).notes[0]


def test_the_command_tells_in_words_json_and_a_picture(season, tmp_path, capsys):
    assert main(["replay", str(season), "--out", str(tmp_path / "r.svg")]) == 0
    assert "decides each as then" in capsys.readouterr().out
    assert (tmp_path / "r.svg").read_text().startswith("<svg")
    (tmp_path / "g.toml").write_text('[pile]\nfloor = "57 degC"\nstart_core = "57.5 degC"\n')
    assert main(["replay", str(season), "--settings", str(tmp_path / "g.toml"), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["differing"] > 100 and found["stretches"][0]["why"]
    assert main(["replay", str(season), "--settings", str(tmp_path / "g.toml")]) == 0
    assert "decided otherwise" in capsys.readouterr().out


def test_mistakes_are_told_in_one_line(season, tmp_path, capsys):
    for words, said in ((["/nowhere"], "is no file"), ([str(season), "--from", "yesterday"], "is no time")):
        assert main(["replay", *words]) == 2
        err = capsys.readouterr().err
        assert said in err and err.count("\n") == 1


def test_the_picture_is_xml(season):
    from xml.etree import ElementTree

    assert ElementTree.fromstring(draw(replay(season))).tag.endswith("svg")
