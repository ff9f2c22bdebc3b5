"""Which readings to believe: range, jumps, the false codes of digital probes, silence."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import inf, nan
from operator import attrgetter
from typing import Any

from controller.memory import Memory
from controller.signals import Measurements

HOLD_S = 120.0  # a lost reading stands for this long
COOL_RETURN_C, COLD_RETURN_C = 10.0, 5.0  # what a missing return probe is taken to read
_POWER_ON_C = 85.0  # a digital probe's register before its first conversion (maker's data sheet, from memory)


@dataclass(frozen=True, slots=True)
class Kind:
    """What a sensor can plausibly say: its range, the largest step between two readings, and when a larger one counts.

    A larger step is believed once it has stood for ``rise_wait_s`` or ``fall_wait_s`` [s].
    """

    low: float
    high: float
    step: float = inf
    rise_wait_s: float = 60.0
    fall_wait_s: float = 60.0
    temperature: bool = False


# The pile is tonnes of wet mass: its probe cannot jump. A jump up is believed late, since it would allow a draw.
_PILE = Kind(-40.0, 105.0, step=2.0, rise_wait_s=600.0, temperature=True)
# Water jumps when the pump starts, and then stays where it jumped to; what leaps to and fro is the probe.
_WATER = Kind(-30.0, 105.0, step=6.0, rise_wait_s=0.0, fall_wait_s=0.0, temperature=True)
_TANK = Kind(-30.0, 105.0, step=3.0, temperature=True)
_AIR = Kind(-60.0, 80.0, step=8.0, temperature=True)
_SHARE = Kind(0.0, 1.05)
_VOLTS = Kind(4.0, 20.0, step=2.0)  # below: a loose wire, or nothing left that could run anyway

SENSORS: dict[str, Kind] = {
    "pile_core_c": _PILE,
    "pile_edge_c": _PILE,
    "water_supply_c": _WATER,
    "water_return_c": _WATER,
    "water_flow_kg_s": Kind(-0.1, 10.0),
    "air_supply_c": Kind(-60.0, 105.0, temperature=True),
    "air_supply_rh": _SHARE,
    "fan_speed_hz": Kind(0.0, 1000.0),
    "greenhouse_c": _AIR,
    "greenhouse_rh": _SHARE,
    "outdoor_c": _AIR,
    "tank_c": _TANK,
    "pump_battery_v": _VOLTS,
    "fan_battery_v": _VOLTS,
    "pile_o2": Kind(0.0, 0.25),
    "greenhouse_co2": Kind(0.0, 0.1),
}
_READ: Any = attrgetter(*SENSORS)


class Sensor(Memory):
    """One sensor: the value believed now (NaN when none), what is being doubted, and how many readings were refused."""

    __slots__ = (
        "_high",
        "_kind",
        "_low",
        "_step",
        "doubt_s",
        "doubted",
        "fitted",
        "good_s",
        "pending",
        "rejects",
        "value",
    )

    def __init__(self, kind: Kind) -> None:
        self._kind = kind
        self._low, self._high, self._step = kind.low, kind.high, kind.step
        self.value = nan
        self.good_s = 0.0
        self.doubted = nan
        self.doubt_s = nan
        self.fitted = False
        self.rejects = 0.0  # until somebody takes stock
        self.pending = 0.0  # how many of these agree with each other, so that they may be a jump and no flicker

    def judge(self, raw: float, now_s: float) -> float:
        """Return the value to believe for the reading ``raw`` taken at ``now_s`` [s]; NaN for none."""
        if not self._low <= raw <= self._high:
            return self._held(now_s)
        step = self._step
        if -step <= raw - self.value <= step and raw != _POWER_ON_C:  # nearly always
            self.value, self.good_s = raw, now_s
            self.doubted = self.doubt_s = nan
            return raw
        return self._weigh(raw, now_s)

    def _weigh(self, raw: float, now_s: float) -> float:
        """Judge a reading in range that is the first, a jump, or a probe's power-on code."""
        kind = self._kind
        known = self.value == self.value
        if known and abs(raw - self.value) <= min(kind.step, 3.0 if raw == _POWER_ON_C and kind.temperature else inf):
            return self._believe(raw, now_s)
        if raw == _POWER_ON_C and kind.temperature:
            return self._held(now_s)
        if not known or self._lasted(raw, now_s):
            self.rejects = max(0.0, self.rejects - self.pending)
            return self._believe(raw, now_s)
        self.rejects += 1.0
        self.pending = self.pending + 1.0 if self.doubt_s < now_s else 1.0
        return self.value

    @property
    def scattered(self) -> float:
        """How many readings were refused that did not agree with each other."""
        return self.rejects - self.pending if self.doubted == self.doubted else self.rejects

    def _believe(self, raw: float, now_s: float) -> float:
        self.value, self.good_s, self.fitted = raw, now_s, True
        self.doubted = self.doubt_s = nan
        return raw

    def _held(self, now_s: float) -> float:
        self.rejects += 1.0
        self.doubted = self.doubt_s = nan
        if now_s - self.good_s > HOLD_S:
            self.value = nan
        return self.value

    def _lasted(self, raw: float, now_s: float) -> bool:
        """Tell whether a jump has stood at its new level long enough."""
        if not abs(raw - self.doubted) <= self._kind.step:
            self.doubted, self.doubt_s = raw, now_s
            return False
        wait_s = self._kind.rise_wait_s if raw > self.value else self._kind.fall_wait_s
        return now_s - self.doubt_s >= wait_s


class Readings:
    """The believed values of one step, named as in ``Measurements``; NaN where there is none."""

    __slots__ = tuple(SENSORS)
    pile_core_c: float
    pile_edge_c: float
    water_supply_c: float
    water_return_c: float
    water_flow_kg_s: float
    air_supply_c: float
    air_supply_rh: float
    fan_speed_hz: float
    greenhouse_c: float
    greenhouse_rh: float
    outdoor_c: float
    tank_c: float
    pump_battery_v: float
    fan_battery_v: float
    pile_o2: float
    greenhouse_co2: float


def likely_return_c(r: Readings) -> float:
    """Return water as measured, else as cold as it can well be [degC]."""
    if r.water_return_c == r.water_return_c:
        return r.water_return_c
    return min(r.greenhouse_c, COOL_RETURN_C) if r.greenhouse_c == r.greenhouse_c else COLD_RETURN_C


class SensorChecks(Memory):
    """All sensors of the plant."""

    __slots__ = ("_by_name", "_readings", "sensors")

    def __init__(self) -> None:
        self.sensors = [Sensor(kind) for kind in SENSORS.values()]
        self._readings = Readings()
        self._by_name = dict(zip(SENSORS, self.sensors, strict=True))

    def read(self, m: Measurements, now_s: float) -> Readings:
        """Return the believed values of ``m``; the same object is filled anew at every step."""
        r = self._readings
        (
            r.pile_core_c,
            r.pile_edge_c,
            r.water_supply_c,
            r.water_return_c,
            r.water_flow_kg_s,
            r.air_supply_c,
            r.air_supply_rh,
            r.fan_speed_hz,
            r.greenhouse_c,
            r.greenhouse_rh,
            r.outdoor_c,
            r.tank_c,
            r.pump_battery_v,
            r.fan_battery_v,
            r.pile_o2,
            r.greenhouse_co2,
        ) = [sensor.judge(raw, now_s) for sensor, raw in zip(self.sensors, _READ(m), strict=True)]
        return r

    def expect(self, names: Iterable[str]) -> None:
        """Count sensors as fitted before they have read anything. ``ValueError`` for one that does not exist."""
        for name in names:
            if name not in self._by_name:
                raise ValueError(f"sensor {name!r} is unknown; known are {', '.join(SENSORS)}")
            self._by_name[name].fitted = True

    def sensor(self, name: str) -> Sensor:
        """Return one sensor by its name in ``Measurements``. ``KeyError`` for one that does not exist."""
        return self._by_name[name]

    def lost(self, name: str) -> bool:
        """Tell whether a sensor that once worked has no value now."""
        sensor = self._by_name[name]
        return sensor.fitted and sensor.value != sensor.value

    def age_s(self, name: str, now_s: float) -> float:
        """Return for how long the value of a sensor has been kept without a new one [s]."""
        return now_s - self._by_name[name].good_s

    def fresh(self, name: str, now_s: float) -> bool:
        """Tell whether the value of a sensor was read at ``now_s``, rather than kept from before."""
        return self._by_name[name].good_s == now_s

    def fitted(self, name: str) -> bool:
        """Tell whether a sensor has ever given a reading."""
        return self._by_name[name].fitted
