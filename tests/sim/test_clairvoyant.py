"""The yardstick of the harvest: it scores like any policy, respects the pile, and no law passes its ceiling."""

from __future__ import annotations

import numpy as np
import pytest
from rigs import mild

from sim import run_season
from sim.clairvoyant import BOUNDS, GUESS, heat_ceiling_kwh, play, search
from sim.policies import make_policy

DAYS = 25.0


def test_law_that_never_draws_is_the_twin() -> None:
    law = np.array(GUESS)
    law[0], law[7] = 90.0, 0.0  # a floor no pile reaches, no fan
    got = play(mild(), law, DAYS, seed=1)
    assert got.backup_avoided_kwh == pytest.approx(0.0, abs=2.0)
    assert got.cold_hours == 0.0


def test_it_beats_a_thermostat_on_a_short_season() -> None:
    thermostat = run_season(mild(), make_policy("thermostat", mild()), days=DAYS, seed=1).summary()
    best = play(mild(), np.array(GUESS), DAYS, seed=1)
    assert best.backup_avoided_kwh > thermostat["backup_avoided_kwh"]
    assert best.cold_hours == 0.0


def test_search_never_ends_below_its_guess_and_stays_in_bounds() -> None:
    guess = play(mild(), np.array(GUESS), 12.0, seed=1)
    found = search(mild(), 12.0, seed=1, rounds=1, crowd=1)
    assert found.backup_avoided_kwh >= guess.backup_avoided_kwh - 1e-6
    assert all(low <= value <= high for value, (low, high) in zip(found.law, BOUNDS, strict=True))


def test_ceiling_is_above_anything_a_policy_draws() -> None:
    full = run_season(mild(), make_policy("full", mild()), days=DAYS, seed=1).summary()
    assert full["drawn_kwh"] < heat_ceiling_kwh(mild(), DAYS)
