"""The pump's curve, by flow meter or by bucket and watch."""

from __future__ import annotations

from math import isfinite
from typing import NamedTuple

from numpy.typing import ArrayLike

from controller.identify.motor import NOMINAL_V, MotorCurve, identify_motor, no_curve
from controller.identify.verdict import Verdict, cannot_tell, good, repeat_with

NAN = float("nan")
LEAST_KG_S = 5e-4
METER_SD = 0.02  # gain error of a pulse meter; makers' data, from memory
BUCKET_SD = 0.03  # ten litres and a watch; own judgement


class Bucket(NamedTuple):
    """One bucket check: duty and voltage while it filled, and the flow that came of it [kg/s]."""

    duty: float
    volts: float
    flow: float


def identify_pump(
    time_s: ArrayLike, duty: ArrayLike, flow_kg_s: ArrayLike, volts: ArrayLike, settle_s: float = 3.0
) -> MotorCurve:
    """Return the pump curve from a staircase seen by a flow meter; columns (n,) in s, 0..1, kg/s and V.

    The reading's uncertainty holds the meter's own gain error.
    """
    curve = identify_motor(time_s, duty, flow_kg_s, volts, settle_s, "flow meter", "water", LEAST_KG_S)
    return _with_gain_error(curve, METER_SD)


def identify_pump_by_bucket(buckets: list[Bucket], start_duty: float) -> MotorCurve:
    """Return the pump curve as the straight line through bucket checks at two or more duties.

    ``start_duty`` is the smallest duty at which the supply warmed, NaN if that is not known. Where it stops cannot be
    seen without a meter.
    """
    sane = [b for b in buckets if isfinite(b.flow) and b.flow > 0.0 and isfinite(b.duty) and b.duty > 0.0]
    points = sorted((b.duty * _volts(b.volts) / NOMINAL_V, b.flow) for b in sane)
    if len(points) < 2 or points[-1][0] - points[0][0] < 0.1:
        return no_curve(repeat_with("bucket checks at two duties that are well apart"))
    if not points[-1][1] > points[0][1]:
        return no_curve(repeat_with("another bucket check: more duty gave less water"))
    nan = float("nan")
    drives, flows = (tuple(column) for column in zip(*points, strict=True))
    sds = tuple(BUCKET_SD * flow for flow in flows)
    blind = cannot_tell("without a flow meter nothing shows where the pump stops")
    verdict = good(f"{len(points)} bucket checks, straight line between; stopping duty unknown")
    return MotorCurve(start_duty, 0.01, nan, nan, drives, flows, sds, nan, nan, verdict, blind)


class Meter(NamedTuple):
    """``scale`` is the true flow over what the meter reads, with its standard uncertainty; NaN: not told."""

    scale: float
    scale_sd: float
    verdict: Verdict


def meter_scale(curve: MotorCurve, buckets: list[Bucket]) -> Meter:
    """Return what bucket checks say of the meter behind ``curve``: the weighted mean of meter and buckets.

    Worse than 4 standard uncertainties apart: repeat.
    """
    ratios = [b.flow / curve.at(b.duty, _volts(b.volts)) for b in buckets if b.flow > 0.0 and curve.drive]
    if not ratios:
        return Meter(NAN, NAN, repeat_with("a bucket check: nothing else shows what the meter is off by"))
    ratio = sum(ratios) / len(ratios)
    bucket_sd = BUCKET_SD / len(ratios) ** 0.5
    apart = abs(ratio - 1.0) / (METER_SD**2 + bucket_sd**2) ** 0.5
    if not apart < 4.0:
        word = f"the meter and the bucket checked: they differ by {100.0 * abs(ratio - 1.0):.0f} %"
        return Meter(NAN, NAN, repeat_with(word))
    share = METER_SD**2 / (METER_SD**2 + bucket_sd**2)
    scale = 1.0 + share * (ratio - 1.0)
    sd = METER_SD * (1.0 - share) ** 0.5  # the common error shrinks
    return Meter(scale, sd, good(f"the meter reads {100.0 * abs(1.0 / scale - 1.0):.0f} % off, by bucket"))


def corrected_by_bucket(curve: MotorCurve, buckets: list[Bucket]) -> MotorCurve:
    """Return a metered curve brought to scale by `meter_scale`; the same curve without any bucket check."""
    if not any(b.flow > 0.0 for b in buckets) or not curve.drive:
        return curve
    meter = meter_scale(curve, buckets)
    if not meter.verdict.good:
        return curve._replace(verdict=meter.verdict)
    factor = meter.scale_sd / METER_SD
    return curve._replace(
        reading=tuple(r * meter.scale for r in curve.reading), reading_sd=tuple(s * factor for s in curve.reading_sd)
    )


def _with_gain_error(curve: MotorCurve, share: float) -> MotorCurve:
    sds = tuple((sd**2 + (share * r) ** 2) ** 0.5 for r, sd in zip(curve.reading, curve.reading_sd, strict=True))
    return curve._replace(reading_sd=sds)


def _volts(volts: float) -> float:
    return volts if 6.0 < volts < 20.0 else NOMINAL_V
