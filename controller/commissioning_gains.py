"""Gains of both water loops from a session's findings, by the published rule; or why the old ones stay.

The rule is `controller.tuning_choice`: SIMC (Skogestad 2003), three dead times slow, one standard uncertainty cautious.
"""

from __future__ import annotations

from math import isfinite
from typing import NamedTuple

import numpy as np

from controller.identify import Coil, DeadTimeFit, MotorCurve, ProbeLag
from controller.identify.coil import MORE_WATER, SEVERAL, TAPE_SD, TAPE_SD_KG
from controller.identify.coil_answer import Answer, supply_answer
from controller.identify.coil_model import JOINT_KG, TURNS_KG
from controller.identify.verdict import Verdict, cannot_tell, good, repeat_with
from controller.pump import LONGEST_PI_STEP_S, PumpCurve
from controller.settings import ControllerSettings
from controller.tuning_choice import Rule, cautious_gains
from controller.water_loop import COLD_RETURN_C

SUPPLY_TICK_S = 60.0
FLOW_SHARES = (1.0, 0.6, 0.35)  # of the flow target: the loop's gains hold over these
LEAST_RISE_K = 5.0
MOST_UA_SD = 0.25  # of UA: what a loop needs to know of the coil; caution slows it by as much
NEAR = 0.25  # of the flow target: over so much the slope of the pump's curve is taken
VOLTAGE_SD = 0.1  # of the pump's slope, over a battery's day
NAN = float("nan")


class LoopGains(NamedTuple):
    """Gains of one loop in the settings' terms with standard uncertainties; NaN where the old ones stay, and why."""

    gain: float
    gain_sd: float
    integral_s: float
    integral_sd_s: float
    verdict: Verdict


class Water(NamedTuple):
    """Water from the return end of the coil to the supply probe, with its standard uncertainty [kg]; NaN: not told."""

    kg: float
    sd_kg: float
    verdict: Verdict


def coil_water(coil: Coil, tape_kg: float) -> Water:
    """The water in the coil: as fitted where the coil is known well enough, else by tape and what is usual beside it."""
    if _enough(coil).good:
        return Water(coil.coil_kg, TAPE_SD * coil.coil_kg, good("by the draw"))
    if tape_kg > 0.0:
        kg = tape_kg + TURNS_KG + JOINT_KG
        return Water(kg, float(np.hypot(TAPE_SD * tape_kg, TAPE_SD_KG)), good("by tape"))
    return Water(NAN, NAN, repeat_with("the litres in the coil by tape, or a longer draw"))


def old_gains(verdict: Verdict) -> LoopGains:
    """Nothing new, and why."""
    return LoopGains(NAN, NAN, NAN, NAN, verdict)


def flow_gains(pump: MotorCurve, answer: DeadTimeFit, settings: ControllerSettings) -> LoopGains:
    """Gain (share of a flow error) and integral time of the flow loop.

    ``answer`` is the metered flow's answer to the flow that the curve gives for the duty. ``settings`` hold the pump
    as it was learned, since the gain counts by the straight curve through it.
    """
    for verdict in (pump.verdict, answer.verdict):
        if not verdict.good:
            return old_gains(verdict)
    slope, slope_sd = _slope(pump, settings.flow_target_kg_s)
    if not slope > 0.0:
        return old_gains(repeat_with("a pump that reaches the flow target: its curve does not rise there"))
    process = answer.process._replace(gain=slope * answer.gain)
    gain_sd = process.gain * float(np.hypot(slope_sd / slope, VOLTAGE_SD))
    gains = cautious_gains(process, gain_sd, answer.lag_sd_s, answer.delay_sd_s, LONGEST_PI_STEP_S, Rule())
    wide = float(np.hypot(gain_sd / process.gain, answer.lag_sd_s / max(process.lag_s, answer.lag_sd_s)))
    share = gains.gain * PumpCurve(settings).slope_kg_s
    found = LoopGains(share, wide * share, gains.integral_s, answer.lag_sd_s, good("flow loop by SIMC"))
    return _bounded(found, settings, "flow_loop_gain", "flow_loop_integral_s")


def _slope(pump: MotorCurve, flow_kg_s: float) -> tuple[float, float]:
    """Slope of the curve [kg/s per duty] around a flow, or around the largest that the pump reached; and its uncertainty."""
    most = max(pump.reading)
    middle = min(flow_kg_s, most / (1.0 + NEAR))
    low, high = (1.0 - NEAR) * middle, (1.0 + NEAR) * middle
    drive = np.interp((low, high), pump.reading, pump.drive)
    rise = float(drive[1] - drive[0])
    if not rise > 0.0:
        return NAN, NAN
    sd = float(np.interp(middle, pump.reading, pump.reading_sd))
    return (high - low) / rise, 2.0**0.5 * sd / rise


def supply_gains(coil: Coil, probe: ProbeLag, settings: ControllerSettings) -> LoopGains:
    """Gain (share of the flow target per kelvin) and integral time of the supply loop at the flow target.

    They are for water warmed from `water_loop.COLD_RETURN_C`, as the controller takes them. One set must hold from the flow
    target down to a third of it.
    """
    verdict = _enough(coil)
    if not verdict.good:
        return old_gains(verdict)
    rise_k = max(settings.supply_target_c - COLD_RETURN_C, LEAST_RISE_K)
    target = settings.flow_target_kg_s
    answers = [supply_answer(coil, share * target, rise_k, probe.lag_s, probe.sd_s) for share in FLOW_SHARES]
    if not all(isfinite(a.process.gain) and a.process.gain < 0.0 and a.process.lag_s > 0.0 for a in answers):
        return old_gains(cannot_tell("the coil that was found would hardly answer to flow"))
    gain, integral_s = _for_all(answers, target)
    first = answers[0]
    wide = float(np.hypot(first.gain_sd / first.process.gain, first.lag_sd_s / first.process.lag_s))
    share = -gain / target
    found = LoopGains(share, wide * share, integral_s, first.lag_sd_s, good("supply loop by SIMC"))
    return _bounded(found, settings, "supply_loop_gain_per_k", "supply_loop_integral_s")


def _enough(coil: Coil) -> Verdict:
    """Whether the coil is known well enough for a loop, which needs less than the coil's own verdict."""
    if coil.verdict.good or (coil.verdict in (SEVERAL, MORE_WATER) and coil.ua_sd_w_k <= MOST_UA_SD * coil.ua_w_k):
        return good("known well enough")
    return coil.verdict


def _for_all(answers: list[Answer], target_kg_s: float) -> tuple[float, float]:
    """The weakest of the gains, and an integral time at the target that is long enough at each flow.

    The controller's integral runs slower in proportion at less flow (`water_loop`).
    """
    rows = [
        (
            a.flow_kg_s / target_kg_s,
            cautious_gains(a.process, a.gain_sd, a.lag_sd_s, a.delay_sd_s, SUPPLY_TICK_S, Rule()),
        )
        for a in answers
    ]
    weakest = max(gains.gain for _, gains in rows)  # they are negative
    return weakest, max(weakest / gains.integral_gain * share for share, gains in rows)


def _bounded(found: LoopGains, settings: ControllerSettings, gain: str, integral: str) -> LoopGains:
    """The gains within what the settings allow: slower if they must, never faster."""
    fields = settings.__dataclass_fields__
    low, high = (fields[gain].metadata[key] for key in ("low", "high"))
    shortest, longest = (fields[integral].metadata[key] for key in ("low", "high"))
    if not (found.gain >= low and found.integral_s <= longest):
        return old_gains(cannot_tell("the loop would have to be slower than the settings allow"))
    return found._replace(gain=min(found.gain, high), integral_s=max(found.integral_s, shortest))
