"""The record of a season: one row every ten simulated minutes, laid out before the first."""

from __future__ import annotations

from operator import attrgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

ROW_S = 600.0

NOW = (
    "core_c", "edge_c", "supply_c", "return_c", "flow_kg_s", "greenhouse_c", "greenhouse_rh", "outdoor_c", "tank_c",
    "pump_soc", "fan_soc", "pump_v", "fan_v", "heat_made_w",
)  # fmt: skip
SINCE_START = (
    "heat_water_j", "heat_air_j", "heat_useful_j", "drawn_j", "made_j", "backup_j", "pump_j", "fan_j", "outage_s",
    "flow_s_kg", "frozen_s",
)  # fmt: skip
LOOP = ("pump_duty", "fan_duty", "limit")  # duties are means since the row before; limit is an index into ``limits``


class History:
    """Columns of the plant's truth by name, with elapsed seconds in ``elapsed_s``.

    ``history["core_c"]`` is a float array of one value a row. Columns are those of ``NOW`` (SI units as named), of
    ``SINCE_START`` (totals since the season began, ``flow_s_kg`` being kilograms pumped) and of ``LOOP``.
    """

    def __init__(self, days: float) -> None:
        names = NOW + SINCE_START + LOOP
        self._column = {name: k for k, name in enumerate(names)}
        self._cells = np.empty((int(np.ceil(days * 86400.0 / ROW_S)) + 2, len(names)))
        self._elapsed = np.empty(len(self._cells))
        self._read = attrgetter(*NOW, *SINCE_START)
        self._rows = 0
        self.limits: list[str] = []

    def __getitem__(self, name: str) -> NDArray[np.float64]:
        return self._cells[: self._rows, self._column[name]]

    def __len__(self) -> int:
        return self._rows

    @property
    def elapsed_s(self) -> NDArray[np.float64]:
        """Seconds since the season began, one a row."""
        return self._elapsed[: self._rows]

    def add(self, elapsed_s: float, truth: Any, pump_duty: float, fan_duty: float, limit: str) -> None:
        """Append one row: the plant's ``truth`` now, the mean duties since the last row, and what limits the draw."""
        row = self._cells[self._rows]
        row[: -len(LOOP)] = self._read(truth)
        row[-len(LOOP) :] = pump_duty, fan_duty, self._limit_index(limit)
        self._elapsed[self._rows] = elapsed_s
        self._rows += 1

    def total(self, name: str) -> float:
        """The last value of a column of ``SINCE_START``; 0 before the first row."""
        return float(self[name][-1]) if self._rows else 0.0

    def _limit_index(self, limit: str) -> int:
        if limit not in self.limits:
            self.limits.append(limit)
        return self.limits.index(limit)

    def __getstate__(self) -> dict[str, Any]:
        kept = self.__dict__ | {"_cells": self._cells[: self._rows].copy(), "_elapsed": self.elapsed_s.copy()}
        del kept["_read"]
        return kept

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        self._read = attrgetter(*NOW, *SINCE_START)
