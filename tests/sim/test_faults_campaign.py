"""Episodes: one text plays one episode, faults are named, failures shrink, figures by hand, no false trip without faults."""

from __future__ import annotations

import dataclasses
import json
import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim import Scenario
from sim.campaign import CampaignError, as_text
from sim.campaign_fault_figures import by_fault, by_rule, faultless_figures, totals
from sim.episodes import (
    Episode,
    EpisodeError,
    Outcome,
    _first_new,
    case_of,
    drawn,
    faultless_twin,
    parsed,
    play,
    shrunk,
)
from sim.fault_campaign import COLUMNS, Episodes, Numbered, episode_of, task
from sim.faults import FAULTS, Injected

BASE = Scenario.load(Path(__file__).parents[2] / "scenarios" / "mild-wet-winter.toml")
PLANT, DAY = 0, 12


def one(name: str, severity: float = 1.0, for_h: float = 12.0, from_h: float = 2.0, days: float = 1.0) -> Episode:
    return Episode(PLANT, DAY, days, (Injected(name, from_h, for_h, severity),))


numbers = st.floats(0.0, 20.0).map(lambda x: round(x, 2))


@given(
    st.lists(
        st.builds(
            Injected, st.sampled_from(sorted(FAULTS)), numbers, numbers, st.floats(0, 1).map(lambda x: round(x, 2))
        ),
        max_size=6,
    )
)
def test_an_episode_is_one_line_of_text(faults):
    episode = Episode(3, 24, 1.5, tuple(faults))
    assert parsed(episode.text) == episode and "\n" not in episode.text


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "is not PLANT/DAY"), ("1/2:x", "is not PLANT/DAY"), ("1/12/1:pump-siezed@1+1*1",
        "did you mean pump-seized"),
        ("1/12/1:pump-seized@1+1*2", "severity = 2 is outside 0..1"), ("1/12/99:", "days = 99 is outside 0.01..30"),
        ("-1/12/1:", "plant = -1 is outside"), ("1/12/1:pump-seized@nan+1*1", "from = nan is outside"),
        ("1/12/1:" + "tarp-off@1+1*1," * 9, "faults = 9"),
        ("\x00/\x00/\x00", "is not PLANT/DAY"),
    ],
)  # fmt: skip
def test_a_text_that_is_no_episode_costs_one_line(text, told):
    with pytest.raises(EpisodeError) as refused:
        parsed(text)
    assert told in str(refused.value) and "\n" not in str(refused.value)


def test_the_same_number_is_the_same_episode_and_every_fault_is_dealt_once():
    assert drawn(BASE, 5, 17) == drawn(BASE, 5, 17) != drawn(BASE, 6, 17)
    firsts = {f.name for n in range(len(FAULTS)) for f in drawn(BASE, 5, n).faults}
    fit_nowhere = {n for n in FAULTS if not any(FAULTS[n].fits(case_of(BASE, 500_000 + k).built) for k in range(6))}
    assert len(firsts) > 0.9 * len(FAULTS) and fit_nowhere <= set(FAULTS) - firsts


def test_the_same_episode_is_the_same_outcome():
    first, again = (play(BASE, one("fan-stuck-on"))[0] for _ in range(2))
    assert first.raised == again.raised and first.breaks == again.breaks


@pytest.mark.parametrize(
    ("name", "code", "within_h"),
    [
        ("fan-stuck-on", "fan-runs-on", 0.2),
        ("night-siphon", "thermosiphon", 2.5),
        ("pump-battery-flat", "pump-battery-flat", 0.5),
    ],
)
def test_a_fault_is_named_in_time_and_only_when_it_is_there(name, code, within_h):
    outcome, twin = play(BASE, one(name))
    (told,) = outcome.told
    assert told.bit and told.code == code and told.named_h <= within_h
    assert outcome.first_new == code and code not in {c for _, c in twin.raised}


def test_an_alarm_that_stood_before_or_comes_without_the_fault_is_no_news():
    episode = one("pump-seized")
    began_s = episode.faults[0].from_h * 3600.0
    raised = tuple((began_s + k, code) for k, code in enumerate(("scald", "co2", "no-flow")))
    twin = Outcome(dataclasses.replace(episode, faults=()), (), (), ((9.0, "co2"),))
    assert _first_new(Outcome(episode, (), (), raised), twin) == "scald"
    assert _first_new(Outcome(episode, (), (), raised, frozenset({"scald"})), twin) == "no-flow"
    assert _first_new(twin, twin) is None


def test_a_second_probe_that_gives_bad_readings_is_named_beside_the_first():
    first = Injected("core-probe-noisy", 2.0, 20.0, 0.9)
    second = Injected("house-probe-noisy", 8.0, 14.0, 0.9)
    outcome, _ = play(BASE, Episode(PLANT, DAY, 1.5, (first, second)))
    assert [told.code for told in outcome.told] == ["sensor-flickers"] * 2
    assert outcome.told[1].named_h < 2.0


def test_a_killed_program_leaves_outputs_off_and_comes_back():
    outcome, twin = play(BASE, one("loop-killed", severity=0.5))
    assert outcome.told[0].bit and outcome.alone_s == pytest.approx(0.5 * 59.6 * 60.0 + 24.0, abs=2.0)
    assert "dead-outputs" not in {b.code for b in outcome.breaks} and not outcome.unsafe(twin)


def test_a_fault_that_the_plant_cannot_have_is_refused():
    episode = dataclasses.replace(one("pump-lithium-unguarded"), plant=_without_lithium())
    with pytest.raises(EpisodeError, match="does not fit plant"):
        play(BASE, episode)


def _without_lithium() -> int:
    return next(n for n in range(50) if case_of(BASE, n).built.pump_power.kind == "lead-acid")


def test_no_false_trip_in_a_fortnight_without_faults():
    plan = Episodes(as_text(BASE), 0, 1, faultless=True)
    row, _ = task(plan, Numbered(0), _program())
    figures = faultless_figures([row])
    assert figures["weeks"] == 2.0 and figures["false_trips"] == 0
    assert figures["notices_a_week"] <= 1.0


def _program() -> str:
    from sim.campaign import program

    return program()


def test_a_failure_shrinks_to_the_fault_that_matters():
    big = Episode(1, 12, 4.0, (
        Injected("tarp-off", 2.0, 40.0, 0.9), Injected("pump-seized", 5.0, 64.0, 0.8), Injected("door-open", 6.0, 20.0,
        0.5),
    ))  # fmt: skip

    def fails(e: Episode) -> bool:
        return any(f.name == "pump-seized" and f.for_h >= 3.0 and f.severity >= 0.1 for f in e.faults)

    small, plays = shrunk(big, fails, most_plays=60)
    (left,) = small.faults
    assert left.name == "pump-seized" and 3.0 <= left.for_h < 6.0 and 0.1 <= left.severity < 0.2 and small.days < 1.5
    assert fails(small) and plays <= 60
    assert shrunk(big, lambda e: False) == (big, 16 if len(_steps(big)) >= 16 else len(_steps(big)))


def _steps(e: Episode) -> set[str]:
    from sim.episodes import _smaller

    return {s.text for s in _smaller(e)}


def test_a_row_holds_what_the_columns_name_and_a_breakdown_says_so(monkeypatch):
    plan = Episodes(as_text(BASE), 0, 3)
    row, wall_s = task(plan, Numbered(0), _program())
    assert tuple(row) == COLUMNS and row["error"] is None and wall_s > 0.0
    assert parsed(row["episode"]) == episode_of(plan, 0)
    monkeypatch.setattr("sim.fault_campaign.played", lambda plan, number: 1 / 0)
    row, _ = task(plan, Numbered(1), _program())
    assert row["run"] == 1 and "ZeroDivisionError" in row["error"]


@pytest.mark.parametrize(("changes", "told"), [({"episodes": 0}, "episodes = 0"), ({"seed": -1}, "seed = -1")])
def test_a_campaign_that_makes_no_sense_is_refused(changes, told):
    with pytest.raises(CampaignError, match=told):
        Episodes(**({"scenario": "", "seed": 0, "episodes": 1} | changes))


def row_by_hand(run: int, entries: list[dict], unsafe: dict | None = None, first_new: str | None = None) -> dict:
    faults = tuple(Injected(e["name"], 1.0, 5.0, 0.5) for e in entries)
    return {
        "run": run, "plant": 0, "day": 12, "episode": Episode(0, 12, 1.0, faults).text,
        "unsafe": json.dumps(unsafe or {}), "anyway": "[]",
        "told": json.dumps(entries), "first_new": first_new, "raised": json.dumps([(3.0, "no-flow")]), "weeks": 1 / 7,
        "alone_s": 0.0, "error": None,
    }  # fmt: skip


def told(name: str, shown_h=0.0, named_h=None, code=None, bit=True) -> dict:
    promise = {
        "promised": name != "door-open",
        "showed_h": 2.0,
        "named_after_h": named_h and named_h - (shown_h or 0.0),
    }
    seen = {"severity": 0.5, "bit": bit, "shown_h": shown_h, "named_h": named_h, "code": code}
    return {"name": name} | seen | promise


def test_figures_by_hand():
    rows = [
        row_by_hand(0, [told("pump-seized", 1.0, 1.5, "no-flow")], {"dry-run": [2.0, "state"]}, "no-flow"),
        row_by_hand(
            1,
            [told("pump-seized", 0.0, 1.0, "no-heat"), told("door-open", bit=False)],
            {"dry-run": [1.0, "s"]},
            "pile-cold",
        ),
        row_by_hand(2, [told("pump-seized", None)]),
        {**row_by_hand(3, []), "error": "broke"},
    ]
    line = by_fault(rows)["pump-seized"]
    assert (line["n"], line["bit"], line["unsafe"], line["unsafe_alone"], line["seen"], line["named"]) == (
        3,
        3,
        2,
        1,
        2,
        2,
    )
    assert line["median_min"] == pytest.approx(45.0) and line["codes"] == {"no-flow": 1, "no-heat": 1}
    rule = by_rule(rows)["dry-run"]
    assert (rule["episodes"], rule["run"], rule["at_h"]) == (2, 0, 2.0)
    t = totals(rows)
    assert (t["episodes"], t["broke_down"], t["faults"], t["bit"], t["unsafe_episodes"]) == (3, 1, 4, 3, 2)
    assert (t["seen"], t["named"], t["alarmed"], t["first_right"]) == (3, 2, 2, 1)
    assert [e["fault"] for e in t["no_bite"]] == ["door-open"]
    quiet = faultless_figures(rows)
    assert quiet["false_trips"] == 3 and quiet["notices_a_week"] == pytest.approx(7.0)


def test_the_twin_is_played_once():
    episode = Episode(PLANT, DAY, 1.0)
    assert faultless_twin(BASE, episode) is faultless_twin(BASE, episode)


def test_the_page_names_every_fault_rule_and_story(tmp_path):
    from sim.campaign_book import open_book
    from sim.campaign_faults_page import page
    from sim.fault_campaign import KIND
    from sim.faults.stories import STORIES
    from sim.rules import RULES

    path = tmp_path / "mild-wet-winter.sqlite"
    with open_book(path, Episodes(as_text(BASE), 0, 1), KIND) as book:
        book.add(
            row_by_hand(0, [told("pump-seized", 1.0, 1.5, "no-flow")], {"dry-run": [2.0, "state"]}, "no-flow"), 1.0
        )
    text = page([path])
    assert all(f"`{name}`" in text for name in FAULTS) and all(f"`{rule.code}`" in text for rule in RULES)
    assert all(f"| {number} | {story} |" in text for number, story in STORIES.items())
    assert "**1 episodes were unsafe**" in text and "--episode '0/12/1:pump-seized@1+5*0.5'" in text
    assert "1 of 1 | 24 min | 0 of 1 | 30, 30 min" in text
    other_seed = tmp_path / "other" / path.name
    other_seed.parent.mkdir()
    shutil.copy(path, other_seed)
    assert "2 of 2 | 24 min | 0 of 2 | 30, 30 min" in page([path, other_seed])
    assert "| 0 | - | - | " in page([])
