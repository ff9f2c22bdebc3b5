"""What a campaign came to: figures of each policy, and its worst runs. Heat and cold hours always go together."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from sim.campaign import Row

WORST = 3
_BRIEF = ("run", "seed", "policy", "backup_avoided_kwh", "heat_useful_kwh", "cold_hours_from_draw", "core_min_c")


def sound(rows: Iterable[Row]) -> list[Row]:
    """The runs that went through."""
    return [row for row in rows if row["error"] is None]


def worth_name(rows: Iterable[Row]) -> str:
    """The figure that says what a season was worth: backup avoided, or useful heat where there is no heater."""
    return "heat_useful_kwh" if any(row["backup_avoided_kwh"] is None for row in rows) else "backup_avoided_kwh"


def by_policy(rows: Iterable[Row]) -> dict[str, dict[str, Any]]:
    """Figures of every policy, in the order of the rows: kWh a season, hours in all seasons together, degC."""
    groups: dict[str, list[Row]] = {}
    for row in sound(rows):
        groups.setdefault(row["policy"], []).append(row)
    return {policy: _figures(group) for policy, group in groups.items()}


def worst(rows: Iterable[Row], each: int = WORST) -> list[Row]:
    """The ``each`` worst runs of every policy, worst first: most cold hours, then least worth, then lowest number."""
    rows = sound(rows)
    name = worth_name(rows)
    order = sorted(rows, key=lambda row: (-row["cold_hours_from_draw"], row[name], row["run"]))
    policies = dict.fromkeys(row["policy"] for row in rows)
    return [row for policy in policies for row in [r for r in order if r["policy"] == policy][:each]]


def brief(row: Row) -> Row:
    """The few figures that name and judge a run."""
    return {name: row[name] for name in _BRIEF}


def _figures(group: list[Row]) -> dict[str, Any]:
    cold_h = [row["cold_hours_from_draw"] for row in group]
    heater = worth_name(group) == "backup_avoided_kwh"
    return {
        "runs": len(group),
        "backup_avoided_kwh": _spread([row["backup_avoided_kwh"] for row in group]) if heater else None,
        "cold_hours_from_draw": float(np.sum(cold_h)),
        "seasons_with_cold_hours": sum(hours > 0.0 for hours in cold_h),
        "core_min_c": min(row["core_min_c"] for row in group),
        "heat_useful_kwh": _spread([row["heat_useful_kwh"] for row in group]),
    }


def _spread(values: list[float]) -> dict[str, float]:
    """Mean, median and the lower decile (one season in ten is worse)."""
    return {
        "mean": float(np.mean(values)),
        "median": float(np.median(values)),
        "worst_tenth": float(np.quantile(values, 0.1)),
    }
