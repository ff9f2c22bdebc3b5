"""Every key of the settings file in one table: unit, bounds, default, meaning.

The reader, ``init`` and the reference page are all made from it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

from controller.settings import ControllerSettings
from controller.signals import Measurements

# The tables of the file, in order, with what each is about.
TABLES: dict[str, str] = {
    "water": "What you want from the water loop.",
    "greenhouse": "What the crop wants.",
    "pile": "The pile, what is in it, and when it may be drawn from.",
    "pump": "The pump: where it is connected, what it can do.",
    "fan": "The fan: where it is connected, what it can do.",
    "battery": "Both batteries.",
    "sensors": "Which reading comes from which sensor. Leave out what you do not have.",
    "flow_meter": "A water meter with pulses.",
    "tachometer": "The fan's speed wire.",
    "board": "The board itself.",
    "controller": "The rest.",
}

_BY_PREFIX = {  # in which table a field of ControllerSettings stands, by the first word of its name
    "supply": "water", "flow": "water", "line": "water", "greenhouse": "greenhouse", "humidity": "greenhouse",
    "co2": "greenhouse", "pile": "pile", "coil": "pile", "drum": "pile", "start": "pile", "pump": "pump", "fan": "fan",
    "battery": "battery",
}  # fmt: skip
_SUFFIX = {
    "degC": "_c",
    "K": "_k",
    "kg/s": "_kg_s",
    "s": "_s",
    "kg": "_kg",
    "W/K": "_w_k",
    "m3": "_m3",
    "W": "_w",
    "V": "_v",
}

_SENSOR_UNITS = ("_c", "_v", "_a")
CURRENTS = ("pump_battery_a", "fan_battery_a")  # read and logged; the controller does without
NOT_FILES = ("time_s", "water_flow_kg_s", "fan_speed_hz")


@dataclass(frozen=True, slots=True)
class Key:
    """One key. ``kind`` is one of ``units.KINDS``, or "choice", "order", "pin", "count", "pwm", "yes/no", "sensor".

    ``target`` is what it fills: a field of ``ControllerSettings``, or of the board's records. Bounds are in SI.
    """

    table: str
    name: str
    kind: str
    help: str
    target: str
    default: Any = None
    bounds: tuple[float, float] | None = None
    allowed: tuple[str, ...] = ()

    @property
    def path(self) -> str:
        """As error messages and the page name it."""
        return f"{self.table}.{self.name}"


def _controller_keys() -> Iterator[Key]:
    for f in fields(ControllerSettings):
        meta = f.metadata
        table = _BY_PREFIX.get(f.name.split("_")[0], "controller")
        name = f.name.removeprefix(table + "_").removesuffix(_SUFFIX.get(meta["unit"], "?"))
        if "allowed" in meta:
            yield Key(table, name, "choice", meta["help"], f.name, f.default, allowed=tuple(meta["allowed"]))
            continue
        if "order" in meta:
            yield Key(table, name, "order", meta["help"], f.name, f.default, allowed=tuple(meta["order"]))
            continue
        kind = "kg/s air" if meta["unit"] == "kg/s" and table == "fan" else meta["unit"]
        yield Key(table, name, kind, meta["help"], f.name, f.default, (meta["low"], meta["high"]))


def _output_keys(table: str) -> Iterator[Key]:
    def key(name: str, kind: str, help_text: str, default: Any = None, bounds: Any = None) -> Key:
        return Key(table, name, kind, help_text, f"{table}.{name}", default, bounds)

    yield key("pin", "pin", f"GPIO line (Broadcom number) of the switch transistor of the {table}", None, (0, 53))
    yield key(
        "pwm", "pwm", 'instead of pin: a PWM channel of the kernel, "chip/channel"; finer, and fast enough for 25 kHz'
    )
    yield key(
        "frequency", "Hz", "of the PWM; at most 100 Hz on a pin, 25 kHz for a four-wire fan on pwm", 100.0, (1.0, 1e5)
    )
    yield key(
        "safe", "1", "duty when the program is dead or stuck; above 0 only where standing water freezes", 0.0, (0, 0.5)
    )
    yield key("active_high", "yes/no", "a high level turns it on; false is refused, since such a switch fails ON", True)


def _pulse_keys() -> Iterator[Key]:
    pull = ("up", "down", "floating")
    pull_help = "pull of the line; up for an open collector, the usual kind"
    yield Key("flow_meter", "pin", "pin", "GPIO line of the meter's pulse wire", "flow_meter.pin", None, (0, 53))
    yield Key("flow_meter", "pulses", "1/kg", "pulses per litre, from the meter's sheet or by bucket", "flow_meter.per_unit",
              450.0, (0.1, 10000.0))  # fmt: skip
    yield Key("flow_meter", "pull", "choice", pull_help, "flow_meter.pull", "up", allowed=pull)
    yield Key("tachometer", "pin", "pin", "GPIO line of the fan's speed wire", "tachometer.pin", None, (0, 53))
    yield Key(
        "tachometer",
        "pulses_per_turn",
        "count",
        "pulses a turn; nearly all fans give 2",
        "tachometer.per_unit",
        2,
        (1, 100),
    )
    yield Key("tachometer", "pull", "choice", pull_help, "tachometer.pull", "up", allowed=pull)


_SENSOR_HELP = {
    "pile_core": "probe in the core of the pile; the one that cannot be done without",
    "pile_edge": "probe near the edge of the pile",
    "water_supply": "probe on the pipe where water leaves the pile",
    "water_return": "probe on the pipe where water enters the pile",
    "air_supply": "probe in the duct, at its greenhouse end",
    "air_supply_rh": "humidity in the duct, at its greenhouse end",
    "greenhouse": "greenhouse air, shaded and at plant height",
    "greenhouse_rh": "humidity of greenhouse air",
    "outdoor": "outdoor air, shaded",
    "tank": "tank or pond in the greenhouse",
    "pump_battery": "volts of the pump's battery",
    "fan_battery": "volts of the fan's battery",
    "pump_battery_current": "amperes out of the pump's battery; logged only",
    "fan_battery_current": "amperes out of the fan's battery; logged only",
    "pile_o2": "oxygen in pile air",
    "greenhouse_co2": "CO2 in greenhouse air",
}


def _sensor_keys() -> Iterator[Key]:
    readings = [f.name for f in fields(Measurements) if f.name not in NOT_FILES] + list(CURRENTS)
    for reading in readings:
        name = reading.removesuffix("_a") + "_current" if reading in CURRENTS else _without_unit(reading)
        yield Key("sensors", name, "sensor", _SENSOR_HELP[name], reading)


def _without_unit(reading: str) -> str:
    return next((reading.removesuffix(u) for u in _SENSOR_UNITS if reading.endswith(u)), reading)


def _board_keys() -> Iterator[Key]:
    yield Key(
        "board", "gpiochip", "count", "number of the GPIO chip when the board has several", "gpiochip", None, (0, 31)
    )
    yield Key(
        "board", "stale_after", "s", "a reading older than this counts as none", "stale_after_s", 30.0, (5.0, 600.0)
    )


def _all() -> tuple[Key, ...]:
    found = [
        *_output_keys("pump"),
        *_output_keys("fan"),
        *_controller_keys(),
        *_sensor_keys(),
        *_pulse_keys(),
        *_board_keys(),
    ]
    return tuple(sorted(found, key=lambda key: list(TABLES).index(key.table)))


KEYS: tuple[Key, ...] = _all()
BY_PATH: dict[str, Key] = {key.path: key for key in KEYS}
