"""Does the edge of the pile cool alone? A cover that is off, a crack, rain, or air that takes a short cut."""

from __future__ import annotations

from math import nan

from controller.memory import Memory

HOURS = 24
HOUR_S = 3600.0
EDGE_FALL_K, CORE_FALL_K = 10.0, 4.0  # sound piles of simulated seasons lost at most 7 K at the edge within a day
FAN_S = 1800.0  # of a day: less air than this cools nothing


class EdgeWatch(Memory):
    """Edge and core at the last 24 full hours, and how long the fan ran in the last day, fading."""

    __slots__ = ("core_fall_k", "cores_c", "edge_fall_k", "edges_c", "fan_s", "hour_s")

    def __init__(self) -> None:
        self.edges_c = [nan] * HOURS
        self.cores_c = [nan] * HOURS
        self.hour_s = HOUR_S  # the first reading is kept at once
        self.fan_s = 0.0
        self.edge_fall_k = self.core_fall_k = 0.0

    @property
    def cools(self) -> bool:
        """Whether the edge lost much within a day and the core did not."""
        return self.edge_fall_k > EDGE_FALL_K and self.core_fall_k < CORE_FALL_K

    @property
    def by_air(self) -> bool:
        """Whether the fan ran enough to have done it."""
        return self.cools and self.fan_s >= FAN_S

    def update(self, edge_c: float, core_c: float, fan_on: bool, elapsed_s: float) -> None:
        """Take both probes (NaN: unknown) and whether the fan ran."""
        self.fan_s = max(0.0, self.fan_s * (1.0 - elapsed_s / 86400.0)) + (elapsed_s if fan_on else 0.0)
        self.hour_s += elapsed_s
        if self.hour_s >= HOUR_S:
            self.hour_s = 0.0
            self.edges_c = [*self.edges_c[1:], edge_c]
            self.cores_c = [*self.cores_c[1:], core_c]
        self.edge_fall_k = _highest(self.edges_c) - edge_c
        self.core_fall_k = _highest(self.cores_c) - core_c


def _highest(values: list[float]) -> float:
    return max((v for v in values if v == v), default=nan)
