"""How much too hot water has flowed, now and within the day, and what must stop or be over sooner for it."""

from __future__ import annotations

from controller.guards import (
    FAR_TOO_HOT_K,
    HOT_FORGOTTEN_S_DAY,
    TOLD_FORGOTTEN_S_DAY,
    hot_of_day_s,
    scald_day_stops,
    scald_haste,
    scald_stops,
    too_hot_for_s,
)
from controller.memory import Memory

PAUSE_S = 900.0
DAY_PAUSE_S = 3600.0  # with the day's hot water spent: it earns five minutes of it, in which a coil is flushed
FASTEST = 4.0  # flow against scald, in flow targets
PROBE_LAGS_S = 60.0  # a draw whose water shows hot within that was hot from its start: a probe on a pipe follows slowly
PATIENCE, FORGET_S = 4.0, 7200.0  # scald pauses before that, and how long a rest ends a draw for good
PULSE_LATELY_S = 90.0  # a draw that follows a pulse against frost so soon goes on with the same hot water
SAME_PULSE_S = 60.0  # between two steps of one pulse; between two pulses it is minutes
# by how much a sound probe on a pipe may read low: 0.5 K of a sensor (DS18B20 data sheet), as much of the pipe (judgement)
PROBE_LOW_K = 1.0
FORGETS_S = 900.0  # of the day's hot water in one step: a clock may have leapt ahead, and a day is not over for that


class HotWater(Memory):
    """The too hot water of draws, hand-runs and pulses."""

    __slots__ = ("_limit_c", "day_s", "flows_s", "is_hot", "pause_s", "pulsed_s", "scalds", "told_s", "was_hot")

    def __init__(self, limit_c: float) -> None:
        self._limit_c = limit_c - PROBE_LOW_K
        self.is_hot = self.was_hot = False  # the last water that was looked at in this run, and any of it
        self.flows_s = 0.0  # for how long it has been flowing
        self.day_s = self.told_s = 0.0  # of late: what bounds it, and what is told
        self.pause_s = 0.0
        self.pulsed_s = PULSE_LATELY_S
        self.scalds = 0.0

    @property
    def patience_is_out(self) -> bool:
        """Whether it has stopped this draw again and again."""
        return self.scalds >= PATIENCE

    def begin(self) -> None:
        """Begin a draw."""
        self.was_hot = False
        if self.pulsed_s >= PULSE_LATELY_S:
            self.flows_s = 0.0

    def stand(self, stopped: bool, off_s: float, elapsed_s: float) -> None:
        """Take a step in which nothing is drawn; ``stopped``: from outside, so that what flowed in it was not looked at."""
        self.pulsed_s += elapsed_s
        if off_s > FORGET_S:
            self.scalds = 0.0
        self._count(stopped and self.is_hot, min(elapsed_s, FORGETS_S))
        self.pause_s = max(0.0, self.pause_s - elapsed_s)

    def flow(self, supply_c: float, on_s: float, dt_s: float, kept_s: float = 0.0) -> bool:
        """Take water that flows, ``on_s`` after the start; return whether it must stop since it stays too hot.

        ``kept_s``: for how long the reading before this one had been kept, for want of a fresh one.
        """
        dt_s = self._look(supply_c, on_s, dt_s, kept_s)
        self._count(self.is_hot, dt_s)
        self.flows_s = too_hot_for_s(self.flows_s, supply_c, self._limit_c, dt_s)
        if scald_stops(self.flows_s, supply_c, self._limit_c):
            self.pause_s, self.flows_s = PAUSE_S, 0.0
            self.scalds += 1.0
        elif scald_day_stops(self.day_s, supply_c, self._limit_c):
            self.pause_s = DAY_PAUSE_S
        return self.pause_s > 0.0

    def pulse(self, supply_c: float, on_s: float, dt_s: float) -> None:
        """Take the water of a pulse against frost: many hot ones in a day are told as a long draw is."""
        before_s = self.flows_s if self.pulsed_s < PULSE_LATELY_S else 0.0
        self.was_hot = self.was_hot and self.pulsed_s <= SAME_PULSE_S
        # what stood in the pile comes first, however slowly
        dt_s = self._look(supply_c, on_s, dt_s, kept_s=0.0, lags_s=on_s)
        self.flows_s, self.pulsed_s = too_hot_for_s(before_s, supply_c, self._limit_c, dt_s), 0.0
        if self.is_hot:
            self._count(True, dt_s)

    def quicker(self, supply_c: float) -> float:
        """Return by how much a draw of too hot water is quickened, 1 and up: its heat is then had in less time."""
        if not supply_c > self._limit_c:
            return 1.0
        if supply_c > self._limit_c + FAR_TOO_HOT_K:  # no draw goes on then, but a pulse against frost must
            return FASTEST
        return 1.0 + (FASTEST - 1.0) * scald_haste(self.day_s)

    def _look(self, supply_c: float, on_s: float, dt_s: float, kept_s: float, lags_s: float = PROBE_LAGS_S) -> float:
        """Note whether what came since the last look was too hot, ``on_s`` after the start; return how long that was [s].

        What a probe shows as too hot within ``lags_s`` of the start was so from the start, and what it shows after a silence
        was so all that time.
        """
        is_hot = supply_c > self._limit_c
        if is_hot and not self.is_hot:
            dt_s = max(dt_s, min(kept_s + dt_s, on_s))
        if is_hot and not self.was_hot and on_s - kept_s <= lags_s:
            dt_s = max(on_s, dt_s)
        self.is_hot, self.was_hot = is_hot, self.was_hot or is_hot
        return dt_s

    def _count(self, is_hot: bool, dt_s: float) -> None:
        """Keep both sums of the day's hot water."""
        if not is_hot and self.told_s == 0.0 == self.day_s:  # nearly always
            return
        self.day_s = hot_of_day_s(self.day_s, is_hot, dt_s, HOT_FORGOTTEN_S_DAY)
        self.told_s = hot_of_day_s(self.told_s, is_hot, dt_s, TOLD_FORGOTTEN_S_DAY)
