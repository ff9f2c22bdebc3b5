"""How much frost the line has borne between two pulses without ice: it will bear as much again.

While the return probe tells what comes back, every pulse shows whether the wait before it was too long. When the probe has
failed, that is all that is known of the line; a wait by the outdoor temperature alone would be that of a bare pipe.
"""

from __future__ import annotations

from math import nan

from controller.memory import Memory

LIQUID_C = 0.3  # as a probe somewhat too high shows water without ice
SHARE = 0.8  # of what was just borne is trusted again (own judgement)
HALVED_S = 8 * 86400.0  # and half of that after so long: covers are torn off, the ground freezes


class BorneFrost(Memory):
    """Frost times time [K s]: since the last pulse, and the most that the line has borne of late."""

    __slots__ = ("age_s", "most_k_s", "since_k_s")

    def __init__(self) -> None:
        self.most_k_s = nan
        self.since_k_s = self.age_s = 0.0

    def stand(self, outdoor_c: float, elapsed_s: float) -> None:
        """Let time pass; where the outdoor temperature is not known nothing is borne out."""
        self.since_k_s += max(-outdoor_c, 0.0) * elapsed_s
        self.age_s += elapsed_s

    def show(self, coldest_c: float) -> None:
        """Take the coldest water that the pulse brought back [degC], NaN for not seen; the line stands anew."""
        if coldest_c > LIQUID_C:
            if self.since_k_s == self.since_k_s and not self.since_k_s < self.trusted_k_s:
                self.most_k_s, self.age_s = self.since_k_s, 0.0
        elif coldest_c == coldest_c:
            self.most_k_s = nan
        self.since_k_s = 0.0

    @property
    def trusted_k_s(self) -> float:
        """Return how much the line is trusted to bear [K s]; NaN for not known."""
        return SHARE * self.most_k_s / (1.0 + self.age_s / HALVED_S)

    @property
    def covers(self) -> bool:
        """Whether it has not yet borne that much since the last pulse."""
        return self.since_k_s < self.trusted_k_s
