"""What a motor does at the same drive, compared with what it did at first: pump flow, fan speed.

Drive is duty times battery voltage over 12 V. It is cut into narrow bins, each with its own first value, so that no
curve of the pump has to be known. A bin that is met later takes its first value from the present state, set back by
the change found so far.
"""

from __future__ import annotations

from math import nan

from controller.memory import Memory

BINS = 200  # a pump near its least drive doubles its flow within a tenth of its range
LEARN = 20.0  # samples that make a first value
FOLLOW = 200.0  # samples over which the present state is averaged: hours of running, faults in this are slow
TELLING = 100.0


class OutputTrend(Memory):
    """Share of its first output that a motor gives now; 1 until enough is known."""

    __slots__ = ("first", "samples", "seen", "share")

    def __init__(self) -> None:
        self.first = [nan] * BINS
        self.seen = [0.0] * BINS
        self.samples = 0.0
        self.share = 1.0

    def update(self, drive: float, output: float) -> None:
        """Take one sample of a motor running steadily at ``drive``, 0..1 and a little more; NaN output is left out."""
        if not (output >= 0.0 and drive == drive):
            return
        place = min(max(int(drive * BINS), 0), BINS - 1)
        count = self.seen[place]
        if count < LEARN:
            self._learn(place, count, output / self.share)
            return
        first = self.first[place]
        if first > 0.0:
            self.samples += 1.0
            ratio = min(output / first, 3.0)
            self.share += (ratio - self.share) / min(self.samples + 1.0, FOLLOW)
            self.share = max(self.share, 0.05)

    def _learn(self, place: int, count: float, output: float) -> None:
        first = self.first[place] if count else 0.0
        self.first[place] = first + (output - first) / (count + 1.0)
        self.seen[place] = count + 1.0

    @property
    def told(self) -> float:
        """The share, once enough samples stand behind it; NaN before."""
        return self.share if self.samples >= TELLING else nan
