"""Dead time and lag of a process with two lags in series, such as water washed out at a probe that lags itself.

One lag and a dead time cannot follow two lags that are nearly equal: their fit makes the dead time too short and the lag too
long. So both lags are fitted, and the half rule (Skogestad, J. Process Control 13 (2003) 291) reduces them. Gain and
level follow in closed form (variable projection), the rest by damped Gauss-Newton steps (Marquardt 1963).
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from controller.identify.dead_time import LEAST_ROWS, DeadTimeFit, clear_answer, no_fit, steps_of
from controller.identify.verdict import (
    Floats,
    Spoiled,
    Verdict,
    cannot_tell,
    clear_of_spikes,
    good,
    hanging_together,
    repeat_with,
    usable_rows,
)

ROUNDS = 60
LEAST_LAG_S = 0.5
FIRST_GUESSES = ((0.25, 0.1), (0.2, 0.2), (0.5, 0.05))  # of the record after the step
SHAPE_SD = 0.02  # of the product of both lags: no lag of a pipe or a probe is quite of first order (own judgement)
RISEN = 0.1  # of the answer: the step of a first guess


class TwoLags(NamedTuple):
    """``at`` is start [s] and the logarithms of both lags; ``covariance`` that of these; gain, level and residuals."""

    at: Floats
    covariance: Floats
    gain: float
    gain_sd: float
    level: float
    rest: Floats

    @property
    def lags_s(self) -> tuple[float, float]:
        """The longer lag and the shorter one [s]."""
        one, two = (float(x) for x in np.exp(self.at[1:]))
        return max(one, two), min(one, two)


def identify_two_lags(time_s: ArrayLike, given: ArrayLike, answer: ArrayLike) -> DeadTimeFit:
    """Fit ``answer`` to the steps of ``given`` and reduce it to one lag and dead time; as `identify_dead_time`.

    The instant of the step is taken to be known within a step of the record only: a motor starts somewhere in it.
    """
    try:
        t, u, y = usable_rows(LEAST_ROWS, time_s, given, answer)
        at_s, size = steps_of(t, u)
        kept = clear_of_spikes(y)
        if kept.sum() < LEAST_ROWS:
            raise Spoiled(repeat_with("a quieter sensor: most readings are spikes"))
        t, y = t[kept] - at_s[0], y[kept]
        clear_answer(t, y)
        found = _fitted(t, y, at_s - at_s[0], size)
        return _reduced(found, t, y)
    except Spoiled as spoiled:
        return no_fit(spoiled.verdict)


def unit_answer(t: Floats, at_s: Floats, size: Floats, start_s: float, lag_s: float, lag2_s: float) -> Floats:
    """Answer of two lags of unit gain to steps of ``size`` at ``at_s``, begun ``start_s`` later, at times ``t``. (n,)"""
    lag2_s = lag2_s if abs(lag_s - lag2_s) > 1e-3 * lag_s else lag_s * (1.0 - 1e-3)
    since = np.maximum(t[:, None] - at_s[None, :] - start_s, 0.0)
    fading = (lag_s * np.exp(-since / lag_s) - lag2_s * np.exp(-since / lag2_s)) / (lag_s - lag2_s)
    return np.asarray((size * (1.0 - fading)).sum(axis=1))


def _fitted(t: Floats, y: Floats, at_s: Floats, size: Floats) -> TwoLags:
    after_s, tick = float(t[-1]), float(np.median(np.diff(t)))
    low = np.array([-tick, np.log(LEAST_LAG_S), np.log(LEAST_LAG_S)])
    high = np.array([0.6 * after_s, np.log(3.0 * after_s), np.log(3.0 * after_s)])
    starts = [np.array([0.0, np.log(one * after_s), np.log(two * after_s)]) for one, two in FIRST_GUESSES]
    tries = [_descended(t, y, at_s, size, np.clip(start, low, high), low, high) for start in starts]
    at, rest = min(tries, key=lambda one: float(one[1] @ one[1]))
    spread = float(rest @ rest) / max(t.size - 5, 1) * hanging_together(rest)
    slopes = _slopes(t, y, at_s, size, at)
    base = np.column_stack([unit_answer(t, at_s, size, at[0], *np.exp(at[1:])), np.ones(t.size)])
    gain, level = np.linalg.lstsq(base, y, rcond=None)[0]
    every = np.column_stack([base, slopes])
    covariance = np.linalg.pinv(every.T @ every) * spread
    return TwoLags(at, covariance[2:, 2:], float(gain), float(covariance[0, 0] ** 0.5), float(level), rest)


def _descended(
    t: Floats, y: Floats, at_s: Floats, size: Floats, at: Floats, low: Floats, high: Floats
) -> tuple[Floats, Floats]:
    rest, damping = _rest(t, y, at_s, size, at), 1e-2
    for _ in range(ROUNDS):
        slopes = _slopes(t, y, at_s, size, at)
        normal = slopes.T @ slopes
        step = np.linalg.lstsq(normal + damping * np.diag(np.diag(normal) + 1e-12), slopes.T @ rest, rcond=None)[0]
        new = np.clip(at - step, low, high)
        new_rest = _rest(t, y, at_s, size, new)
        better = float(new_rest @ new_rest) < float(rest @ rest)
        gain = 1.0 - float(new_rest @ new_rest) / max(float(rest @ rest), 1e-18)
        at, rest, damping = (new, new_rest, 0.3 * damping) if better else (at, rest, 8.0 * damping)
        if (better and gain < 1e-7) or damping > 1e8:
            break
    return at, rest


def _rest(t: Floats, y: Floats, at_s: Floats, size: Floats, at: Floats) -> Floats:
    """What the best gain and level leave, (n,)."""
    x = unit_answer(t, at_s, size, float(at[0]), *np.exp(at[1:]))
    x_c, y_c = x - x.mean(), y - y.mean()
    power = float(x_c @ x_c)
    return np.asarray(y_c - (float(x_c @ y_c) / power if power > 1e-18 else 0.0) * x_c)


def _slopes(t: Floats, y: Floats, at_s: Floats, size: Floats, at: Floats) -> Floats:
    """How the residuals move with start and both logarithms, gain and level following. (n, 3)"""
    steps = np.diag([0.05, 0.01, 0.01])
    columns = [_rest(t, y, at_s, size, at + h) - _rest(t, y, at_s, size, at - h) for h in steps]
    return np.asarray(np.column_stack(columns) / (2.0 * np.diag(steps)))


def _reduced(found: TwoLags, t: Floats, y: Floats) -> DeadTimeFit:
    long_s, short_s = found.lags_s
    tick = float(np.median(np.diff(t)))
    short_sd_s = 0.5 * (_shorter(long_s, short_s, 1.0 + SHAPE_SD) - _shorter(long_s, short_s, 1.0 - SHAPE_SD))
    longer_first = found.at[1] >= found.at[2]
    to_delay = np.array([1.0, 0.0, 0.5 * short_s] if longer_first else [1.0, 0.5 * short_s, 0.0])
    to_lag = np.array([0.0, long_s, 0.5 * short_s] if longer_first else [0.0, 0.5 * short_s, long_s])
    # the shorter lag's own uncertainty has a bound: together both lags are well known
    by_noise_s = min(float(to_delay @ found.covariance @ to_delay) ** 0.5, 0.25 * (long_s - short_s) + tick)
    delay_sd = float(np.sqrt(by_noise_s**2 + (0.5 * short_sd_s) ** 2 + tick**2 / 12.0))
    lag_sd = float(np.sqrt(to_lag @ found.covariance @ to_lag + (0.5 * short_sd_s) ** 2 + tick**2 / 12.0))
    fit = DeadTimeFit(
        found.gain, found.gain_sd, long_s + 0.5 * short_s, lag_sd, max(float(found.at[0]) + 0.5 * short_s, 0.0),
        delay_sd, found.level, float(np.sqrt(np.mean(found.rest**2))), good("")
    )  # fmt: skip
    return fit._replace(verdict=_judged(fit, float(t[-1]), tick, float(np.ptp(y))))


def _shorter(long_s: float, short_s: float, factor: float) -> float:
    """The shorter of two lags of the same sum whose product is ``factor`` times as large [s]."""
    both, product = long_s + short_s, long_s * short_s * factor
    return 0.5 * (both - sqrt(max(both * both - 4.0 * product, 0.0)))


def _judged(f: DeadTimeFit, after_s: float, tick: float, span: float) -> Verdict:
    if f.lag_s > 2.5 * after_s or f.delay_s > 0.58 * after_s:
        return repeat_with("a longer record: the answer had hardly begun when it ended")
    if f.residual_sd > 0.2 * span:
        return cannot_tell("the answer does not follow the step: something else moved it")
    if f.gain_sd > 0.2 * abs(f.gain) or f.lag_sd_s > 0.25 * f.lag_s + tick:
        return repeat_with("a longer record or a larger step: gain and lag still trade against each other")
    if 2.0 * f.delay_sd_s > tick + 0.1 * f.delay_s + 0.02 * f.lag_s:
        return cannot_tell(
            f"two lags of nearly equal length are in the way: the dead time is {f.delay_s:.0f} s, give or take"
            f" {2.0 * f.delay_sd_s:.0f}"
        )
    return good(f"dead time {f.delay_s:.0f} s, lag {f.lag_s:.0f} s")
