"""Reads the settings file: TOML with quantity strings, every mistake told in one line."""

from __future__ import annotations

import difflib
import json
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from controller.settings import ControllerSettings, SettingsError
from hardware.errors import HardwareError
from hardware.kernel_files import Source, parse_source
from hardware.onewire import PROBE_ID
from hardware.settings import BoardSettings, OutputSettings, PulseSettings, Roots
from hardware.wiring import check_wiring

from .errors import UsageError
from .files import read_at_most
from .outside_settings import OutsideSettings, outside
from .settings_table import BY_PATH, KEYS, TABLES, Key
from .units import QuantityError, from_si, to_si, unit_of

SYS = "WARMHEAP_SYS"  # tests and the kernel rig put another /sys here
LONGEST_LINE = 480
_LARGEST_FILE = 64 * 1024
_LARGEST_FACTOR = 1000.0
SECRETS = ("page.token", "mqtt.password")  # never shown, not even when they are wrong


class SettingsFileError(UsageError):
    """The file cannot be used; the text is the one line that the grower reads."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What a settings file says. ``board`` is None when it says nothing of pins or PWM channels."""

    controller: ControllerSettings
    board: BoardSettings | None
    text: str
    outside: OutsideSettings = OutsideSettings()


def load(path: str | Path) -> Settings:
    """Read a settings file; ``SettingsFileError`` with one line on whatever is wrong."""
    try:
        raw = read_at_most(Path(path), _LARGEST_FILE + 1)
        if len(raw) > _LARGEST_FILE:
            raise SettingsFileError(f"{path} is larger than {_LARGEST_FILE // 1024} KiB: is it a settings file?")
        return parse(raw.decode("utf-8"), str(path))
    except OSError as wrong:
        raise SettingsFileError(f"cannot read {path}: {wrong.strerror}; 'warmheap init' writes one") from None
    except UnicodeDecodeError:
        raise SettingsFileError(f"{path} is not text in UTF-8") from None


def parse(text: str, source: str = "settings") -> Settings:
    """Read settings from TOML text; ``source`` is how error messages call it."""
    try:
        return _settings(_tables(text), text)
    except SettingsError as wrong:
        raise SettingsFileError(_printable(f"{source}: {_in_the_files_words(str(wrong))}")) from None
    except (HardwareError, QuantityError, SettingsFileError) as wrong:
        raise SettingsFileError(_printable(f"{source}: {wrong}")) from None


def _tables(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as wrong:  # a ValueError, not its own, for numbers of thousands of digits
        raise SettingsFileError(f"is not valid TOML: {str(wrong).partition(';')[0]}") from None


def _settings(raw: Mapping[str, Any], text: str) -> Settings:
    values = {key.target: _value(key, given) for key, given in _known(raw)}
    names = {key.target for key in KEYS if "." not in key.target and key.table not in ("sensors", "board")}
    controller = ControllerSettings(**{name: v for name, v in values.items() if name in names})
    return Settings(controller, _board(values, raw), text, outside(values))


def _known(raw: Mapping[str, Any]) -> list[tuple[Key, Any]]:
    """Every key of the file with its description; an unknown one is refused with the nearest known one."""
    found = []
    for table, inner in raw.items():
        if not isinstance(inner, dict):
            raise SettingsFileError(f"{table} stands outside any table{_belongs(table)}")
        if table not in TABLES:
            raise SettingsFileError(f"[{table}]: no such table{_nearest(table, TABLES, '[{}]')}")
        for name, value in inner.items():
            key = BY_PATH.get(f"{table}.{name}")
            if key is None:
                names = [k.name for k in KEYS if k.table == table]
                hint = _nearest(name, names, table + ".{}") or _belongs(name)
                raise SettingsFileError(f"{table}.{name}: no such key{hint}")
            found.append((key, value))
    return found


def _nearest(name: str, known: Any, form: str) -> str:
    near = difflib.get_close_matches(name, list(known), n=1, cutoff=0.6)
    return f"; did you mean {form.format(near[0])}?" if near else ""


def _belongs(name: str) -> str:
    places = [k.table for k in KEYS if k.name == name]
    if places:
        return f"; {name} belongs in {' or '.join(f'[{p}]' for p in places)}"
    near = difflib.get_close_matches(name, [k.name for k in KEYS], n=1, cutoff=0.7)
    return f"; did you mean {next(k.path for k in KEYS if k.name == near[0])}?" if near else "; see docs/settings.md"


def _value(key: Key, given: Any) -> Any:
    try:
        return _READERS.get(key.kind, _quantity)(key, given)
    except (QuantityError, HardwareError) as wrong:
        if key.path in SECRETS:
            raise QuantityError(f"{key.path} {wrong}") from None
        said = str(wrong).removeprefix(f'"{given}"').removeprefix(_shown(given)).strip()  # named once is enough
        raise QuantityError(f"{key.path} = {_shown(given)} {said}") from None


def _quantity(key: Key, given: Any) -> float:
    value = to_si(given, key.kind)
    if key.bounds and not key.bounds[0] <= value <= key.bounds[1]:
        low, high = (from_si(bound, key.kind, unit_of(given)) for bound in key.bounds)
        raise QuantityError(f"is outside {low} .. {high}")
    return value


def _choice(key: Key, given: Any) -> str:
    if given not in key.allowed:
        raise QuantityError(f"is not one of {', '.join(key.allowed)}")
    return str(given)


def _order(key: Key, given: Any) -> tuple[str, ...]:
    if not isinstance(given, list) or not all(isinstance(name, str) for name in given):
        raise QuantityError("is not a list of names in quotes")
    return tuple(given)


def _count(key: Key, given: Any) -> int:
    assert key.bounds is not None  # noqa: S101 - the table gives every count its bounds
    low, high = (round(bound) for bound in key.bounds)
    if isinstance(given, bool) or not isinstance(given, int) or not low <= given <= high:
        raise QuantityError(f"is not a whole number from {low} to {high}")
    return given


def _pwm(key: Key, given: Any) -> tuple[int, int]:
    chip, _, channel = given.partition("/") if isinstance(given, str) else ("", "", "")
    if not (chip.isdecimal() and channel.isdecimal() and given.isascii() and len(given) <= 7):
        raise QuantityError('is not "chip/channel", like "0/1" for pwmchip0, channel 1')
    return int(chip), int(channel)


def _text(key: Key, given: Any) -> str:
    assert key.bounds is not None  # noqa: S101 - the table gives every text its bounds
    if not isinstance(given, str) or not given.isprintable():
        raise QuantityError("is not a text in quotes")
    if not key.bounds[0] <= len(given) <= key.bounds[1]:
        raise QuantityError(f"has {len(given)} characters: must have {key.bounds[0]:g} to {key.bounds[1]:g}")
    return given


def _yes_no(key: Key, given: Any) -> bool:
    if not isinstance(given, bool):
        raise QuantityError("is not true or false")
    return given


def _date(key: Key, given: Any) -> date:
    """A date of TOML's own, or one in quotes."""
    try:
        if type(given) is date:
            return given
        return date.fromisoformat(given)
    except (TypeError, ValueError):
        raise QuantityError("is no date: write it as year-month-day, like 2026-02-23") from None


def _sensor(key: Key, given: Any) -> tuple[str, float] | Source:
    """A probe as (id, offset), or a kernel file; both plain or as { source, factor, offset }."""
    extra = dict(given) if isinstance(given, dict) else {"source": given}
    source, factor, offset = extra.pop("source", None), extra.pop("factor", 1.0), extra.pop("offset", 0.0)
    if extra or not isinstance(source, str):
        raise QuantityError(
            'is not a sensor: write "28-0123456789ab" or { source = "...", factor = 1.0, offset = ... }'
        )
    temperature = key.target.endswith("_c")
    offset_si = to_si(offset, "K" if temperature else _unit_of_reading(key.target)) if offset != 0.0 else 0.0
    if not isinstance(factor, (int, float)) or isinstance(factor, bool) or not 0.0 < abs(factor) <= _LARGEST_FACTOR:
        raise QuantityError(f"has factor {factor!r}: must be a number up to {_LARGEST_FACTOR:g} and not 0")
    if PROBE_ID.fullmatch(source):
        if not temperature or factor != 1.0:
            raise QuantityError(
                "is a thermometer, which measures no such thing" if not temperature else "takes no factor"
            )
        return source, offset_si
    return parse_source(source, float(factor), offset_si)


def _unit_of_reading(reading: str) -> str:
    return "V" if reading.endswith("_v") else "A" if reading.endswith("_a") else "1"


_READERS: dict[str, Any] = {
    "choice": _choice, "order": _order, "pin": _count, "count": _count, "pwm": _pwm, "yes/no": _yes_no, "sensor": _sensor,
    "text": _text, "date": _date,
}  # fmt: skip


def _board(values: Mapping[str, Any], raw: Mapping[str, Any]) -> BoardSettings | None:
    if not any(f"{o}.{place}" in values for o in ("pump", "fan") for place in ("pin", "pwm")):
        return None
    sensors = {k.target: values[k.target] for k in KEYS if k.kind == "sensor" and k.target in values}
    probes = {n: v for n, v in sensors.items() if isinstance(v, tuple)}
    _no_probe_twice(probes)
    board = BoardSettings(
        pump=_output("pump", values),
        fan=_output("fan", values),
        flow_meter=_pulses("flow_meter", values, raw),
        tachometer=_pulses("tachometer", values, raw),
        probes={n: probe_id for n, (probe_id, _) in probes.items()},
        probe_offset_k={n: offset_k for n, (_, offset_k) in probes.items() if offset_k},
        sources={n: v for n, v in sensors.items() if isinstance(v, Source)},
        roots=Roots.under(os.environ.get(SYS, "/sys")),
        **{k.target: values[k.target] for k in KEYS if k.table == "board" and k.target in values},
    )
    check_wiring(board)
    return board


def _no_probe_twice(probes: Mapping[str, tuple[str, float]]) -> None:
    names = {k.target: k.path for k in KEYS if k.kind == "sensor"}
    seen: dict[str, str] = {}
    for reading, (probe_id, _) in probes.items():
        if probe_id in seen:
            raise SettingsFileError(f"probe {probe_id} is used twice, for {seen[probe_id]} and {names[reading]}")
        seen[probe_id] = names[reading]


def _output(name: str, values: Mapping[str, Any]) -> OutputSettings:
    fields = {
        "pin": "pin",
        "pwm": "pwm",
        "frequency": "frequency_hz",
        "safe": "safe_duty",
        "active_high": "active_high",
    }
    given = {field: values[f"{name}.{key}"] for key, field in fields.items() if f"{name}.{key}" in values}
    output = OutputSettings(**given)
    if output.pwm is None and output.frequency_hz > 100.0:
        raise SettingsFileError(f'{name}.frequency is too fast for a pin, at most "100 Hz": lower it or use {name}.pwm')
    return output


def _pulses(table: str, values: Mapping[str, Any], raw: Mapping[str, Any]) -> PulseSettings | None:
    if table not in raw:
        return None
    if f"{table}.pin" not in values:
        raise SettingsFileError(f"[{table}] has no pin: say where its pulse wire is connected")
    defaults = {k.target: k.default for k in KEYS if k.table == table}
    given = {k: values.get(f"{table}.{k}", defaults[f"{table}.{k}"]) for k in ("pin", "per_unit", "pull")}
    return PulseSettings(pin=given["pin"], per_unit=float(given["per_unit"]), pull=given["pull"])


def _in_the_files_words(text: str) -> str:
    """Name keys as the file does, not as the code does."""
    for key in sorted(KEYS, key=lambda k: -len(k.target)):
        if "." not in key.target and key.kind != "sensor":
            text = text.replace(key.target, key.path)
    return text


def _shown(given: Any) -> str:
    text = json.dumps(given, ensure_ascii=False, default=str)
    return text if len(text) <= 80 else text[:77] + "..."


def _printable(text: str) -> str:
    line = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return line if len(line) <= LONGEST_LINE else f"{line[: LONGEST_LINE // 2]} ... {line[-LONGEST_LINE // 3 :]}"
