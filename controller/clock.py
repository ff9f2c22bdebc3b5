"""Time as the controller sees it: it never runs backwards, whatever the readings say."""

from __future__ import annotations

from math import nan

from controller.memory import Memory

LONGEST_STEP_S = 120.0  # a longer silence proves nothing about what happened in it
GAP_S = 900.0
_LONGEST_ELAPSED_S = 1e7
_SANE_TIME_S = 1e11


class Clock(Memory):
    """Own running time, fed with the time stamps of the readings.

    ``now_s`` is the sum of all time that passed, ``dt_s`` the part of the last step that integrators may use,
    ``elapsed_s`` all of it, ``gap`` whether the step was too long to have been one.
    """

    __slots__ = ("dt_s", "elapsed_s", "gap", "last_time_s", "now_s")

    def __init__(self) -> None:
        self.now_s = 0.0
        self.last_time_s = nan
        self.elapsed_s = 0.0
        self.dt_s = 0.0
        self.gap = False

    def advance(self, time_s: float) -> None:
        """Take the next time stamp [s]; one that is absurd or earlier than the last lets no time pass."""
        elapsed = 0.0
        if -_SANE_TIME_S < time_s < _SANE_TIME_S:
            elapsed = time_s - self.last_time_s
            elapsed = min(elapsed, _LONGEST_ELAPSED_S) if elapsed > 0.0 else 0.0
            self.last_time_s = time_s
        self.elapsed_s = elapsed
        self.now_s += elapsed
        self.dt_s = elapsed if elapsed < LONGEST_STEP_S else LONGEST_STEP_S
        self.gap = elapsed > GAP_S

    @property
    def stamp_s(self) -> float:
        """The last good time stamp [s]; 0 before the first."""
        return self.last_time_s if self.last_time_s == self.last_time_s else 0.0
