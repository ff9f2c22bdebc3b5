"""Figures of merit of a season, as pure functions of its record. ``SeasonResult.summary`` says which is which."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Column = NDArray[np.float64]

FLOOR_C = 45.0
TWIN_ALIVE_C = 48.0
DRAWN_SHARE = 0.05
DAY_S = 86400.0


def step_s(elapsed_s: Column) -> Column:
    """Seconds that each row stands for: the time since the row before; 0 for the first."""
    return np.diff(elapsed_s, prepend=elapsed_s[:1])


def hours_where(elapsed_s: Column, condition: NDArray[np.bool_]) -> float:
    """Hours in the rows for which ``condition`` holds."""
    return float(step_s(elapsed_s)[condition].sum() / 3600.0)


def in_last_day(elapsed_s: Column, total: Column) -> Column:
    """How much a running total grew in the 24 h before each row (since the start in the first day)."""
    return total - np.interp(elapsed_s - DAY_S, elapsed_s, total)


def cold_hours_from_draw(
    elapsed_s: Column, core_c: Column, twin_core_c: Column, drawn_j: Column, made_j: Column
) -> float:
    """Hours in which the core is cold and the draw is to blame.

    Cold means a true core below 45 °C. The draw is to blame when the pile that was never drawn is at 48 °C or more,
    or when more than 5 % of the heat made in the last 24 h was drawn. All columns share the rows of ``elapsed_s``;
    ``drawn_j`` and ``made_j`` are totals since the start.
    """
    drew = in_last_day(elapsed_s, drawn_j) > DRAWN_SHARE * in_last_day(elapsed_s, made_j)
    return hours_where(elapsed_s, (core_c < FLOOR_C) & ((twin_core_c >= TWIN_ALIVE_C) | drew))


def coldest_once_hot(core_c: Column, twin_core_c: Column, hot_c: float) -> float:
    """Coldest core, °C, from the moment the never-drawn twin first reached ``hot_c``; of all rows if it never did.

    The twin sets the moment, so that a policy which never lets its own pile get hot is not excused.
    """
    hot = twin_core_c >= hot_c
    return float(core_c[int(hot.argmax()) :].min())


def heat_per_day(elapsed_s: Column, total_j: Column) -> Column:
    """Growth of a running total in each whole or begun day, kWh, shape (days,)."""
    edges = np.arange(0.0, elapsed_s[-1] + DAY_S - 1.0, DAY_S)
    return np.diff(np.interp(edges, elapsed_s, total_j)) / 3.6e6
