"""A core probe that fell faster than tonnes of wet compost can: pulled out, or the pile was opened.

Its reading is blanked, so that the last draw goes on for a while and the fan does not answer to it.
"""

from __future__ import annotations

from math import nan

from controller.memory import Memory

FOLLOW_S = 3600.0
TOO_FAST_K = 10.0  # below its own hour-long mean; the fastest sound fall in simulated seasons stayed under 5 K
PILE_ABOVE_AIR_K = 15.0
BACK_S = 3 * 3600.0
DOUBT_S = 600.0  # a bad plug comes back sooner


class PulledProbe(Memory):
    """Whether the core probe is believed to be in the pile."""

    __slots__ = ("back_s", "doubt_s", "mean_c", "pulled", "to_c", "unseen_s")

    def __init__(self) -> None:
        self.mean_c = nan
        self.pulled = False
        self.back_s = self.doubt_s = 0.0
        self.unseen_s = 0.0
        self.to_c = nan

    def screen(self, core_c: float, warmest_air_c: float, elapsed_s: float, restless: bool) -> float:
        """Return the reading, or NaN while the probe is out; ``warmest_air_c`` NaN: nothing known of the air.

        A ``restless`` sensor is doubted but never judged pulled out: its plug is bad.
        """
        self.unseen_s += elapsed_s
        if core_c != core_c:
            return core_c
        if self.pulled and not self._is_back(core_c, warmest_air_c):
            return nan
        fall_k = self.mean_c - core_c
        seen_s, self.unseen_s = self.unseen_s, 0.0
        share = seen_s / (FOLLOW_S + seen_s)
        if fall_k * (1.0 - share) > TOO_FAST_K:
            return self._doubt(core_c, seen_s, restless)
        self.doubt_s = 0.0
        self.mean_c = self.mean_c - share * fall_k if fall_k == fall_k else core_c
        return core_c

    def _doubt(self, core_c: float, seen_s: float, restless: bool) -> float:
        self.doubt_s += seen_s
        if self.doubt_s >= DOUBT_S and not restless:
            self.pulled, self.back_s, self.doubt_s, self.to_c = True, 0.0, 0.0, core_c
        return nan

    def _is_back(self, core_c: float, warmest_air_c: float) -> bool:
        """Believe it again once it has read like a pile for hours; it starts afresh then."""
        self.back_s = self.back_s + self.unseen_s if core_c > warmest_air_c + PILE_ABOVE_AIR_K else 0.0
        self.unseen_s = 0.0
        if self.back_s < BACK_S:
            return False
        self.pulled, self.mean_c = False, nan
        return True
