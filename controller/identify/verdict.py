"""How far a result can be trusted, in words; and which rows of a record can be used at all."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

GOOD, REPEAT, UNKNOWN = "good", "repeat", "cannot be told"
_SANE = 1e9  # larger figures are no readings, and their squares would overflow


class Verdict(NamedTuple):
    """``kind`` is "good", "repeat" or "cannot be told"; ``reason`` is one sentence that a grower understands."""

    kind: str
    reason: str

    @property
    def good(self) -> bool:
        """Whether the result may be used."""
        return self.kind == GOOD


def good(reason: str) -> Verdict:
    """The result may be used."""
    return Verdict(GOOD, f"Good: {reason}.")


def repeat_with(change: str) -> Verdict:
    """The test may succeed if ``change`` is made."""
    return Verdict(REPEAT, f"Repeat with {change}.")


def cannot_tell(because: str) -> Verdict:
    """This test, on this plant, cannot show it."""
    return Verdict(UNKNOWN, f"Cannot be told apart, because {because}.")


class Spoiled(Exception):
    """Inside this package only: a record cannot be used; carries the verdict that the caller returns."""

    def __init__(self, verdict: Verdict) -> None:
        super().__init__(verdict.reason)
        self.verdict = verdict


def usable_rows(least: int, time_s: ArrayLike, *columns: ArrayLike) -> list[Floats]:
    """Return time [s] and columns, all (n,), without the rows that hold a missing or absurd figure.

    Raises `Spoiled` when the columns differ in length, when time runs backwards or stands still, or when fewer than
    ``least`` rows are left.
    """
    table = [np.asarray(column, dtype=np.float64).ravel() for column in (time_s, *columns)]
    if len({column.size for column in table}) > 1:
        raise Spoiled(cannot_tell("the columns of the record differ in length"))
    good_rows = np.all([np.abs(column) < _SANE * (1e3 if i == 0 else 1.0) for i, column in enumerate(table)], axis=0)
    table = [column[good_rows] for column in table]
    if table[0].size < least:
        raise Spoiled(repeat_with(f"working sensors: only {table[0].size} of {good_rows.size} readings can be used"))
    if np.any(np.diff(table[0]) <= 0.0):
        raise Spoiled(cannot_tell("time runs backwards or stands still in the record"))
    return table


def noise_sd(values: Floats) -> float:
    """Standard deviation of the fast noise in a slowly moving series, from its second differences; robust to outliers.

    Median absolute value of d2 / (0.6745 sqrt 6): for white noise the second difference has variance 6 sigma^2.
    """
    if values.size < 5:
        return 0.0
    return float(np.median(np.abs(np.diff(values, 2))) / (0.6745 * np.sqrt(6.0)))


def clear_of_spikes(values: Floats, limit: float = 8.0) -> NDArray[np.bool_]:
    """Return which values, (n,), are no spikes: nearer to the median of five around them than ``limit`` noises."""
    if values.size < 5:
        return np.ones(values.size, dtype=bool)
    padded = np.pad(values, 2, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    apart = np.abs(values - middle)
    spread = max(noise_sd(values), 1e-3 * float(np.ptp(values)), 1e-12)
    return np.asarray(apart <= limit * spread + 0.05 * float(np.ptp(middle)))


def hanging_together(rest: Floats) -> float:
    """Factor on the variance for residuals, (n,), of a first-order Markov kind: (1 + r) / (1 - r)."""
    r = min(max(float(rest[1:] @ rest[:-1]) / max(float(rest @ rest), 1e-18), 0.0), 0.98)
    return (1.0 + r) / (1.0 - r)
