"""Margins and answers of sampled loops against published values, python-control, closed-loop poles and closed forms."""

from __future__ import annotations

from math import pi

import control
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.identify.dead_time import unit_answer
from controller.margins import loop_of, margins
from controller.tuning_rules import Gains, Process, half_rule, simc_pi
from sim.tuning_loops import Loops, answers, loops_of, margins_of

NOTHING = np.zeros((1, 1))


def one(process: Process, gains: Gains, tick_s: float) -> Loops:
    return loops_of([process], [gains], tick_s)


def sampled(process: Process, gains: Gains, tick_s: float) -> control.TransferFunction:
    """The open loop by python-control, for a dead time of whole ticks: held plant, delays as poles at 0, the PI."""
    lags = [lag for lag in (process.lag_s, process.lag2_s) if lag > 0.0]
    plant = control.tf([process.gain], [1.0])
    for lag in lags:
        plant = plant * control.tf([1.0], [lag, 1.0])
    held = control.sample_system(control.ss(plant), tick_s, method="zoh")
    late = control.tf([1.0], [1.0] + [0.0] * round(process.delay_s / tick_s), tick_s)
    p, i = gains.gain, gains.integral_gain * tick_s
    return control.tf(held) * late * control.tf([p + i, -p], [1.0, -1.0], tick_s)


def test_a_very_short_tick_gives_the_published_margins_of_tight_simc() -> None:
    """tau_c = theta, tau_I = tau1: GM pi, PM 61.35 deg, Ms 1.59 (Skogestad 2003)."""
    process = Process(3.0, 40.0, 8.0)
    found = margins_of(one(process, simc_pi(process, 8.0), 0.002))
    assert found.gain_margin[0] == pytest.approx(pi, rel=1e-3)
    assert found.phase_margin_deg[0] == pytest.approx(61.35, abs=0.02)
    assert found.peak_sensitivity[0] == pytest.approx(1.590, abs=1e-3)
    assert found.stable[0]


@settings(max_examples=20, deadline=None)
@given(st.floats(0.3, 3.0), st.floats(5.0, 500.0), st.floats(0.0, 40.0), st.integers(0, 4), st.floats(0.6, 5.0))
def test_margins_agree_with_python_control(gain: float, lag: float, lag2: float, ticks: int, slack: float) -> None:
    tick_s = 10.0
    process = Process(gain, lag, ticks * tick_s, 0.0 if lag2 < 1.0 or abs(lag2 / lag - 1.0) < 0.01 else lag2)
    delay_s = process.delay_s + 0.5 * tick_s
    gains = simc_pi(half_rule(gain, [lag, process.lag2_s], delay_s), slack * delay_s)
    ours, open_loop = margins_of(one(process, gains, tick_s)), sampled(process, gains, tick_s)
    omega = np.append(np.geomspace(1e-6, pi / tick_s, 2_000, endpoint=False), pi / tick_s)
    values = open_loop(np.exp(1j * omega * tick_s))
    assert ours.peak_sensitivity[0] == pytest.approx(float((1.0 / np.abs(1.0 + values)).max()), rel=2e-3)
    theirs = control.stability_margins(control.FRD(values, omega, smooth=False), returnall=True)
    real_end = [-1.0 / values[-1].real] if values[-1].real < 0.0 else []
    assert ours.gain_margin[0] == pytest.approx(min([*np.abs(theirs[0]), *real_end]), rel=1e-2)
    assert ours.phase_margin_deg[0] == pytest.approx(min(np.abs(theirs[1])), abs=0.5)


@settings(max_examples=60, deadline=None)
@given(st.floats(5.0, 300.0), st.integers(0, 5), st.floats(0.05, 12.0), st.floats(0.2, 5.0))
def test_stability_is_that_of_the_closed_loops_poles(lag: float, ticks: int, faster: float, longer: float) -> None:
    tick_s = 10.0
    process = Process(2.0, lag, ticks * tick_s)
    tight = simc_pi(process._replace(delay_s=process.delay_s + 5.0), process.delay_s + 5.0)
    gains = Gains(tight.gain * faster, tight.integral_s * longer)
    poles = np.abs(control.feedback(sampled(process, gains, tick_s), 1).poles())
    if abs(poles.max() - 1.0) > 2e-3:
        assert bool(margins_of(one(process, gains, tick_s)).stable[0]) == bool(poles.max() < 1.0)


def test_short_ticks_agree_with_the_continuous_margins_of_the_controller() -> None:
    process = Process(-300.0, 146.0, 16.4, 25.0)
    gains = simc_pi(half_rule(-300.0, [146.0, 25.0], 17.0), 51.0)
    ours = margins_of(one(process, gains, 0.5))
    theirs = margins(loop_of(process, gains, hold_s=0.25), 1e-6, 1.0)
    assert ours.gain_margin[0] == pytest.approx(theirs.gain_margin, rel=0.01)
    assert ours.phase_margin_deg[0] == pytest.approx(theirs.phase_margin_deg, abs=0.5)
    assert ours.peak_sensitivity[0] == pytest.approx(theirs.peak_sensitivity, rel=0.01)


@pytest.mark.parametrize("delay_s", [0.0, 3.7, 10.0, 47.3])
def test_an_open_loop_answers_as_the_closed_form_says_whatever_the_dead_time(delay_s: float) -> None:
    loops = one(Process(2.5, 33.0, delay_s), Gains(0.0, 1.0), 10.0)
    seen = answers(loops, NOTHING, np.ones((1, 60)), NOTHING)
    time_s = 10.0 * np.arange(60.0)
    assert seen.output[0] == pytest.approx(2.5 * unit_answer(time_s, np.zeros(1), np.ones(1), delay_s, 33.0), abs=1e-9)


@pytest.mark.parametrize("lag2_s", [0.0, 12.0, 40.0])
def test_a_closed_loop_answers_as_in_python_control(lag2_s: float) -> None:
    process, gains, tick_s = Process(1.7, 40.0, 20.0, lag2_s), Gains(0.3, 45.0), 10.0
    seen = answers(one(process, gains, tick_s), np.ones((1, 80)), NOTHING, NOTHING)
    theirs = control.step_response(control.feedback(sampled(process, gains, tick_s), 1), 10.0 * np.arange(80)).y[0, 0]
    assert seen.output[0] == pytest.approx(theirs, abs=2e-3 if lag2_s == 40.0 else 1e-7)  # equal lags are set apart


def test_noise_moves_the_controller_and_not_the_quiet_plant() -> None:
    loops = one(Process(1.0, 40.0, 20.0), Gains(0.5, 40.0), 10.0)
    noise = np.zeros((1, 20))
    noise[0, 0] = 1.0
    seen = answers(loops, NOTHING, NOTHING, noise)
    assert seen.given[0, 0] == pytest.approx(-0.5 - 0.125)
    assert np.all(seen.output[0, :3] == 0.0) and seen.output[0, 3] < 0.0


def test_drift_multiplies_gain_and_dead_time_and_costs_margin() -> None:
    process = Process(1.0, 40.0, 20.0)
    loops = one(process, simc_pi(process, 60.0), 10.0)
    later = loops.drifted(1.5, 2.0)
    assert (later.gain[0], later.delay_s[0]) == (1.5, 40.0)
    assert margins_of(later).peak_sensitivity[0] > margins_of(loops).peak_sensitivity[0]
