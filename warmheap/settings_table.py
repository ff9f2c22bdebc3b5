"""Every key of the settings file in one table: unit, bounds, default, meaning.

The reader, ``init`` and the reference page are all made from it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

from controller.settings import ControllerSettings
from controller.signals import Measurements

from .fuels import FUELS

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
    "page": "The status page that `warmheap run` serves.",
    "mqtt": "An MQTT broker to publish to.",
    "notify": "Messages to you, by a command of yours.",
    "fuel": "The fuel in which the pile's heat is counted on the status page, in reports and plans.",
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
    """One key. ``kind`` is one of ``units.KINDS``, or "choice", "order", "pin", "count", "pwm", "yes/no", "sensor",
    "text", "date". Bounds of a text are its shortest and longest length.

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


def _outside_keys() -> Iterator[Key]:
    def key(path: str, kind: str, help_text: str, default: Any = None, bounds: Any = None, allowed: Any = ()) -> Key:
        table, _, name = path.partition(".")
        target = "notify.severity" if path == "notify.from" else path
        return Key(table, name, kind, help_text, target, default, bounds, allowed)

    yield key("page.serve", "yes/no", "serve it at all", True)
    yield key(
        "page.listen", "text", 'address and port; "0.0.0.0:8067" lets every device in your network see it',
        "127.0.0.1:8067", (3, 80),
    )  # fmt: skip
    yield key("page.token", "text", "password for commands; without one the page only shows", None, (16, 200))
    yield key(
        "page.name", "text", "host name under which you call the page, if it is not the board's own", None, (1, 100)
    )
    yield key("page.temperature", "choice", "unit on the page", "degC", allowed=("degC", "degF"))
    yield key("page.flow", "choice", "unit on the page", "L/min", allowed=("L/min", "gal/min"))
    yield key("page.heat", "choice", "unit on the page", "kWh", allowed=("kWh", "Btu"))
    yield key(
        "mqtt.host", "text", "host name or address of the broker; without one nothing is published", None, (1, 253)
    )
    yield key("mqtt.port", "count", "its port; usually 8883 with tls", 1883, (1, 65535))
    yield key("mqtt.user", "text", "user name, if the broker wants one", None, (1, 100))
    yield key("mqtt.password", "text", "its password", None, (1, 200))
    yield key("mqtt.tls", "yes/no", "encrypt, and check the broker's certificate", False)
    yield key("mqtt.topic", "text", "what every topic begins with", "warmheap", (1, 100))
    yield key("notify.command", "text", "program and arguments; gets the message on standard input", None, (1, 400))
    yield key("notify.from", "choice", "alarms from this severity on are sent", "warning",
              allowed=("notice", "warning", "critical"))  # fmt: skip
    yield key("notify.daily", "yes/no", "a note every day, also when all is well: its absence is the alarm", True)
    yield key("notify.daily_hour", "count", "hour of the day for it, by the board's clock", 7, (0, 23))


def _fuel_keys() -> Iterator[Key]:
    def key(name: str, kind: str, help_text: str, bounds: Any = None, allowed: Any = ()) -> Key:
        return Key("fuel", name, kind, help_text, f"fuel.{name}", None, bounds, allowed)

    yield key("kind", "choice", "what would heat otherwise, by the unit it is sold in", allowed=tuple(FUELS))
    yield key(
        "efficiency",
        "1",
        "of that heater against gross energy; its usual one if not given; a heat pump's COP",
        (0.1, 6.0),
    )
    yield key("price", "text", 'of one unit, "2.66 USD" or "2.66 USD/gal"', (1, 40))
    yield key("price_date", "date", "the day it was asked; after 90 days it is called old")


def _all() -> tuple[Key, ...]:
    found = [
        *_output_keys("pump"),
        *_output_keys("fan"),
        *_controller_keys(),
        *_sensor_keys(),
        *_pulse_keys(),
        *_board_keys(),
        *_outside_keys(),
        *_fuel_keys(),
    ]
    return tuple(sorted(found, key=lambda key: list(TABLES).index(key.table)))


KEYS: tuple[Key, ...] = _all()
BY_PATH: dict[str, Key] = {key.path: key for key in KEYS}
