"""What is identified from records whose truth is known: by python-control, by closed forms, at random, and spoiled."""

from __future__ import annotations

from math import inf, isfinite, nan

import control
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.identify import (
    GOOD,
    REPEAT,
    UNKNOWN,
    Bucket,
    corrected_by_bucket,
    identify_coil,
    identify_dead_time,
    identify_decay,
    identify_fan,
    identify_pump,
    identify_pump_by_bucket,
    match_probes,
)
from controller.identify.coil import effectiveness, ua_from_effectiveness
from controller.media import WATER_J_KG_K
from controller.tuning_rules import half_rule, simc_pi

T = np.arange(0.0, 400.0, 2.0)


# --- first order plus dead time


def fopdt_record(gain: float, lag_s: float, delay_s: float, noise: float, seed: int, end_s: float = 400.0):
    """A step at 20 s through python-control's lag; the dead time shifts the input exactly."""
    t = np.arange(0.0, end_s, 2.0)
    given_at = np.where(t >= 20.0, 1.0, 0.0)
    fine = np.arange(0.0, end_s, 0.1)
    late = np.where(fine >= 20.0 + delay_s, 1.0, 0.0)
    answer = control.forced_response(control.tf([gain], [lag_s, 1.0]), fine, late).outputs
    y = 15.0 + np.interp(t, fine, answer) + np.random.default_rng(seed).normal(0.0, noise, t.size)
    return t, given_at, y


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize(("gain", "lag_s", "delay_s"), [(40.0, 50.0, 12.0), (-12.0, 80.0, 30.0), (3.0, 25.0, 60.0)])
def test_dead_time_of_python_control_records(gain: float, lag_s: float, delay_s: float, seed: int) -> None:
    fit = identify_dead_time(*fopdt_record(gain, lag_s, delay_s, 0.06, seed))
    assert fit.verdict.kind == GOOD
    assert fit.delay_s == pytest.approx(delay_s, abs=2.0 + 0.1 * delay_s)
    assert fit.lag_s == pytest.approx(lag_s, rel=0.1)
    assert fit.gain == pytest.approx(gain, rel=0.03)


@settings(max_examples=40, deadline=None)
@given(
    st.floats(5.0, 50.0),
    st.sampled_from((-1.0, 1.0)),
    st.floats(8.0, 90.0),
    st.floats(0.0, 80.0),
    st.integers(0, 10**6),
)
def test_dead_time_is_within_its_own_uncertainty_or_says_so(
    size: float, sign: float, lag_s: float, delay_s: float, seed: int
) -> None:
    fit = identify_dead_time(*fopdt_record(sign * size, lag_s, delay_s, 0.1, seed))
    if fit.verdict.kind == GOOD:
        assert abs(fit.delay_s - delay_s) < 5.0 * fit.delay_sd_s + 0.1
        assert abs(fit.lag_s - lag_s) < 5.0 * fit.lag_sd_s + 0.01 * lag_s
        assert abs(fit.gain - sign * size) < 5.0 * fit.gain_sd + 1e-3 * size
    else:
        assert fit.verdict.kind in (REPEAT, UNKNOWN) and fit.verdict.reason.endswith(".")


def test_the_uncertainty_of_the_dead_time_is_the_scatter_that_noise_makes() -> None:
    """Forty records of one process under much noise: the stated sd is the spread of the results within a factor of 2."""
    fits = [identify_dead_time(*fopdt_record(40.0, 50.0, 30.0, 2.0, seed)) for seed in range(40)]
    spread, stated = np.std([f.delay_s for f in fits]), np.median([f.delay_sd_s for f in fits])
    assert 0.5 < stated / spread < 2.0 and stated > 0.8


def test_two_equal_lags_are_reduced_much_as_the_half_rule_does() -> None:
    """Skogestad's half rule for lags of 30 and 25 s: 42.5 s and 12.5 s of dead time."""
    fine = np.arange(0.0, 400.0, 0.05)
    answer = control.step_response(control.tf([40.0], np.polymul([30.0, 1.0], [25.0, 1.0])), fine).outputs
    fit = identify_dead_time(T, np.where(T >= 2.0, 1.0, 0.0), np.interp(np.maximum(T - 2.0, 0.0), fine, answer))
    rule = half_rule(1.0, [30.0, 25.0])
    assert fit.delay_s == pytest.approx(rule.delay_s, abs=3.5)
    assert fit.lag_s == pytest.approx(rule.lag_s, rel=0.15)
    assert simc_pi(fit.process, fit.delay_s).gain > 0.0


def test_spikes_and_gaps_do_not_move_the_dead_time() -> None:
    t, u, y = fopdt_record(40.0, 50.0, 12.0, 0.05, 1)
    y[[30, 77, 120]] = (85.0, nan, -127.0)
    fit = identify_dead_time(t, u, y)
    assert fit.verdict.kind == GOOD and fit.delay_s == pytest.approx(12.0, abs=3.0)


STEP = np.where(T >= 20.0, 1.0, 0.0)
RISE = 15.0 + 30.0 * -np.expm1(-np.maximum(T - 30.0, 0.0) / 40.0)
SPOILED = [
    (T, STEP, np.full(T.size, nan), "working sensors"),
    (T, STEP, np.full(T.size, 20.0), "stuck"),
    (T, np.ones(T.size), RISE, "never changed"),
    (T[::-1], STEP, RISE, "backwards"),
    (np.zeros(T.size), STEP, RISE, "stands still"),
    (T[:5], STEP[:5], RISE[:5], "working sensors"),
    (T, STEP, RISE[:-1], "differ in length"),
    (T, STEP, np.full(T.size, inf), "working sensors"),
    (T, STEP, 20.0 + np.random.default_rng(1).normal(0.0, 1.0, T.size), "larger step"),
    (T[:14], STEP[:14], RISE[:14], "longer record"),
    (T, np.random.default_rng(1).normal(0.0, 1.0, T.size), RISE, "wanders"),
    ([], [], [], "working sensors"),
]


@pytest.mark.parametrize(("t", "u", "y", "word"), SPOILED)
def test_a_spoiled_step_record_says_what_is_wrong(t, u, y, word: str) -> None:
    fit = identify_dead_time(t, u, y)
    assert fit.verdict.kind != GOOD and word in fit.verdict.reason
    assert not isfinite(fit.delay_s) or fit.verdict.kind == REPEAT


# --- decay


@settings(max_examples=30, deadline=None)
@given(st.floats(20.0, 300.0), st.floats(5.0, 30.0), st.integers(0, 10**6))
def test_decay_is_within_its_uncertainty_or_says_so(lag_s: float, jump: float, seed: int) -> None:
    noise = np.random.default_rng(seed).normal(0.0, 0.05, T.size)
    found = identify_decay(T, 30.0 + jump * np.exp(-T / lag_s) + noise)
    if found.verdict.kind == GOOD:
        assert abs(found.lag_s - lag_s) < 5.0 * found.lag_sd_s + 0.02 * lag_s
        assert found.final_c == pytest.approx(30.0, abs=0.35 * jump)
    else:
        assert lag_s > 100.0 or jump < 6.0


@pytest.mark.parametrize(
    ("t", "y", "word"),
    [
        (T, np.full(T.size, 40.0), "hardly moved"),
        (T, 40.0 - 0.01 * T, "straight line"),
        (T, np.full(T.size, nan), "working sensors"),
        (T[::-1], 30.0 + np.exp(-T / 50.0), "backwards"),
    ],
)
def test_a_spoiled_decay_says_what_is_wrong(t, y, word: str) -> None:
    assert word in identify_decay(t, y).verdict.reason


# --- pump and fan


def staircase(start: float, run: float, full: float, bend: float, noise: float, seed: int, volts: float = 12.6):
    """A motor with stiction: 6 s fine steps up, 12 s levels, 6 s fine steps down; read once a second."""
    fine_up = [(round(0.04 + 0.01 * k, 3), 6) for k in range(60) if 0.04 + 0.01 * k < start + 0.02]
    levels = [(d, 12) for d in (0.35, 0.45, 0.6, 0.8, 1.0) if d > start + 0.05]
    down = [(round(start + 0.03 - 0.01 * k, 3), 6) for k in range(60) if start + 0.03 - 0.01 * k > 0.01]
    duty = np.array([d for d, hold in fine_up + levels + down for _ in range(hold)])
    drive, turning, flow = duty * volts / 12.0, False, []
    for d in drive:
        turning = d >= (run if turning else start)
        x = (d - 0.85 * run) / (1.0 - 0.85 * run)
        flow.append(full * (x + bend * x * x) / (1.0 + bend) if turning else 0.0)
    chance = np.random.default_rng(seed)
    return (
        np.arange(duty.size, dtype=float),
        duty,
        np.array(flow) * chance.normal(1.0, noise, duty.size),
        np.full(duty.size, volts),
    )


@settings(max_examples=30, deadline=None)
@given(st.floats(0.12, 0.4), st.floats(0.5, 0.95), st.floats(0.1, 1.5), st.floats(0.0, 0.6), st.integers(0, 10**6))
def test_pump_curve_within_five_percent(start: float, share: float, full: float, bend: float, seed: int) -> None:
    run = start * share
    curve = identify_pump(*staircase(start, run, full, bend, 0.02, seed))
    assert curve.verdict.kind == GOOD, curve.verdict.reason
    assert curve.start_duty == pytest.approx(start, abs=0.012)
    assert curve.run_duty == pytest.approx(run, abs=0.012)
    assert curve.hysteresis_duty == pytest.approx(start - run, abs=0.02)
    for duty in (0.5, 0.7, 0.9):
        x = (duty - 0.85 * run) / (1.0 - 0.85 * run)
        assert curve.at(duty) == pytest.approx(full * (x + bend * x * x) / (1.0 + bend), rel=0.05)


def test_voltage_shows_when_it_moves_and_only_then() -> None:
    assert identify_pump(*staircase(0.25, 0.17, 0.5, 0.1, 0.01, 1)).voltage_verdict.kind == UNKNOWN
    records = [staircase(0.25, 0.17, 0.5, 0.1, 0.01, 1, volts) for volts in (11.8, 12.6, 13.8)]
    t = np.concatenate([r[0] + 1e4 * i for i, r in enumerate(records)])
    joined = identify_pump(t, *(np.concatenate([r[i] for r in records]) for i in (1, 2, 3)))
    assert joined.voltage_verdict.kind == GOOD and joined.voltage_power == pytest.approx(1.0, abs=0.2)


def test_fan_without_a_tachometer_cannot_be_told() -> None:
    t, duty, speed, volts = staircase(0.2, 0.12, 45.0, 0.0, 0.005, 1)
    assert identify_fan(t, duty, speed, volts).start_duty == pytest.approx(0.2, abs=0.012)
    blind = identify_fan(t, duty, np.full(t.size, nan), volts)
    assert blind.verdict.kind == UNKNOWN and "tachometer" in blind.verdict.reason and not isfinite(blind.at(0.5))


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (lambda t, d, r, v: (t, d, np.full(t.size, nan), v), "working sensors"),
        (lambda t, d, r, v: (t, d, np.full(t.size, 0.1), v), "stuck"),
        (lambda t, d, r, v: (t, d, np.zeros(t.size), v), "free to move"),
        (lambda t, d, r, v: (t, np.full(t.size, 0.5), r, v), "never changed"),
        (lambda t, d, r, v: (t[::-1], d, r, v), "backwards"),
        (lambda t, d, r, v: (t[:90], d[:90], r[:90], v[:90]), "free to move"),
        (lambda t, d, r, v: (t, d, r[::-1].copy(), v), "duty rises"),
    ],
)
def test_a_spoiled_staircase_says_what_is_wrong(change, word: str) -> None:
    curve = identify_pump(*change(*staircase(0.25, 0.17, 0.5, 0.1, 0.01, 1)))
    assert curve.verdict.kind != GOOD and word in curve.verdict.reason, curve.verdict.reason


def test_bucket_alone_gives_a_line_and_says_what_it_cannot_show() -> None:
    curve = identify_pump_by_bucket([Bucket(0.4, 12.0, 0.1), Bucket(1.0, 12.0, 0.4)], 0.26)
    assert curve.at(0.7) == pytest.approx(0.25)
    assert not isfinite(curve.run_duty) and "stopping" in curve.verdict.reason
    assert identify_pump_by_bucket([Bucket(0.4, 12.0, 0.1)], 0.26).verdict.kind == REPEAT
    assert identify_pump_by_bucket([Bucket(0.4, 12.0, 0.4), Bucket(1.0, 12.0, 0.1)], 0.26).verdict.kind == REPEAT
    assert identify_pump_by_bucket([Bucket(0.4, 12.0, nan), Bucket(1.0, 12.0, -1.0)], nan).verdict.kind == REPEAT


def test_bucket_and_meter_meet_by_their_weights_and_quarrel_aloud() -> None:
    curve = identify_pump(*staircase(0.25, 0.17, 0.5, 0.0, 0.005, 1))
    seen = curve.at(0.6)
    better = corrected_by_bucket(curve, [Bucket(0.6, 12.0, 1.03 * seen)])
    assert 1.0 < better.at(0.6) / seen < 1.02
    assert better.reading_sd[-1] < curve.reading_sd[-1]
    assert corrected_by_bucket(curve, [Bucket(0.6, 12.0, 1.4 * seen)]).verdict.kind == REPEAT
    assert corrected_by_bucket(curve, [Bucket(0.6, 12.0, -1.0)]) == curve


# --- probes


@settings(max_examples=30, deadline=None)
@given(st.floats(-1.5, 1.5), st.integers(0, 10**6))
def test_probes_are_matched_within_their_uncertainty(offset_k: float, seed: int) -> None:
    chance = np.random.default_rng(seed)
    t = np.arange(0.0, 300.0, 5.0)
    a = np.round((12.0 + chance.normal(0.0, 0.05, t.size)) / 0.0625) * 0.0625
    b = np.round((12.0 + offset_k + chance.normal(0.0, 0.05, t.size)) / 0.0625) * 0.0625
    b[7] = 85.0
    match = match_probes(t, a, b)
    assert match.verdict.kind == GOOD
    assert abs(match.offset_k - offset_k) < 4.0 * match.offset_sd_k and match.offset_sd_k < 0.05


def test_raw_probes_and_matched_probes_in_terms_of_heat() -> None:
    """Two probes of +-0.5 K (even) make 26 % at 3 K with a meter of 3 %; matched within 0.1 K they make under 5 %."""
    raw = np.hypot(np.sqrt(2.0) * 0.5 / 3.0 * 1.05, 0.03)
    matched = np.hypot(0.1 / 3.0, 0.03)
    assert 0.22 < raw < 0.28 and matched == pytest.approx(0.045, abs=0.003)
    t = np.arange(0.0, 300.0, 5.0)
    noise = np.random.default_rng(1).normal(0.0, 0.05, (2, t.size))
    assert match_probes(t, 12.0 + noise[0], 12.4 + noise[1]).offset_sd_k < 0.1


TT = np.arange(0.0, 300.0, 5.0)
FLAT = 12.0 + np.random.default_rng(2).normal(0.0, 0.05, TT.size)


@pytest.mark.parametrize(
    ("a", "b", "kind", "word"),
    [
        (FLAT, FLAT + 8.0, UNKNOWN, "same temperature"),
        (FLAT, FLAT + 0.01 * TT, REPEAT, "longer rest"),
        (FLAT, np.full(TT.size, nan), UNKNOWN, "not fitted"),
        (np.full(TT.size, nan), FLAT, REPEAT, "working sensors"),
        (12.0 + 0.001 * TT, np.full(TT.size, 12.0), REPEAT, "longer rest"),
        (12.0 + 0.0002 * TT, np.full(TT.size, 12.0), UNKNOWN, "stuck"),
    ],
)
def test_probes_that_cannot_be_matched(a, b, kind: str, word: str) -> None:
    match = match_probes(TT, a, b)
    assert match.verdict.kind == kind and word in match.verdict.reason


# --- coil


def test_effectiveness_by_hand() -> None:
    """NTU 1: 1 - 1/e = 0.632 (any heat-transfer text, exchanger with one side of even temperature)."""
    assert effectiveness(0.1 * WATER_J_KG_K, 0.1) == pytest.approx(0.6321, abs=1e-4)
    assert effectiveness(100.0, 0.0) == 1.0
    assert ua_from_effectiveness(0.1, 60.0, 10.0 + 50.0 * 0.63212, 10.0) == pytest.approx(0.1 * WATER_J_KG_K, rel=1e-4)
    assert not isfinite(ua_from_effectiveness(0.1, 60.0, 61.0, 10.0))


def coil_draw(ua: float, kg: float, flow: float, bed: float, volumes: float, lag_s: float, noise: float, seed: int):
    """Plug flow, exactly: each parcel comes nearer to the bed by exp(-UA residence / (M cp)); both probes lag."""
    t = np.arange(0.0, volumes * kg / flow + 60.0, 2.0)
    m = np.where(t >= 20.0, flow, 0.0)
    inlet = 14.0 + 10.0 * np.clip((t - 300.0) / 300.0, 0.0, 1.0)
    entered = t - kg / flow
    came = np.interp(entered, t, inlet)
    resided = np.minimum(kg / flow, np.maximum(t - 20.0, 0.0))
    outlet = bed - (bed - came) * np.exp(-ua * resided / (kg * WATER_J_KG_K))
    supply = np.where(t < 20.0, 13.0, np.where(entered < 20.0, bed, outlet))
    chance = np.random.default_rng(seed)
    return (
        t,
        m,
        _lag(supply, lag_s) + chance.normal(0, noise, t.size),
        _lag(inlet, lag_s) + chance.normal(0, noise, t.size),
    )


def _lag(x, lag_s: float):
    out, now = np.empty_like(x), x[0]
    for k, value in enumerate(x):
        now += (value - now) * -np.expm1(-2.0 / lag_s)
        out[k] = now
    return out


@pytest.mark.parametrize(("ua", "kg", "flow"), [(250.0, 40.0, 0.1), (420.0, 50.0, 0.15), (700.0, 80.0, 0.2)])
def test_coil_of_a_plug_flow_record_by_tape(ua: float, kg: float, flow: float) -> None:
    """A model of other equations than the one fitted: no mixing along the coil at all, no cooling of the bed."""
    found = identify_coil(*coil_draw(ua, kg, flow, 62.0, 2.5, 20.0, 0.05, 1), coil_kg=kg, probe_lag_s=20.0)
    assert found.bed_c == pytest.approx(62.0, abs=1.0)
    if found.verdict.kind == GOOD:
        assert found.ua_w_k == pytest.approx(ua, rel=0.15)
    else:
        assert found.verdict.kind in (REPEAT, UNKNOWN)
    assert found.ua_w_k == pytest.approx(ua, rel=0.3)


def test_a_draw_too_short_or_without_return_probe_shows_no_coil() -> None:
    t, m, supply, back = coil_draw(400.0, 50.0, 0.15, 62.0, 0.8, 20.0, 0.05, 1)
    assert "not all passed" in identify_coil(t, m, supply, back, coil_kg=50.0).verdict.reason
    assert identify_coil(t, m, supply, np.full(t.size, nan)).verdict.kind == UNKNOWN
    assert identify_coil(t, 0.0 * m, supply, back).verdict.kind == REPEAT
    assert identify_coil(t, m, np.full(t.size, 16.0), back).verdict.kind == UNKNOWN
    assert identify_coil(t[::-1], m, supply, back).verdict.kind == UNKNOWN
    assert identify_coil([], [], [], []).verdict.kind != GOOD


# --- no float makes any of them raise

FLOATS = st.lists(st.floats(allow_nan=True, allow_infinity=True), min_size=0, max_size=40)


@settings(max_examples=60, deadline=None)
@given(FLOATS, FLOATS, FLOATS)
def test_no_floats_raise(a, b, c) -> None:
    n = min(len(a), len(b), len(c))
    t = np.arange(float(n)) * 5.0
    results = (
        identify_dead_time(a[:n], b[:n], c[:n]), identify_dead_time(t, b[:n], c[:n]), identify_decay(t, b[:n]),
        identify_pump(t, a[:n], b[:n], c[:n]), identify_fan(t, a[:n], b[:n], c[:n]), match_probes(t, b[:n], c[:n]),
        identify_coil(t, a[:n], b[:n], c[:n]),
    )  # fmt: skip
    assert all(found.verdict.kind in (GOOD, REPEAT, UNKNOWN) and found.verdict.reason for found in results)
