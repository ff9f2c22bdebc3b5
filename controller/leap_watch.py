"""Which probes leap: those in pile and tank, those on the pipe while its water stands, and the supply from draw to draw."""

from __future__ import annotations

from collections.abc import Callable
from math import nan

from controller.alarm_kinds import LEAPING
from controller.checks import Sensor, SensorChecks
from controller.draw_peak import DrawPeak
from controller.leap import LEAP_K, Leap
from controller.memory import Memory

SETTLED_S = 120.0  # water that has just come to rest, and a probe on a pipe, still change quickly
LOOK_S, SLOW_LOOK_S = 30.0, 290.0  # on the pipe; in pile and tank
CORE, SUPPLY = list(LEAPING).index("pile_core_c"), list(LEAPING).index("water_supply_c")
ON_THE_PIPE = ("water_supply_c", "water_return_c")

Row = tuple[str, Sensor, Leap]


class LeapWatch(Memory):
    """All that may leap; places as in ``LEAPING``."""

    __slots__ = ("_pipe", "_slow", "_supply", "leaps", "leapt", "look_s", "peak", "slow_s", "stands_s")

    def __init__(self, checks: SensorChecks) -> None:
        self.leaps = [Leap() for _ in LEAPING]
        self.peak = DrawPeak()
        self._supply = checks.sensor("water_supply_c")
        rows = [(name, checks.sensor(name), leap) for name, leap in zip(LEAPING, self.leaps, strict=True)]
        self._pipe = [row for row in rows if row[0] in ON_THE_PIPE]
        self._slow = [row for row in rows if row[0] not in ON_THE_PIPE]
        self.leapt = 0.0  # the probes that are off, a bit for each place in ``LEAPING``: what the alarm quotes
        self.look_s = self.slow_s = nan
        self.stands_s = 0.0

    def look(self, doubted: Callable[[str], bool], duty: float, now_s: float, elapsed_s: float) -> None:
        """Take a step's readings under a pump ``duty``; ``doubted`` tells whether a sensor's leaps prove nothing."""
        pumping = duty > 0.0
        if pumping and self.stands_s > 0.0:
            for _, _, leap in self._pipe:
                leap.interrupt()
            self.peak.rest_s = self.stands_s
        self.stands_s = 0.0 if pumping else self.stands_s + elapsed_s
        if pumping:
            self.peak.draw(self._supply.value if self._supply.good_s == now_s else nan, duty, elapsed_s)
        elif self.peak.on_s > 0.0:
            self.peak.stop(now_s, doubted)
        since_s, settled = now_s - self.look_s, self.stands_s >= SETTLED_S
        if since_s < LOOK_S and not (settled and self._jumped()):
            return
        self.look_s = now_s
        if settled:
            _look_at(self._pipe, doubted, now_s)
        if not now_s - self.slow_s < SLOW_LOOK_S:
            self.slow_s = now_s
            _look_at(self._slow, doubted, now_s)
            self.leapt = self._those_off()

    def _jumped(self) -> bool:
        """Whether a reading on the pipe is far from the last look: a false one may start the pump before the next."""
        return any(abs(sensor.value - leap.last_c) > LEAP_K for _, sensor, leap in self._pipe)

    @property
    def core_high_k(self) -> float:
        """How much lower the core may be than its probe shows, since that leapt up [K]."""
        return max(self.leaps[CORE].off_k, 0.0)

    @property
    def supply_low_k(self) -> float:
        """How much hotter the water may be than the supply probe shows, since that leapt down [K]."""
        return max(-self.leaps[SUPPLY].off_k, self.peak.low_k, 0.0)

    @property
    def supply_high_k(self) -> float:
        """How much colder the water may be than the supply probe shows, since that leapt up [K]."""
        return max(self.leaps[SUPPLY].off_k, 0.0)

    def _those_off(self) -> float:
        """Return which probes are off, a bit for each place in ``LEAPING``; 0 for none."""
        off = [abs(leap.off_k) >= LEAP_K for leap in self.leaps]
        off[SUPPLY] = off[SUPPLY] or abs(self.peak.leap.off_k) >= LEAP_K
        return float(sum(1 << place for place, is_off in enumerate(off) if is_off))


def _look_at(rows: list[Row], doubted: Callable[[str], bool], now_s: float) -> None:
    for name, sensor, leap in rows:
        if sensor.good_s == now_s:
            leap.follow(sensor.value, now_s, name, doubted)
