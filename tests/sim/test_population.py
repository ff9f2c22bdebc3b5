"""Random plants: reproducible, within their spread, and different from their design where they must be."""

from __future__ import annotations

import numpy as np
import pytest
from rigs import mild

from sim.population import LARGEST_M3, SMALLEST_M3, SPREAD, UNCERTAIN, random_season


def value(scenario, name: str) -> float:
    for part in name.split("."):
        scenario = getattr(scenario, part)
    return float(scenario)


@pytest.mark.parametrize("number", range(12))
def test_plant_lies_within_half_of_its_design(number: int) -> None:
    case = random_season(mild(), number)
    assert SMALLEST_M3 <= case.design.pile.volume <= LARGEST_M3
    for name in UNCERTAIN:
        ratio = value(case.built, name) / value(case.design, name)
        lowest = (1.0 - SPREAD) * 0.5 if name.endswith("_fraction") else 1.0 - SPREAD  # solids are capped together
        assert lowest <= ratio <= 1.0 + SPREAD, name


def test_same_number_same_plant_and_other_number_another() -> None:
    assert random_season(mild(), 3).built == random_season(mild(), 3).built
    assert random_season(mild(), 3).built != random_season(mild(), 4).built


def test_controller_is_told_the_design_and_not_the_plant() -> None:
    case = random_season(mild(), 5)
    assert case.settings == case.design.controller_settings()
    assert case.settings.pump_full_flow_kg_s != case.built.controller_settings().pump_full_flow_kg_s


def test_both_weathers_and_many_starts_are_drawn() -> None:
    cases = [random_season(mild(), n) for n in range(40)]
    assert len({c.built.place.weather for c in cases}) == 2
    assert len({c.built.place.start for c in cases}) >= 5
    assert np.std([c.built.pile.volume for c in cases]) > 3.0
