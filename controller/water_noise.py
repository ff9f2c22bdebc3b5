"""Which of both water probes leaps to and fro as no water does, and what such a probe still tells.

The lowest of its readings would look like ice, any two of them like a leap, and the highest like water that circulates.
"""

from __future__ import annotations

from math import nan

from controller.memory import Memory
from controller.wobble import Wobble

FEWEST_READINGS, MOST_READINGS = 8.0, 30.0  # of which a mean says anything, and counts


class RestMean(Memory):
    """The mean of many readings of something that changes slowly: what a restless probe still tells."""

    __slots__ = ("mean_c", "readings")

    def __init__(self) -> None:
        self.mean_c = 0.0
        self.readings = 0.0

    def begin(self) -> None:
        """Forget what was."""
        self.readings = 0.0

    def add(self, value_c: float) -> None:
        """Take a reading; NaN tells nothing."""
        if value_c == value_c:
            self.readings = min(self.readings + 1.0, MOST_READINGS)
            self.mean_c += (value_c - self.mean_c) / self.readings

    @property
    def value_c(self) -> float:
        """The mean of late [degC]; NaN for too few readings."""
        return self.mean_c if self.readings >= FEWEST_READINGS else nan


class WaterNoise(Memory):
    """Return and supply, and the mean of the return since the water stands."""

    __slots__ = ("back", "flowed", "out", "rest_mean")

    def __init__(self) -> None:
        self.back, self.out, self.rest_mean = Wobble(), Wobble(), RestMean()
        self.flowed = False

    def update(self, return_c: float, supply_c: float, flow_kg_s: float, elapsed_s: float) -> None:
        """Take a step's readings and what moved in it."""
        flows = flow_kg_s > 0.0
        if flows is not self.flowed:  # other water comes to the probes: no leap of theirs
            self.flowed = flows
            self.out.begin(supply_c)
            self.back.begin(return_c)
        self.out.update(supply_c, elapsed_s)
        self.back.update(return_c, elapsed_s)
        if flows:
            self.rest_mean.begin()
        else:
            self.rest_mean.add(return_c)

    def doubts(self, sensor: str) -> bool:
        """Tell whether a water probe leaps to and fro, or did of late; no for any other sensor."""
        return (sensor == "water_return_c" and self.back.doubted) or (sensor == "water_supply_c" and self.out.doubted)

    def believed_c(self, return_c: float, supply_c: float) -> tuple[float, float]:
        """Return return and supply as read [degC]; NaN for one that is doubted, but for the return at rest its mean."""
        if self.back.doubted and return_c == return_c:
            return_c = nan if self.flowed else self.rest_mean.value_c
        return return_c, nan if self.out.doubted else supply_c
