"""What must not be lost: cut or corrupt any range of bytes, and what comes back was once saved, or nothing."""

import json
import os

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller import ControllerSettings, SettingsError
from warmheap import files
from warmheap.learned import Document
from warmheap.settings_file import SettingsFileError
from warmheap.settings_store import COPIES, SettingsStore, TwoCopies

GOOD = "[pump]\npin = 18\n[fan]\npin = 13\n"


def damaged(raw, begin, length, how):
    begin %= len(raw) + 1
    if how == "cut":
        return raw[:begin]
    if how == "drop":
        return raw[:begin] + raw[begin + length :]
    return raw[:begin] + bytes(b ^ 0x55 for b in raw[begin : begin + length]) + raw[begin + length :]


HOW = st.sampled_from(["cut", "drop", "flip"])


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 200), HOW, st.sampled_from(COPIES))
def test_one_damaged_copy_costs_at_most_the_last_change(tmp_path_factory, begin, length, how, copy):
    folder = tmp_path_factory.mktemp("s")
    store = TwoCopies(folder, "settings")
    for text in ("first", "second\nwith lines", "third ü"):
        store.save(text)
    file = folder / f"settings.{copy}"
    before = file.read_bytes()
    file.write_bytes(damaged(before, begin, length, how))
    kept = store.load()
    assert kept.text in ("second\nwith lines", "third ü")
    if file.read_bytes() != before:
        assert f"settings.{copy} is damaged; the last good copy is used" in kept.said
    else:
        assert kept.text == "third ü" and kept.said == ""


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 10**6), st.integers(1, 200), HOW), min_size=2, max_size=2))
def test_two_damaged_copies_give_what_was_saved_or_nothing(tmp_path_factory, damages):
    folder = tmp_path_factory.mktemp("s")
    store = TwoCopies(folder, "settings")
    store.save("first")
    store.save("second")
    for copy, damage in zip(COPIES, damages, strict=True):
        file = folder / f"settings.{copy}"
        file.write_bytes(damaged(file.read_bytes(), *damage))
    assert store.load().text in ("first", "second", None)


@given(st.binary(max_size=400))
def test_no_bytes_are_taken_for_a_copy(tmp_path_factory, raw):
    folder = tmp_path_factory.mktemp("s")
    (folder / "settings.a").write_bytes(raw)
    kept = TwoCopies(folder, "settings").load()
    assert kept.text is None and kept.said == "both copies of settings are damaged"


def test_nothing_kept_is_nothing_said(tmp_path):
    kept = TwoCopies(tmp_path, "settings").load()
    assert kept.text is None and kept.said == ""


def test_after_damage_the_next_save_heals(tmp_path):
    store = TwoCopies(tmp_path, "settings")
    store.save("one")
    store.save("two")
    (tmp_path / "settings.b").write_bytes(b"")
    store.save("three")
    store.save("four")
    kept = store.load()
    assert (kept.text, kept.said) == ("four", "")


@pytest.mark.parametrize("failing", ["fsync", "replace"])
def test_a_write_that_fails_leaves_the_old_file_and_nothing_beside(tmp_path, monkeypatch, failing):
    path = tmp_path / "x"
    files.write_whole(path, b"old")

    def full(*args, **kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, failing, full)
    monkeypatch.setattr("pathlib.Path.replace", full) if failing == "replace" else None
    with pytest.raises(OSError, match="No space left"):
        files.write_whole(path, b"new")
    assert path.read_bytes() == b"old" and [p.name for p in tmp_path.iterdir()] == ["x"]


@pytest.fixture
def place(tmp_path):
    path = tmp_path / "g.toml"
    path.write_text(GOOD)
    return path, tmp_path / "state"


def test_good_settings_are_used_and_kept(place):
    path, state = place
    chosen = SettingsStore(state).choose(path)
    assert chosen.said == () and chosen.settings.board.pump.pin == 18
    assert TwoCopies(state, "settings").load().text == GOOD


def test_settings_that_do_not_change_are_not_written_again(place):
    path, state = place
    for _ in range(3):
        SettingsStore(state).choose(path)
    assert TwoCopies(state, "settings").load().generation == 1


def test_a_bad_file_by_hand_is_refused(place):
    path, state = place
    SettingsStore(state).choose(path)
    path.write_text("[pump]\npinn = 18")
    with pytest.raises(SettingsFileError, match="pump.pinn"):
        SettingsStore(state).choose(path)


def test_a_bad_file_unattended_gives_way_to_the_last_good_one_and_says_so(place):
    path, state = place
    SettingsStore(state).choose(path)
    path.write_bytes(b"\x00" * 40)
    chosen = SettingsStore(state).choose(path, last_good=True)
    assert chosen.settings.board.pump.pin == 18
    assert "not valid TOML" in chosen.said[0] and chosen.said[-1] == "going on with the settings that last worked"


def test_a_bad_file_and_one_bad_copy_still_run(place):
    path, state = place
    SettingsStore(state).choose(path)
    path.write_text(GOOD + "# changed\n")
    SettingsStore(state).choose(path)
    (state / "settings.b").write_bytes(b"rubbish")
    path.unlink()
    chosen = SettingsStore(state).choose(path, last_good=True)
    assert chosen.settings.text == GOOD
    assert any("settings.b is damaged" in line for line in chosen.said)


def test_with_nothing_to_go_by_it_refuses_and_says_what_that_means(place):
    path, state = place
    path.unlink()
    with pytest.raises(SettingsFileError, match="no settings that once worked are kept: the outputs stay off"):
        SettingsStore(state).choose(path, last_good=True)


def learned(**values):
    """A document in which these settings were learned while the file had the defaults."""
    defaults = ControllerSettings()
    return Document(
        {
            n: {"value": v, "sd": 0.01, "was": getattr(defaults, n, 0.0), "date": "2026-11-25"}
            for n, v in values.items()
        },
        {},
    )


def test_what_was_learned_goes_before_the_file(place):
    path, state = place
    store = SettingsStore(state)
    store.save_learned(learned(pump_full_flow_kg_s=0.5))
    assert store.choose(path).settings.controller.pump_full_flow_kg_s == 0.5


@pytest.mark.parametrize("values", [{"pump_full_flow_kg_s": 99.0}, {"banana": 1.0}, {"coil_ua_w_k": float("nan")}])
def test_what_makes_no_sense_is_not_kept(place, values):
    path, state = place
    with pytest.raises(SettingsError):
        SettingsStore(state).save_learned(learned(**values))
    assert not (state / "learned.a").exists()


def test_damaged_learning_falls_back_to_the_file_and_says_so(place):
    path, state = place
    store = SettingsStore(state)
    store.save_learned(learned(pump_full_flow_kg_s=0.5))
    (state / "learned.a").write_bytes(b"")
    chosen = store.choose(path)
    assert chosen.settings.controller.pump_full_flow_kg_s == 0.8
    assert "both copies of learned are damaged; the settings file's own values are used" in chosen.said[0]


def test_learning_of_another_version_is_told(place):
    path, state = place
    gone = learned(gone_field=1.0).as_json()
    for kept, word in ((gone, "gone_field"), (gone | {"version": 99}, "another version"), (7, "another version")):
        TwoCopies(state, "learned").save(json.dumps(kept))
        chosen = SettingsStore(state).choose(path)
        assert "what was learned does not fit" in chosen.said[0] and word in chosen.said[0]
        assert chosen.settings.controller.pump_full_flow_kg_s == 0.8


def test_a_full_disk_keeps_nothing_and_runs_all_the_same(place, monkeypatch):
    path, state = place

    def full(*args):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("warmheap.settings_store.write_whole", full)
    chosen = SettingsStore(state).choose(path)
    assert chosen.settings.board is not None and "No space left" in chosen.said[0]
