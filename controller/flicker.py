"""Which sensor gives bad readings again and again: lost samples, power-on codes, jumps that do not last.

A false code is never told by its value alone: 85 degC is near what a pile can be. The share counts, over ten minutes.
"""

from __future__ import annotations

from controller.alarm_kind import places_in
from controller.alarm_kinds_slow import FLICKERING
from controller.checks import SENSORS, SensorChecks
from controller.memory import Memory

WINDOW_S = 600.0
BAD_SHARE = 0.2
DOUBTED_S = 6 * 3600.0
FEWEST_STEPS = 8.0  # fewer readings in a window prove nothing
_PLACE = {name: place for place, name in enumerate(SENSORS)}
_BIT = {name: 1 << place for place, name in enumerate(FLICKERING)}


class Flicker(Memory):
    """The sensors that flickered in the last window, as a set: a bit for each place in ``FLICKERING``; 0 for none."""

    __slots__ = ("bad", "last", "last_s", "steps", "time_s")

    def __init__(self) -> None:
        self.steps = 0.0
        self.time_s = 0.0
        self.bad = 0.0
        self.last = 0.0  # those of the last window that had any, and how long ago that is
        self.last_s = 0.0

    def known(self, name: str) -> bool:
        """Whether the sensor flickered in the last window."""
        return bool(places_in(self.bad) & _BIT[name])

    def restless(self, checks: SensorChecks, name: str, steps: float) -> bool:
        """Whether the sensor is known to flicker, or does so in the ``steps`` readings since the last review."""
        return self.known(name) or checks.sensors[_PLACE[name]].scattered > BAD_SHARE * steps

    def doubted(self, checks: SensorChecks, name: str, steps: float) -> bool:
        """Whether it is restless, or was within the last hours: a change that it shows proves nothing."""
        lately = places_in(self.last) & _BIT[name] and self.last_s < DOUBTED_S
        return bool(lately) or self.restless(checks, name, steps)

    def review(self, checks: SensorChecks, steps: float, elapsed_s: float) -> None:
        """Take ``steps`` more readings of every sensor that came in ``elapsed_s``."""
        self.steps += steps
        self.time_s += elapsed_s
        if self.time_s < WINDOW_S:
            return
        shares = [(bit, _bad_share(checks, _PLACE[name], self.steps)) for name, bit in _BIT.items()]
        self.bad = float(sum(bit for bit, share in shares if share > BAD_SHARE and self.steps >= FEWEST_STEPS))
        self.last_s += self.time_s
        if self.bad > 0.0:
            self.last, self.last_s = self.bad, 0.0
        for sensor in checks.sensors:
            sensor.rejects = sensor.pending = 0.0
        self.steps = self.time_s = 0.0


def _bad_share(checks: SensorChecks, place: int, steps: float) -> float:
    """Share of bad readings; 0 for a sensor that is silent, which is another alarm, or not fitted."""
    sensor = checks.sensors[place]
    silent = sensor.rejects >= steps
    return 0.0 if silent or not sensor.fitted else sensor.scattered / max(steps, 1.0)
