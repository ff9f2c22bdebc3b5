"""A reading that leaps by some kelvins between calm ones: the probe is off by so much from then on.

Tonnes of compost and water that stands change smoothly, so a leap between two readings is the probe's: a bad contact, water
in its sleeve, a hand that moved it. Which of the two readings was right cannot be told. The safer one is believed.
"""

from __future__ import annotations

from collections.abc import Callable
from math import nan

from controller.alarm_kinds import LEAPING
from controller.checks import Sensor, SensorChecks
from controller.memory import Memory

LEAP_K = 1.2  # what a sound probe's scatter does not reach; a smaller error does no harm
FURTHEST_K = 9.0  # a larger leap is a probe pulled out, water that began to move by itself, or a plug
STANDS_OUT = 2.0  # times the fastest change before and after
CALM_BEFORE, CALM_AFTER = 3.0, 3.0  # readings
LONGEST_GAP_S = 1500.0  # a refused leap of a pile probe is believed after ten minutes, and seen at the next look
SETTLED_S = 120.0  # water that has just come to rest, and a probe on a pipe, still change quickly
FADES = 0.5  # of the fastest change, with every reading
FORGET_S = 10 * 86400.0  # the probe was mended or has its new place, and the water has shown what it is worth
LOOK_S, SLOW_LOOK_S = 30.0, 290.0  # on the pipe; in pile and tank
CORE, SUPPLY = list(LEAPING).index("pile_core_c"), list(LEAPING).index("water_supply_c")
ON_THE_PIPE = ("water_supply_c", "water_return_c")


class Leap(Memory):
    """By how much one probe has leapt, all told [K]; positive: it reads higher than it did."""

    __slots__ = ("after", "before", "fastest_k_s", "last_c", "last_s", "leap_k", "leap_s", "off_k")

    def __init__(self) -> None:
        self.off_k = 0.0
        self.last_c = self.last_s = nan
        self.before = self.after = 0.0
        self.fastest_k_s = 0.0
        self.leap_k = self.leap_s = 0.0

    def begin(self) -> None:
        """Begin anew: what comes is no continuation of what was."""
        self.last_c = self.last_s = nan
        self.before = self.fastest_k_s = self.leap_k = 0.0

    def update(self, value_c: float, now_s: float) -> bool:
        """Take a fresh reading of something that changes smoothly; return whether it seems to have leapt."""
        change_k, since_s = value_c - self.last_c, now_s - self.last_s
        if not 0.0 < since_s <= LONGEST_GAP_S:
            self.begin()
            self.last_c, self.last_s = value_c, now_s
            return False
        self.last_c, self.last_s = value_c, now_s
        if self.off_k != 0.0:
            self.off_k *= FORGET_S / (FORGET_S + since_s)
        far_k = change_k if change_k > 0.0 else -change_k
        pace_k_s = far_k / since_s
        if self.leap_k != 0.0:
            self._prove(pace_k_s)
        elif far_k > LEAP_K + STANDS_OUT * self.fastest_k_s * since_s and self.before >= CALM_BEFORE:
            self.leap_k, self.leap_s, self.after = change_k, since_s, 0.0
            return True
        self.before += 1.0
        faded = FADES * self.fastest_k_s
        self.fastest_k_s = pace_k_s if pace_k_s > faded else faded
        return False

    def _prove(self, pace_k_s: float) -> None:
        """Count a leap once some readings after it were calm; drop one that was no more than a quick change."""
        if abs(self.leap_k) <= LEAP_K + STANDS_OUT * pace_k_s * self.leap_s:
            self.leap_k = self.before = 0.0
            return
        self.after += 1.0
        if self.after >= CALM_AFTER:
            if abs(self.leap_k) <= FURTHEST_K:
                self.off_k = min(max(self.off_k + self.leap_k, -FURTHEST_K), FURTHEST_K)
            self.leap_k = 0.0


Row = tuple[str, Sensor, Leap]


class LeapWatch(Memory):
    """The probes in pile and tank, and those on the pipe while its water stands; places as in ``LEAPING``."""

    __slots__ = ("_pipe", "_slow", "leaps", "leapt", "look_s", "slow_s", "stands_s")

    def __init__(self, checks: SensorChecks) -> None:
        self.leaps = [Leap() for _ in LEAPING]
        rows = [(name, checks.sensor(name), leap) for name, leap in zip(LEAPING, self.leaps, strict=True)]
        self._pipe = [row for row in rows if row[0] in ON_THE_PIPE]
        self._slow = [row for row in rows if row[0] not in ON_THE_PIPE]
        self.leapt = 0.0  # the probes that are off, a bit for each place in ``LEAPING``: what the alarm quotes
        self.look_s = self.slow_s = nan
        self.stands_s = 0.0

    def look(self, doubted: Callable[[str], bool], pumping: bool, now_s: float, elapsed_s: float) -> None:
        """Take a step's readings; ``doubted`` tells whether a sensor's leaps prove nothing."""
        if pumping and self.stands_s > 0.0:
            for _, _, leap in self._pipe:
                leap.begin()
        self.stands_s = 0.0 if pumping else self.stands_s + elapsed_s
        if now_s - self.look_s < LOOK_S:
            return
        self.look_s = now_s
        if self.stands_s >= SETTLED_S:
            _look_at(self._pipe, doubted, now_s)
        if not now_s - self.slow_s < SLOW_LOOK_S:
            self.slow_s = now_s
            _look_at(self._slow, doubted, now_s)
            self.leapt = self._those_off()

    @property
    def core_high_k(self) -> float:
        """How much lower the core may be than its probe shows, since that leapt up [K]."""
        return max(self.leaps[CORE].off_k, 0.0)

    @property
    def supply_low_k(self) -> float:
        """How much hotter the water may be than the supply probe shows, since that leapt down [K]."""
        return max(-self.leaps[SUPPLY].off_k, 0.0)

    def _those_off(self) -> float:
        """Return which probes are off, a bit for each place in ``LEAPING``; 0 for none."""
        return float(sum(1 << place for place, leap in enumerate(self.leaps) if abs(leap.off_k) >= LEAP_K))


def _look_at(rows: list[Row], doubted: Callable[[str], bool], now_s: float) -> None:
    for name, sensor, leap in rows:
        if sensor.good_s == now_s and leap.update(sensor.value, now_s) and doubted(name):
            leap.begin()
