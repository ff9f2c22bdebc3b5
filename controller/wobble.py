"""A reading that leaps to and fro as no water does is the probe's noise: how far it leaps, and what lies in its middle."""

from __future__ import annotations

from math import nan

from controller.memory import Memory
from controller.stuck import Still

MUTE_LEAP_S = 120.0  # two readings refused one after the other still belong to the leaps around them
RESTLESS_K = 0.5
WOBBLE_SHARE, MEAN_SHARE = 0.25, 0.25  # of a new reading, in the means of the leaps and of the reading
DOUBTED_S = 3600.0  # what leapt to and fro is doubted for so long


class Wobble(Memory):
    """One reading: how long it has stood still, its running mean, and the mean of its leaps to and fro.

    ``worst_k`` follows that mean up, and down in an hour: where the leaps the other way are refused as too far, those that
    are left show no wobble, though the noise is the same.
    """

    __slots__ = ("calm_s", "leap_k", "mean_c", "still", "wobble_k", "worst_k")

    def __init__(self) -> None:
        self.still = Still()
        self.mean_c = nan
        self.leap_k = self.wobble_k = self.worst_k = 0.0
        self.calm_s = DOUBTED_S

    @property
    def doubted(self) -> bool:
        """Whether it is restless, or was of late."""
        return self.calm_s < DOUBTED_S

    @property
    def restless(self) -> bool:
        """Whether the reading leaps to and fro as no water does."""
        return self.wobble_k > RESTLESS_K

    @property
    def noise_k(self) -> float:
        """How far it leaps to and fro, or did of late [K]."""
        return max(self.wobble_k, self.worst_k)

    def begin(self, value_c: float) -> None:
        """Begin anew: what changed up to here is no leap."""
        self.still.last, self.leap_k = value_c, 0.0
        self.mean_c = value_c

    def update(self, value_c: float, dt_s: float) -> None:
        """Take a reading; NaN tells nothing."""
        self.calm_s = 0.0 if self.restless else min(self.calm_s + dt_s, DOUBTED_S)
        self.worst_k *= 1.0 - min(dt_s / DOUBTED_S, 1.0)
        leap_k = value_c - self.still.last
        self.still.update(value_c, dt_s)
        if value_c != value_c:
            return
        if leap_k != leap_k:
            self.mean_c = value_c
            leap_k = 0.0
        self.mean_c += MEAN_SHARE * (value_c - self.mean_c)
        if self.still.same_s > MUTE_LEAP_S:
            self.leap_k = 0.0
        if leap_k != 0.0:  # else a reading that was refused: nothing new
            back_k = min(abs(leap_k), abs(self.leap_k)) if leap_k * self.leap_k < 0.0 else 0.0
            self.wobble_k += WOBBLE_SHARE * (back_k - self.wobble_k)
            self.worst_k += WOBBLE_SHARE * max(self.wobble_k - self.worst_k, 0.0)
            self.leap_k = leap_k
