"""Pictures are drawn for long, short, interrupted and heaterless seasons, and say in words what they show."""

import numpy as np
import pytest
from fakes import Constant, FakePlant, FakeScenario
from matplotlib.figure import Figure
from matplotlib.image import imread

from controller.reasons import LIMITS as CONTROLLER_LIMITS
from sim import picture, season
from sim.limits import LIMITS, UNKNOWN_COLOUR, limit_colour, limit_words
from sim.policies import _PLAIN
from sim.season import run_season


@pytest.fixture(autouse=True)
def fake_plant(monkeypatch):
    monkeypatch.setattr(season, "Plant", FakePlant)
    monkeypatch.setattr(season, "_twins", season.OrderedDict())


@pytest.fixture
def figures(monkeypatch):
    """The figures that were saved, to read back what is written in them."""
    kept = []
    monkeypatch.setattr(picture, "save", lambda figure, path: kept.append(figure))
    return kept


def words(figure: Figure) -> str:
    texts = [figure.get_suptitle()]
    for panel in figure.axes:
        texts += [panel.get_title(loc="left"), panel.get_ylabel(), panel.get_xlabel()]
        texts += [t.get_text() for t in panel.texts]
        legend = panel.get_legend()
        texts += [t.get_text() for t in legend.get_texts()] if legend else []
    return "\n".join(texts)


@pytest.mark.parametrize("days", [0.02, 1.5, 25.0])
def test_a_season_becomes_a_picture_with_something_in_it(tmp_path, days):
    picture.draw_season(run_season(FakeScenario(), Constant(0.3, fan_duty=0.5), days=days), tmp_path / "s.png")
    pixels = imread(tmp_path / "s.png")
    assert pixels.shape[0] > 1000
    assert np.unique(pixels.reshape(-1, pixels.shape[2]), axis=0).shape[0] > 50


def test_the_season_picture_names_its_curves_with_units(figures):
    picture.draw_season(run_season(FakeScenario(), Constant(0.3), days=3), "unused")
    text = words(figures[0])
    for expected in (
        "pile core", "water while pumping", "greenhouse", "outdoors", "core if left alone", "pile floor 45 °C",
        "crop minimum 7 °C", "kWh a day", "% full", "hour of the day", "pump battery", "fan",
        "backup heater, with the pile", "nothing: full draw",
    ):  # fmt: skip
        assert expected in text


def test_heat_and_cold_hours_stand_together_in_the_headline(figures):
    picture.draw_season(run_season(FakeScenario(), Constant(0.5), days=2), "unused")
    told = "120 kWh of useful heat, 120 kWh of backup avoided; the draw chilled the pile for 15 hours"
    assert told in words(figures[0])


def test_no_water_curve_and_no_backup_where_there_is_none(figures):
    picture.draw_season(run_season(FakeScenario(backup=False), Constant(0.0), days=2), "unused")
    assert "water while pumping" not in words(figures[0])
    assert "backup" not in words(figures[0])
    assert "the draw never chilled the pile" in words(figures[0])


def test_a_stopped_season_says_so(figures):
    def stop(days_done, core_c):
        raise KeyboardInterrupt

    picture.draw_season(run_season(FakeScenario(), Constant(0.0), days=5, progress=stop), "unused")
    assert "stopped early" in words(figures[0])


@pytest.mark.parametrize(("backup", "what"), [(True, "backup heat avoided"), (False, "useful heat")])
def test_the_comparison_puts_cold_hours_beside_the_heat(figures, backup, what):
    scenario = FakeScenario(backup)
    results = {f"p{k}": run_season(scenario, Constant(k / 10), days=2) for k in (0, 5)}
    picture.draw_comparison(results, "unused")
    text = words(figures[0])
    assert f"{what}, kWh" in text
    assert " 120 kWh, pile chilled for 15 h" in text
    assert " 0 kWh, pile never chilled" in text


def test_labels_are_pushed_apart():
    panel = Figure().subplots()
    picture._label_ends(panel, [(1.0, "a", "k"), (1.1, "b", "k"), (5.0, "c", "k")], 0.5)
    assert [t.xy[1] for t in panel.texts] == [1.0, 1.5, 5.0]


def test_every_limit_that_can_occur_has_words_and_a_colour():
    for code in (*CONTROLLER_LIMITS, *_PLAIN):
        assert code in LIMITS
        assert limit_words(code) == LIMITS[code][0]
    assert limit_words("some-new-one") == "some new one"
    assert limit_colour("some-new-one") == UNKNOWN_COLOUR
