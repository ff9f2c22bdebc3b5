"""What the settings file says of the world outside: status page, MQTT broker, notifications."""

from __future__ import annotations

import re
import shlex
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from .errors import UsageError
from .fuel_choice import FuelSettings, chosen
from .units import QuantityError

DEFAULT_LISTEN = "127.0.0.1:8067"
_ADDRESS = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[0-9A-Za-z.-]+):([0-9]{1,5})")
_TOPIC = re.compile(r"[^#+/\s$][^#+\s]*(?<!/)")


@dataclass(frozen=True, slots=True)
class PageSettings:
    """The status page. Without a ``token`` it shows everything and changes nothing."""

    serve: bool = True
    listen: str = DEFAULT_LISTEN
    token: str = ""
    name: str = ""
    temperature: str = "degC"
    flow: str = "L/min"
    heat: str = "kWh"


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """The broker. Without a ``host`` nothing is published."""

    host: str = ""
    port: int = 1883
    user: str = ""
    password: str = ""
    tls: bool = False
    topic: str = "warmheap"


@dataclass(frozen=True, slots=True)
class NotifySettings:
    """The command that brings messages to the grower. Without one, nobody is told but the log."""

    command: str = ""
    severity: str = "warning"
    daily: bool = True
    daily_hour: int = 7


@dataclass(frozen=True, slots=True)
class OutsideSettings:
    """All of them, and the fuel that the pile's heat is counted in."""

    page: PageSettings = PageSettings()
    mqtt: MqttSettings = MqttSettings()
    notify: NotifySettings = NotifySettings()
    fuel: FuelSettings = FuelSettings()


def outside(values: Mapping[str, Any]) -> OutsideSettings:
    """From the values of a settings file by "table.key"; ``QuantityError`` in one line."""

    def of(table: str) -> dict[str, Any]:
        return {k.removeprefix(table + "."): v for k, v in values.items() if k.startswith(table + ".")}

    fuel = FuelSettings(**of("fuel"))
    try:
        chosen(fuel)
    except UsageError as wrong:
        raise QuantityError(str(wrong)) from None
    found = OutsideSettings(
        PageSettings(**of("page")), MqttSettings(**of("mqtt")), NotifySettings(**of("notify")), fuel
    )
    address(found.page.listen)
    if not _TOPIC.fullmatch(found.mqtt.topic):
        raise QuantityError(f'mqtt.topic = "{found.mqtt.topic}" is no topic: no #, +, $, spaces, nor a / at either end')
    try:
        shlex.split(found.notify.command)
    except ValueError as wrong:
        raise QuantityError(f"notify.command = {found.notify.command!r} cannot be split into words: {wrong}") from None
    return found


def address(listen: str) -> tuple[str, int]:
    """Host and port of "HOST:PORT"; ``QuantityError`` when it is none."""
    match = _ADDRESS.fullmatch(listen)
    if not match or not 0 <= int(match[2]) <= 65535:
        raise QuantityError(f'page.listen = "{listen}" is not an address and port, like "{DEFAULT_LISTEN}"')
    return match[1].strip("[]"), int(match[2])
