"""Matching probes to each other while nothing flows: only differences between them are seen, never a true value."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from controller.identify.verdict import Spoiled, Verdict, cannot_tell, good, noise_sd, repeat_with, usable_rows

LEAST_ROWS = 20
STILL_K_H = 1.0  # pipes that change faster may differ from each other
APART_K = 3.0  # probes of one pair are never so wrong: they sit in different temperatures
STUCK_ROWS = 30
STEP_K = 0.0625  # of a 12-bit digital probe
NAN = float("nan")


class Match(NamedTuple):
    """``offset_k`` is what the second probe reads above the first [K]; ``offset_sd_k`` its standard uncertainty."""

    offset_k: float
    offset_sd_k: float
    verdict: Verdict


def match_probes(time_s: ArrayLike, first_c: ArrayLike, second_c: ArrayLike, heat_at_k: float = 3.0) -> Match:
    """Compare two probes that have stood in water of one temperature; columns (n,) in s and degC.

    The difference is a median, so spikes do no harm. Its uncertainty holds noise, the step of the reading and, while both
    still change, a tenth of the change within the record. ``heat_at_k`` is the smallest temperature difference at
    which heat shall be measured; the verdict says what the match is worth there.
    """
    if not np.isfinite(np.asarray(second_c, dtype=np.float64)).any():
        return Match(NAN, NAN, cannot_tell("the second probe is not fitted"))
    try:
        t, a, b = usable_rows(LEAST_ROWS, time_s, first_c, second_c)
    except Spoiled as spoiled:
        return Match(NAN, NAN, spoiled.verdict)
    apart = b - a
    offset = float(np.median(apart))
    drift = np.array([np.polyfit(t - t[0], column, 1)[0] for column in (_filled(a), _filled(b))])
    noise = 1.2533 * max(noise_sd(apart), float(np.median(np.abs(apart - offset))) / 0.6745) / np.sqrt(t.size)
    sd = float(np.sqrt(noise**2 + STEP_K**2 / 12.0 + (0.1 * np.abs(drift).max() * (t[-1] - t[0])) ** 2))
    drift_sd = 3600.0 * noise_sd(apart) * np.sqrt(12.0 / t.size) / max(float(t[-1] - t[0]), 1e-9)
    return Match(offset, sd, _judged(offset, sd, drift * 3600.0, drift_sd, a, b, heat_at_k))


def _filled(values: np.ndarray) -> np.ndarray:
    """The series with spikes cut to its middle half, so that a straight line through it is not led astray."""
    low, high = np.quantile(values, (0.25, 0.75))
    reach = 1.5 * (high - low) + STEP_K
    return np.asarray(np.clip(values, low - reach, high + reach))


def _judged(
    offset: float,
    sd: float,
    drift_k_h: np.ndarray,
    drift_sd_k_h: float,
    a: np.ndarray,
    b: np.ndarray,
    heat_at_k: float,
) -> Verdict:
    if abs(offset) > APART_K:
        return cannot_tell(f"the probes are {abs(offset):.1f} K apart: they do not sit in the same temperature")
    if float(np.abs(drift_k_h[1] - drift_k_h[0])) > STILL_K_H + 4.0 * drift_sd_k_h:
        return repeat_with("a longer rest: the pipes still settle at different pace; eight hours without flow will do")
    for name, column in (("first", a), ("second", b)):
        if column.size >= STUCK_ROWS and np.ptp(column) == 0.0 and abs(drift_k_h).max() > STEP_K:
            return cannot_tell(f"the {name} probe never changed its reading: it may be stuck")
    return good(f"matched within {sd:.2f} K, which is {100.0 * sd / heat_at_k:.0f} % of the heat at {heat_at_k:g} K")
