"""The time constant with which a temperature settles after a start: drum, coil and the material around it."""

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

LEAST_ROWS = 12
NAN = float("nan")
MOST_SD = 0.25  # of the time constant


class Decay(NamedTuple):
    """Temperature settling as final_c + (first_c - final_c) exp(-t / lag_s), with uncertainties; NaN: not told."""

    lag_s: float
    lag_sd_s: float
    first_c: float
    final_c: float
    verdict: Verdict


def identify_decay(time_s: ArrayLike, temperature_c: ArrayLike) -> Decay:
    """Fit one exponential to a temperature that settles under constant conditions; columns (n,) in s and degC.

    Separable least squares: both temperatures in closed form for each time constant on a fine logarithmic grid.
    """
    try:
        t, y = usable_rows(LEAST_ROWS, time_s, temperature_c)
        kept = clear_of_spikes(y)
        t, y = t[kept] - t[kept][0], y[kept]
        if np.ptp(y) < 8.0 * max(noise_sd(y), 1e-9):
            raise Spoiled(cannot_tell("the temperature hardly moved"))
        return _fitted(t, y)
    except Spoiled as spoiled:
        return Decay(NAN, NAN, NAN, NAN, spoiled.verdict)


def _fitted(t: Floats, y: Floats) -> Decay:
    span = float(t[-1])
    lags = np.geomspace(0.01 * span, 20.0 * span, 800)
    errors = np.array([_solved(t, y, lag)[2] for lag in lags])
    best = int(errors.argmin())
    lag, (jump, final, error) = float(lags[best]), _solved(t, y, float(lags[best]))
    slope = jump * np.exp(-t / lag) * t / lag**2
    base = np.column_stack([np.exp(-t / lag), np.ones(t.size), slope])
    rest = y - base[:, :2] @ (jump, final)
    variance = error / max(t.size - 3, 1) * hanging_together(rest)
    sd = float(np.sqrt(max(np.linalg.pinv(base.T @ base)[2, 2] * variance, 0.0)))
    return Decay(lag, sd, float(jump + final), float(final), _judged(lag, sd, span))


def _solved(t: Floats, y: Floats, lag_s: float) -> tuple[float, float, float]:
    x = np.exp(-t / lag_s)
    x_c, y_c = x - x.mean(), y - y.mean()
    jump = float(x_c @ y_c) / max(float(x_c @ x_c), 1e-18)
    rest = y_c - jump * x_c
    return jump, float(y.mean() - jump * x.mean()), float(rest @ rest)


def _judged(lag_s: float, sd_s: float, span_s: float) -> Verdict:
    if lag_s > 5.0 * span_s:
        return cannot_tell("the record shows a straight line: it ended long before the temperature settled")
    if not sd_s < MOST_SD * lag_s or lag_s > 1.5 * span_s:
        return repeat_with(f"a longer record: {max(3.0 * lag_s, 2.0 * span_s) / 60.0:.0f} minutes would do")
    return good(f"settles with a time constant of {lag_s / 60.0:.1f} min")
