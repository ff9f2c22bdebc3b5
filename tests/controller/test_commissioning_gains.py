"""Gains from what a session found: the published rule, margins on other models than those fitted, honest refusals."""

from __future__ import annotations

from dataclasses import replace
from math import exp, isfinite, nan

import numpy as np
import pytest

from controller import ControllerSettings
from controller.commissioning_gains import coil_water, flow_gains, supply_gains
from controller.identify import Coil, DeadTimeFit, MotorCurve, ProbeLag
from controller.identify.coil import MORE_WATER, SEVERAL
from controller.identify.coil_answer import supply_answer
from controller.identify.pump import Bucket, identify_pump_by_bucket, meter_scale
from controller.identify.verdict import Verdict, cannot_tell, good, repeat_with
from controller.media import WATER_J_KG_K
from controller.pump import PumpCurve
from controller.tuning_rules import Gains, Process
from controller.water_loop import COLD_RETURN_C
from sim.tuning_loops import loops_of, margins_of

S = ControllerSettings()
PROBE = ProbeLag(25.0, 3.0)
GOOD = good("found")


def coil(ua: float = 350.0, kg: float = 50.0, sd: float = 0.08, verdict: Verdict = GOOD, tanks: int = 12) -> Coil:
    return Coil(ua, sd * ua, kg, 62.0, 7e-7, 0.1, verdict, tanks, 0.0)


@pytest.mark.parametrize("ua", [120.0, 350.0, 800.0])
@pytest.mark.parametrize("flow", [0.03, 0.0631])
def test_the_answer_has_the_slope_of_the_textbook_effectiveness(ua: float, flow: float) -> None:
    """T_out = T_bed - (T_bed - T_in) exp(-N), N = UA / m cp, so dT_out/dm = -rise / m  N / (exp(N) - 1)."""
    rise_k, step = 25.0, 0.2
    ntu = ua / (flow * WATER_J_KG_K)
    before, after = (1.0 - exp(-n) for n in (ntu, ntu / (1.0 + step)))
    exact = rise_k * (after / before - 1.0) / (step * flow)
    found = supply_answer(coil(ua), flow, rise_k, 25.0, 3.0)
    assert found.process.gain == pytest.approx(exact, rel=0.12)
    assert 0.1 < found.process.lag_s * flow / 50.0 < 1.2  # a part of the time that the water takes through the coil
    assert found.gain_sd >= 0.15 * abs(found.process.gain)


@pytest.mark.parametrize("ua", [150.0, 350.0, 700.0])
@pytest.mark.parametrize("kg", [25.0, 50.0, 90.0])
def test_supply_gains_keep_their_margins_on_the_textbook_coil(ua: float, kg: float) -> None:
    """A plant of one lag with the textbook slope and half the coil's passage as lag: none of the fitted model."""
    found = supply_gains(coil(ua, kg), PROBE, S)
    assert found.verdict.good and isfinite(found.gain) and found.gain_sd > 0.0
    target, rise_k = S.flow_target_kg_s, S.supply_target_c - COLD_RETURN_C
    loops = []
    for share in (1.0, 0.6, 0.35):
        flow = share * target
        ntu = ua / (flow * WATER_J_KG_K)
        plant = Process(-rise_k / flow * ntu / np.expm1(ntu), 0.4 * kg / flow, 0.05 * kg / flow, 25.0)
        gains = Gains(-found.gain * target, found.integral_s / share)
        loops.append((plant, gains))
    seen = margins_of(loops_of([p for p, _ in loops], [g for _, g in loops], 60.0))
    assert seen.stable.all() and seen.peak_sensitivity.max() <= 1.7


def test_a_coil_that_is_hardly_known_gives_slower_gains_and_an_unknown_one_none() -> None:
    sure, unsure = (supply_gains(coil(sd=sd, verdict=SEVERAL), PROBE, S) for sd in (0.05, 0.24))
    assert unsure.gain / unsure.integral_s < sure.gain / sure.integral_s
    assert supply_gains(coil(sd=0.24, verdict=MORE_WATER), PROBE, S).verdict.good
    for lost in (coil(sd=0.3, verdict=SEVERAL), coil(verdict=cannot_tell("no"))):
        found = supply_gains(lost, PROBE, S)
        assert found.verdict == lost.verdict and not isfinite(found.gain)


def curve(full_kg_s: float = 0.5, run: float = 0.15, sd: float = 0.015) -> MotorCurve:
    drive = tuple(float(x) for x in np.linspace(run, 1.05, 12))
    reading = tuple(full_kg_s * (d - 0.85 * run) / (1.0 - 0.85 * run) for d in drive)
    return MotorCurve(
        0.2, 0.003, run, 0.003, drive, reading, tuple(sd * r for r in reading), nan, nan, GOOD, cannot_tell("no")
    )


def answer(lag_s: float = 1.0, delay_s: float = 1.0, verdict: Verdict = GOOD) -> DeadTimeFit:
    return DeadTimeFit(1.0, 0.01, lag_s, 0.2, delay_s, 0.3, 0.0, 0.001, verdict)


@pytest.mark.parametrize("lag_s", [0.5, 1.0, 6.0])
@pytest.mark.parametrize("full", [0.2, 0.8])
def test_flow_gains_keep_their_margins_on_the_pump_that_was_found(lag_s: float, full: float) -> None:
    known = replace(S, pump_full_flow_kg_s=full, pump_run_duty=0.15, pump_start_duty=0.2)
    found = flow_gains(curve(full), answer(lag_s), known)
    slope = full / (1.0 - 0.85 * 0.15)
    gains = Gains(found.gain / PumpCurve(known).slope_kg_s, found.integral_s)
    seen = margins_of(loops_of([Process(1.2 * slope, lag_s, 1.0)], [gains], 10.0))
    assert seen.stable.all() and seen.peak_sensitivity[0] <= 1.7
    assert seen.gain_margin[0] >= 2.0


def test_flow_gains_are_refused_where_curve_or_answer_is_not_good() -> None:
    for pump, seen in (
        (curve()._replace(verdict=repeat_with("x")), answer()),
        (curve(), answer(verdict=cannot_tell("y"))),
    ):
        found = flow_gains(pump, seen, S)
        assert not found.verdict.good and not isfinite(found.gain)


def test_water_in_the_coil_by_draw_else_by_tape_else_not() -> None:
    lost = coil(sd=0.5, verdict=SEVERAL)
    assert coil_water(coil(kg=47.0), 0.0).kg == 47.0
    assert coil_water(lost, 40.0).kg == pytest.approx(44.0) and coil_water(lost, 40.0).sd_kg > 3.0
    assert not coil_water(lost, 0.0).verdict.good


def test_the_meter_is_weighed_against_the_bucket() -> None:
    """Meter 2 %, three buckets of 3 % each: the bucket's mean has 1.73 %, its weight 0.04 / (0.04 + 0.03) by hand."""
    line = identify_pump_by_bucket([Bucket(0.2, 12.0, 0.1), Bucket(1.0, 12.0, 0.5)], 0.2)
    found = meter_scale(line, [Bucket(d, 12.0, 1.05 * line.at(d)) for d in (0.3, 0.5, 0.9)])
    assert found.scale == pytest.approx(1.0 + 0.05 * 4.0 / 7.0, abs=1e-4)
    assert found.scale_sd == pytest.approx(0.02 * (3.0 / 7.0) ** 0.5, rel=1e-3)
    assert not meter_scale(line, []).verdict.good
    assert "differ by 40 %" in meter_scale(line, [Bucket(0.5, 12.0, 1.4 * line.at(0.5))]).verdict.reason
