"""Gain, lag and dead time of a process from its answer to steps.

Separable least squares (variable projection; Golub and Pereyra, SIAM J. Numer. Anal. 10 (1973) 413): for each pair of
dead time and lag the best gain and starting level follow in closed form, so only two numbers are searched, on a grid that
is drawn in around the best point.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from controller.identify.verdict import (
    Floats,
    Spoiled,
    Verdict,
    cannot_tell,
    clear_of_spikes,
    good,
    hanging_together,
    noise_sd,
    repeat_with,
    usable_rows,
)
from controller.tuning_rules import Process

LEAST_ROWS = 12
MOST_STEPS = 40
CLEAR = 6.0  # the answer must be this many times its noise
GRID, ZOOMS = 25, 7
NAN = float("nan")


class DeadTimeFit(NamedTuple):
    """First order plus dead time with standard uncertainties; NaN where nothing could be told.

    ``gain`` in output per input, times in s, ``level`` the output before the first step. The uncertainties come from the
    residuals, made wider for residuals that hang together, and hold the width of the sampling step.
    """

    gain: float
    gain_sd: float
    lag_s: float
    lag_sd_s: float
    delay_s: float
    delay_sd_s: float
    level: float
    residual_sd: float
    verdict: Verdict

    @property
    def process(self) -> Process:
        """What the tuning rules take."""
        return Process(self.gain, self.lag_s, self.delay_s)


def identify_dead_time(time_s: ArrayLike, given: ArrayLike, answer: ArrayLike, least_lag_s: float = 0.5) -> DeadTimeFit:
    """Fit ``answer`` to the steps of ``given``; columns (n,), time in s, ``given`` held from each row to the next.

    At most 40 steps; the process must be near rest at the first of them.
    """
    try:
        t, u, y = usable_rows(LEAST_ROWS, time_s, given, answer)
        at_s, size = steps_of(t, u)
        kept = clear_of_spikes(y)
        if kept.sum() < LEAST_ROWS:
            raise Spoiled(repeat_with("a quieter sensor: most readings are spikes"))
        return _fitted(t[kept] - at_s[0], y[kept], at_s - at_s[0], size, least_lag_s)
    except Spoiled as spoiled:
        return no_fit(spoiled.verdict)


def no_fit(verdict: Verdict) -> DeadTimeFit:
    """A fit that shows nothing but why."""
    return DeadTimeFit(NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, verdict)


def steps_of(t: Floats, u: Floats) -> tuple[Floats, Floats]:
    """Times [s] and sizes of the steps in ``u``; raises `Spoiled` when there is none, or more than 40."""
    change = np.diff(u)
    rows = np.flatnonzero(np.abs(change) > 1e-9)
    if not rows.size:
        raise Spoiled(cannot_tell("what was given never changed: there is nothing to answer to"))
    if rows.size > MOST_STEPS:
        raise Spoiled(cannot_tell("what was given wanders instead of stepping"))
    return t[rows + 1], change[rows]


def _fitted(t: Floats, y: Floats, at_s: Floats, size: Floats, least_lag_s: float) -> DeadTimeFit:
    after_s = float(t[-1])
    clear_answer(t, y)
    delay, lag = _searched(t, y, at_s, size, after_s, least_lag_s)
    return _with_uncertainty(t, y, at_s, size, delay, lag, after_s, least_lag_s)


def clear_answer(t: Floats, y: Floats) -> None:
    """Raise `Spoiled` where nothing can be seen: too few rows after the step at 0, or no answer above the noise."""
    if np.count_nonzero(t > 0.0) < LEAST_ROWS // 2:
        raise Spoiled(repeat_with("a longer record after the step"))
    if np.ptp(y) <= 1e-12:
        raise Spoiled(cannot_tell("the answer never changed: the sensor is stuck or the step did not reach it"))
    if np.ptp(y) < CLEAR * noise_sd(y):
        raise Spoiled(repeat_with("a larger step: the answer does not stand out of the noise"))


def unit_answer(t: Floats, at_s: Floats, size: Floats, delay_s: float, lag_s: float) -> Floats:
    """Answer of a unit-gain first order lag with dead time to steps of ``size`` at ``at_s``, at times ``t``. (n,)"""
    since = t[:, None] - at_s[None, :] - delay_s
    return np.asarray((size * -np.expm1(-np.maximum(since, 0.0) / lag_s)).sum(axis=1))


def _searched(
    t: Floats, y: Floats, at_s: Floats, size: Floats, after_s: float, least_lag_s: float
) -> tuple[float, float]:
    low_d, high_d = 0.0, 0.6 * after_s
    low_l, high_l = np.log(least_lag_s), np.log(max(3.0 * after_s, 2.0 * least_lag_s))
    best = (0.0, 1.0)
    for _ in range(ZOOMS):
        delays, lags = np.linspace(low_d, high_d, GRID), np.linspace(low_l, high_l, GRID)
        errors = [[_error(t, y, at_s, size, float(d), float(np.exp(lag))) for lag in lags] for d in delays]
        i, j = np.unravel_index(int(np.argmin(errors)), (GRID, GRID))
        best = (float(delays[i]), float(np.exp(lags[j])))
        reach_d, reach_l = 3.0 * (delays[1] - delays[0]), 3.0 * (lags[1] - lags[0])
        low_d, high_d = max(0.0, delays[i] - reach_d), delays[i] + reach_d
        low_l, high_l = max(np.log(least_lag_s), lags[j] - reach_l), lags[j] + reach_l
    return best


def _error(t: Floats, y: Floats, at_s: Floats, size: Floats, delay_s: float, lag_s: float) -> float:
    x = unit_answer(t, at_s, size, delay_s, lag_s)
    x_c, y_c = x - x.mean(), y - y.mean()
    power = float(x_c @ x_c)
    fit = float(x_c @ y_c) / power if power > 1e-18 else 0.0
    rest = y_c - fit * x_c
    return float(rest @ rest)


def _with_uncertainty(
    t: Floats, y: Floats, at_s: Floats, size: Floats, delay: float, lag: float, after_s: float, least_lag_s: float
) -> DeadTimeFit:
    base = np.column_stack([unit_answer(t, at_s, size, delay, lag), np.ones(t.size)])
    gain, level = np.linalg.lstsq(base, y, rcond=None)[0]
    rest = y - base @ (gain, level)
    tick = float(np.median(np.diff(t)))
    step_d, step_l = max(0.02 * lag, 0.25 * tick), 0.02 * lag
    slopes = np.column_stack([
        base,
        gain * (unit_answer(t, at_s, size, delay + step_d, lag) - unit_answer(t, at_s, size, delay - step_d, lag))
        / (2.0 * step_d),
        gain * (unit_answer(t, at_s, size, delay, lag + step_l) - unit_answer(t, at_s, size, delay, lag - step_l))
        / (2.0 * step_l),
    ])  # fmt: skip
    spread = float(rest @ rest) / max(t.size - 4, 1) * hanging_together(rest)
    sd = np.sqrt(np.maximum(np.diag(spread * np.linalg.pinv(slopes.T @ slopes)), 0.0))
    delay_sd = float(np.hypot(sd[2], tick / np.sqrt(12.0)))
    found = DeadTimeFit(
        float(gain), float(sd[0]), lag, float(np.hypot(sd[3], tick / np.sqrt(12.0))), delay, delay_sd,
        float(level), float(np.sqrt(rest @ rest / t.size)), good("")
    )  # fmt: skip
    return found._replace(verdict=_judged(found, after_s, tick, least_lag_s, float(np.ptp(y))))


def _judged(f: DeadTimeFit, after_s: float, tick: float, least_lag_s: float, span: float) -> Verdict:
    if f.lag_s > 2.5 * after_s or f.delay_s > 0.58 * after_s:
        return repeat_with("a longer record: the answer had hardly begun when it ended")
    if f.residual_sd > 0.2 * span:
        return cannot_tell("the answer does not follow the step: something else moved it")
    if f.gain_sd > 0.2 * abs(f.gain) or f.lag_sd_s > 0.25 * f.lag_s + tick:
        return repeat_with("a longer record or a larger step: gain and lag still trade against each other")
    if f.delay_sd_s > tick + 0.1 * f.delay_s + 0.02 * f.lag_s:
        return repeat_with("a quieter sensor or a larger step: the dead time is uncertain")
    return good(f"dead time {f.delay_s:.0f} s, lag {f.lag_s:.0f} s")
