"""A start seen through two lags in series: reduced by the published half rule, and honest where they are alike."""

from __future__ import annotations

from math import nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lsim

from controller.identify import GOOD, REPEAT, UNKNOWN, identify_dead_time, identify_two_lags, probe_lag
from controller.identify.two_lags import unit_answer
from controller.tuning_rules import half_rule


def start(lag_s: float, lag2_s: float, noise_k: float, seed: int, began_s: float = 0.0, until_s: float = 200.0):
    """Water of 55 degC meets a probe that stood at 12 degC; solved by scipy's state-space simulation, not by the fit."""
    t, fine = np.arange(-60.0, until_s, 2.0), np.arange(-60.0, until_s, 0.1)
    system = ([1.0], np.polymul([lag_s, 1.0], [lag2_s, 1.0]))
    _, y, _ = lsim(system, (fine >= began_s).astype(float), fine - fine[0])
    noise = np.random.default_rng(seed).normal(0.0, noise_k, t.size)
    return t, (t >= 0.0).astype(float), 12.0 + 43.0 * np.interp(t, fine, y) + noise


@settings(max_examples=25, deadline=None)
@given(st.floats(20.0, 80.0), st.floats(0.15, 0.8), st.floats(-1.0, 0.0), st.integers(0, 10**6))
def test_dead_time_and_lag_are_those_of_the_half_rule(lag_s: float, share: float, began_s: float, seed: int) -> None:
    """Skogestad, J. Process Control 13 (2003) 291: half of the shorter lag to the longer one, half to the dead time."""
    true = half_rule(43.0, [lag_s, share * lag_s])
    until_s = max(200.0, 3.0 * (1.0 + share) * lag_s)  # a shorter record of slow lags leaves the dead time open
    fit = identify_two_lags(*start(lag_s, share * lag_s, 0.05, seed, began_s, until_s))
    if fit.verdict.kind == GOOD:
        assert fit.delay_s == pytest.approx(true.delay_s, abs=2.0 + 0.1 * true.delay_s)
    assert fit.lag_s == pytest.approx(true.lag_s, rel=0.1)
    assert fit.gain == pytest.approx(43.0, rel=0.03) and fit.level == pytest.approx(12.0, abs=0.1)
    assert abs(fit.delay_s - true.delay_s) < 4.0 * fit.delay_sd_s


def test_one_lag_and_a_dead_time_cannot_follow_two_equal_lags_and_two_lags_can() -> None:
    record, true = start(35.0, 33.0, 0.05, 1), half_rule(43.0, [35.0, 33.0])
    fit = identify_two_lags(*record)
    assert identify_dead_time(*record).residual_sd > 5.0 * fit.residual_sd
    assert abs(fit.delay_s - true.delay_s) < 2.0 * fit.delay_sd_s
    assert fit.lag_s + fit.delay_s == pytest.approx(68.0, rel=0.03)


def test_equal_lags_in_noise_are_not_claimed() -> None:
    fit = identify_two_lags(*start(45.0, 45.0, 0.6, 3))
    assert fit.verdict.kind == UNKNOWN and "nearly equal" in fit.verdict.reason


@pytest.mark.parametrize(
    ("change", "kind"),
    [
        (lambda t, u, y: (t, 0.0 * u, y), UNKNOWN),
        (lambda t, u, y: (t, u, np.full(t.size, 12.0)), UNKNOWN),
        (lambda t, u, y: (t, u, np.full(t.size, nan)), REPEAT),
        (lambda t, u, y: (t[:36], u[:36], y[:36]), REPEAT),
        (lambda t, u, y: (t[::-1], u, y), UNKNOWN),
        (lambda t, u, y: (t, u, y + 30.0 * np.sin(t / 9.0)), UNKNOWN),
    ],
)
def test_a_spoiled_start_is_refused(change, kind: str) -> None:
    assert identify_two_lags(*change(*start(40.0, 20.0, 0.05, 1))).verdict.kind == kind


def test_unit_answer_of_equal_lags_is_the_limit() -> None:
    """1 - (1 + t/T) exp(-t/T), by hand: 0.264 at t = T."""
    assert unit_answer(np.array([30.0]), np.zeros(1), np.ones(1), 0.0, 30.0, 30.0)[0] == pytest.approx(0.2642, abs=1e-3)


def test_the_probes_lag_is_weighed_by_the_water_that_would_be_washed_out() -> None:
    fit = identify_two_lags(*start(32.0, 8.0, 0.03, 1))
    slow = probe_lag(fit, 0.1)  # 0.8 kg washed out at a probe of 32 s, or 3.2 kg at one of 8 s: the former is usual
    assert slow.lag_s == pytest.approx(32.0, rel=0.15)
    unclear = probe_lag(identify_two_lags(*start(36.0, 20.0, 0.03, 1)), 0.05)
    assert 20.0 < unclear.lag_s < 36.0 and unclear.sd_s > 4.0
    assert probe_lag(identify_two_lags([], [], []), 0.1).lag_s == 25.0 == probe_lag(fit, nan).lag_s
