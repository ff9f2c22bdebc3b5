"""What a staircase of duties shows of a pump or fan: where it starts, where it stops, its curve, its hysteresis."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from controller.identify.verdict import Floats, Spoiled, Verdict, cannot_tell, good, repeat_with, usable_rows

NOMINAL_V = 12.0
LOW_V, HIGH_V = 6.0, 20.0  # outside: no voltage of a 12 V battery
LOOSE_SD = 0.15  # of a level's mean: a reading is false
WIDE_SD = 0.04  # of a level's mean: more scatter than this is no curve
STILL_SHARE = 0.003  # of the largest reading: below, the motor stands
LEAST_LEVELS = 3
VOLTAGE_SPAN_V = 0.5


class Level(NamedTuple):
    """Mean reading while one duty was held. ``drive`` is duty times volts over 12 V: what the motor sees, 0..2."""

    duty: float
    drive: float
    mean: float
    sd: float
    settled: bool


class MotorCurve(NamedTuple):
    """What the staircase showed; NaN where it did not.

    ``start_duty`` is the smallest duty tried that started the motor from rest at 12 V and ``run_duty`` the smallest that
    kept it turning; ``start_sd_duty`` and ``run_sd_duty`` come from the width of the steps. ``drive`` and ``reading``
    are the curve, rising; ``reading_sd`` its standard uncertainties in the reading's unit.
    ``voltage_power`` is k in drive = duty (V / 12)^k.
    """

    start_duty: float
    start_sd_duty: float
    run_duty: float
    run_sd_duty: float
    drive: tuple[float, ...]
    reading: tuple[float, ...]
    reading_sd: tuple[float, ...]
    voltage_power: float
    voltage_power_sd: float
    verdict: Verdict
    voltage_verdict: Verdict

    @property
    def hysteresis_duty(self) -> float:
        """By how much starting needs more than running."""
        return self.start_duty - self.run_duty

    def at(self, duty: float, volts: float = NOMINAL_V) -> float:
        """Return the reading of the turning motor at a duty, between the levels in straight lines.

        Below the lowest level the line through the lowest two goes on down to nothing; above the highest it stays.
        """
        if not self.drive:
            return float("nan")
        drive = duty * volts / NOMINAL_V
        if drive < self.drive[0] and len(self.drive) > 1:
            slope = (self.reading[1] - self.reading[0]) / (self.drive[1] - self.drive[0])
            return max(0.0, self.reading[0] - slope * (self.drive[0] - drive))
        return float(np.interp(drive, self.drive, self.reading))


def no_curve(verdict: Verdict) -> MotorCurve:
    """Return a curve that shows nothing but why."""
    nan = float("nan")
    return MotorCurve(nan, nan, nan, nan, (), (), (), nan, nan, verdict, verdict)


def levels_of(time_s: Floats, duty: Floats, reading: Floats, volts: Floats, settle_s: float) -> list[Level]:
    """Return the mean of ``reading`` over the later half of each stretch of constant duty.

    A stretch shorter than ``settle_s`` [s] shows whether the motor moves, but is not counted as settled.
    """
    found: list[Level] = []
    for rows in _stretches(duty):
        lasted_s = time_s[rows[-1]] - time_s[rows[0]]
        late = rows[time_s[rows] - time_s[rows[0]] >= 0.5 * lasted_s]
        seen = reading[late]
        middle = float(np.median(seen))
        scale = float(np.median(np.abs(seen - middle))) / 0.6745
        kept = seen[np.abs(seen - middle) <= 4.0 * scale + 0.02 * abs(middle)]
        kept = kept if kept.size else seen
        sd = float(kept.std(ddof=1) / np.sqrt(kept.size)) if kept.size > 1 else 0.05 * abs(middle)
        drive = float(duty[rows[0]] * volts[late].mean() / NOMINAL_V)
        found.append(Level(float(duty[rows[0]]), drive, float(kept.mean()), sd, bool(lasted_s >= settle_s)))
    return found


def _stretches(duty: Floats) -> Iterator[np.ndarray]:
    edges = np.flatnonzero(np.abs(np.diff(duty)) > 1e-6) + 1
    yield from np.split(np.arange(duty.size), edges)


def identify_motor(
    time_s: ArrayLike,
    duty: ArrayLike,
    reading: ArrayLike,
    volts: ArrayLike,
    settle_s: float,
    sensor: str,
    medium: str,
    least: float,
) -> MotorCurve:
    """Return the curve from a record: duty up in steps from rest, then down until the motor stands.

    All columns are (n,): time [s], duty 0..1, what the ``sensor`` reads of the ``medium``'s motion (any unit, 0 at rest)
    and battery voltage (NaN: 12 V is taken). ``settle_s``: steps shorter than this do not count for the curve.
    ``least`` is the smallest reading that is motion and not noise.
    """
    try:
        return _identified(time_s, duty, reading, volts, settle_s, sensor, medium, least)
    except Spoiled as spoiled:
        return no_curve(spoiled.verdict)


def _identified(
    time_s: ArrayLike,
    duty: ArrayLike,
    reading: ArrayLike,
    volts: ArrayLike,
    settle_s: float,
    sensor: str,
    medium: str,
    least: float,
) -> MotorCurve:
    supply = np.asarray(volts, dtype=np.float64).ravel()
    supply = np.where((supply > LOW_V) & (supply < HIGH_V), supply, NOMINAL_V)
    t, d, r, v = usable_rows(6, time_s, duty, reading, supply)
    if np.ptp(d) < 0.02:
        raise Spoiled(cannot_tell("the duty never changed"))
    if np.ptp(r) <= 1e-9 and abs(r[0]) > 0.0:
        raise Spoiled(cannot_tell(f"the {sensor} reads the same at every duty: it is stuck"))
    levels = levels_of(t, d, r, v, settle_s)
    still = max(STILL_SHARE * max((level.mean for level in levels), default=0.0), least)
    turning = [level for level in levels if level.mean > max(still, 0.0) and level.duty > 0.0]
    if not turning:
        raise Spoiled(repeat_with(f"the {medium} free to move: the {sensor} saw none at any duty"))
    start, start_sd = _threshold(levels, still, starting=True)
    run, run_sd = _threshold(levels, still, starting=False)
    curve = _merged([level for level in turning if level.settled and level.sd <= LOOSE_SD * level.mean])
    if not curve:
        raise Spoiled(repeat_with("longer steps: none was held long enough"))
    power, power_sd, voltage_verdict = _voltage_power(d, r, v, still)
    drives, means, sds = (tuple(float(x) for x in column) for column in zip(*curve, strict=True))
    verdict = _judged(levels, curve, start, run, sensor)
    return MotorCurve(start, start_sd, run, run_sd, drives, means, sds, power, power_sd, verdict, voltage_verdict)


def _threshold(levels: list[Level], still: float, *, starting: bool) -> tuple[float, float]:
    """Smallest drive that starts (going up from rest) or keeps turning (going down), and its uncertainty."""
    best = (float("nan"), float("nan"))
    for before, now in zip(levels, levels[1:], strict=False):
        stood, turns = before.mean <= still, now.mean > still
        if starting and now.duty > before.duty and stood and turns:
            return now.drive, (now.drive - before.drive) / np.sqrt(12.0)
        if not starting and now.duty < before.duty and not stood and not turns:
            best = (before.drive, (before.drive - now.drive) / np.sqrt(12.0))
    return best


def _merged(turning: list[Level]) -> list[tuple[float, float, float]]:
    """Join levels of nearly the same drive, weighted by their certainty: (drive, mean, sd), rising."""
    merged: list[list[Level]] = []
    for level in sorted(turning, key=lambda one: one.drive):
        if merged and level.drive - merged[-1][0].drive < 0.008:
            merged[-1].append(level)
        else:
            merged.append([level])
    curve = []
    for group in merged:
        weight = np.array([1.0 / max(level.sd, 0.003 * level.mean) ** 2 for level in group])
        drive = float(np.average([level.drive for level in group], weights=weight))
        curve.append((drive, float(np.average([g.mean for g in group], weights=weight)), float(weight.sum() ** -0.5)))
    return curve


def _judged(
    levels: list[Level], curve: list[tuple[float, float, float]], start: float, run: float, sensor: str
) -> Verdict:
    if len(curve) < LEAST_LEVELS:
        return repeat_with(f"more steps: only {len(curve)} duties moved anything")
    steps = np.diff([mean for _, mean, _ in curve])
    noise = 4.0 * np.hypot([sd for *_, sd in curve][1:], [sd for *_, sd in curve][:-1])
    if np.any(steps < -noise - 0.02 * curve[-1][1]):
        return repeat_with(f"a steady supply: the {sensor} falls where the duty rises")
    if max(sd / mean for _, mean, sd in curve if mean > 0.2 * curve[-1][1]) > WIDE_SD:
        return repeat_with(f"longer steps: the {sensor} scatters by more than {100 * WIDE_SD:.0f} %")
    if start != start:
        return repeat_with("a start from rest: the record does not show where the motor starts")
    if run != run:
        return repeat_with("finer steps down to a standstill: the record does not show where the motor stops")
    return good(f"{len(levels)} steps, starts at {start:.2f}, runs down to {run:.2f}")


def _voltage_power(duty: Floats, reading: Floats, volts: Floats, still: float) -> tuple[float, float, Verdict]:
    """Fit k in drive = duty (V / 12)^k by least squares: for each k on a grid a parabola through all readings."""
    nan, rows = float("nan"), reading > max(still, 0.0)
    d, r, v = duty[rows], reading[rows], volts[rows]
    if d.size < 12 or np.ptp(v) < VOLTAGE_SPAN_V:
        return nan, nan, cannot_tell("the battery voltage hardly moved; the duty is taken to count in proportion to it")
    powers = np.linspace(-0.5, 2.5, 121)
    errors = np.array([_parabola_error(d * (v / NOMINAL_V) ** k, r) for k in powers])
    best = int(errors.argmin())
    if best in (0, powers.size - 1):
        return nan, nan, cannot_tell("no plausible dependence on the voltage fits the readings")
    noise = errors[best] / max(d.size - 4, 1)
    bend = (errors[best - 1] - 2.0 * errors[best] + errors[best + 1]) / (powers[1] - powers[0]) ** 2
    sd = float(np.sqrt(2.0 * noise / bend)) if bend > 0.0 else nan
    if not sd < 0.3:
        return nan, nan, cannot_tell("the readings scatter more than the voltage changes them")
    return float(powers[best]), max(sd, 0.0125), good(f"seen over {np.ptp(v):.1f} V")


def _parabola_error(drive: Floats, reading: Floats) -> float:
    base = np.vander(drive, 3) / reading[:, None]
    fit = np.linalg.lstsq(base, np.ones(drive.size), rcond=None)[0]
    return float(np.sum((base @ fit - 1.0) ** 2) * np.mean(reading) ** 2)
