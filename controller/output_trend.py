"""What a motor does at the same drive, compared with what it did in its first days: pump flow, fan speed.

Drive is duty times battery voltage over 12 V. The first days give a curve: in each narrow bin of drive the mean drive
and the mean output. Later outputs are held against that curve, straight between its points and a little beyond its
ends, so that no curve of the pump has to be known. A change that was there in the first days is not seen.
"""

from __future__ import annotations

from math import nan

from controller.memory import Memory

BINS = 50
LEARN_S = 10 * 86400.0
LEARN_SAMPLES = 300.0
FOLLOW = 200.0  # samples over which the present state is averaged: hours of running; such faults are slow
TELLING = 100.0
BEYOND = 0.06  # of full drive: how far the curve is drawn out past its ends
SOLID = 10.0  # samples that make a point


class OutputTrend(Memory):
    """Share of its first output that a motor gives now; 1 until enough is known."""

    __slots__ = ("begun_s", "counts", "drives", "learnt", "outputs", "samples", "share")

    def __init__(self) -> None:
        self.counts = [0.0] * BINS
        self.drives = [0.0] * BINS
        self.outputs = [0.0] * BINS
        self.begun_s = nan
        self.learnt = 0.0
        self.samples = 0.0
        self.share = 1.0

    def update(self, drive: float, output: float, now_s: float) -> None:
        """Take one sample of a motor running steadily at ``drive``, 0..1 and a little more; NaN is left out."""
        if not (output >= 0.0 and drive >= 0.0):
            return
        if self.begun_s != self.begun_s:
            self.begun_s = now_s
        if now_s - self.begun_s < LEARN_S or self.learnt < LEARN_SAMPLES:
            self._learn(drive, output)
            return
        first = self.first_output(drive)
        if first > 0.0:
            self.samples += 1.0
            ratio = min(output / first, 3.0)
            self.share += (ratio - self.share) / min(self.samples + 1.0, FOLLOW)

    def _learn(self, drive: float, output: float) -> None:
        place = min(int(drive * BINS), BINS - 1)
        self.learnt += 1.0
        self.counts[place] += 1.0
        self.drives[place] += (drive - self.drives[place]) / self.counts[place]
        self.outputs[place] += (output - self.outputs[place]) / self.counts[place]

    def first_output(self, drive: float) -> float:
        """Return the output of the first days at ``drive``; NaN too far from anything seen then."""
        solid = [i for i in range(BINS) if self.counts[i] >= SOLID]
        if len(solid) < 2:
            alone = bool(solid) and abs(drive - self.drives[solid[0]]) < 0.5 / BINS
            return self.outputs[solid[0]] if alone else nan
        drives, outputs = self.drives, self.outputs
        if not drives[solid[0]] - BEYOND <= drive <= drives[solid[-1]] + BEYOND:
            return nan
        right = next((k for k, i in enumerate(solid) if drives[i] >= drive), len(solid) - 1) or 1
        a, b = solid[right - 1], solid[right]
        return outputs[a] + (outputs[b] - outputs[a]) * (drive - drives[a]) / (drives[b] - drives[a])

    @property
    def told(self) -> float:
        """The share, once enough samples stand behind it; NaN before."""
        return self.share if self.samples >= TELLING else nan
