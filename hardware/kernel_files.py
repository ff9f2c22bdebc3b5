"""Volts, amperes, humidity and CO2 from the kernel's own drivers: its ``hwmon`` and ``iio`` files.

A source is written ``hwmon:CHIP:CHANNEL`` or ``iio:CHIP:CHANNEL``, such as ``hwmon:ina226:in1`` or
``iio:scd30:concentration_co2``. CHIP is what the driver's ``name`` file says; two alike are told apart by their bus
address, ``hwmon:ina226@1-0041:in1``. Units: Documentation/hwmon/sysfs-interface.rst (mV, mA, millidegrees, milli-percent)
and Documentation/ABI/testing/sysfs-bus-iio (the same after offset and scale; concentrations in percent).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite, nan
from pathlib import Path

from hardware.errors import HardwareError
from hardware.reading import ABSENT, BAD, GOOD, Reading, Si

HWMON, IIO = Path("/sys/class/hwmon"), Path("/sys/bus/iio/devices")
_SOURCE = re.compile(r"(hwmon|iio):([\w.-]+)(?:@([\w.:-]+))?:([a-z][\w-]*)")
_LONGEST_FILE = 64

# What one unit of the file is in SI (degC for temperatures), by how the channel's name begins.
_TO_SI = {
    "hwmon": (("in", 1e-3), ("curr", 1e-3), ("temp", 1e-3), ("humidity", 1e-5), ("power", 1e-6)),
    "iio": (
        ("voltage", 1e-3), ("current", 1e-3), ("temp", 1e-3), ("humidityrelative", 1e-5), ("power", 1e-3),
        ("concentration", 1e-2),
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Source:
    """Where a reading comes from; ``value = factor * what the driver says + offset``, in SI units."""

    kind: str
    chip: str
    address: str
    channel: str
    factor: float = 1.0  # of a voltage divider before the chip, for one
    offset: Si = 0.0

    def __str__(self) -> str:
        """As it is written in the settings file."""
        return f"{self.kind}:{self.chip}{'@' + self.address if self.address else ''}:{self.channel}"


def parse_source(text: str, factor: float = 1.0, offset: float = 0.0) -> Source:
    """Read ``kind:chip[@address]:channel``; ``HardwareError`` in one line when it is none."""
    match = _SOURCE.fullmatch(text)
    if match is None:
        raise HardwareError(
            f'"{text}" is no sensor: write a probe like "28-0123456789ab", "hwmon:CHIP:CHANNEL" or "iio:CHIP:CHANNEL"'
        )
    kind, chip, address, channel = match.groups()
    source = Source(kind, chip, address or "", channel, factor, offset)
    unit_si(source)
    return source


def unit_si(source: Source) -> float:
    """What one unit of the driver is in SI; ``HardwareError`` for a kind of channel that is not known."""
    for begins, factor in _TO_SI[source.kind]:
        if re.match(rb"%s(\d|_|$)" % begins.encode(), source.channel.encode()):
            return factor
    known = ", ".join(begins for begins, _ in _TO_SI[source.kind])
    raise HardwareError(f'"{source}": a channel of {source.kind} begins with {known}')


def parse_number(raw: bytes) -> float:
    """Read a driver's number; NaN when it is none. Never raises."""
    try:
        value = float(raw.strip()) if b"_" not in raw else nan
    except ValueError:
        return nan
    return value if isfinite(value) else nan


class KernelFiles:
    """Reads named sources; a driver that was away is found again by itself."""

    def __init__(self, sources: Mapping[str, Source], hwmon: Path = HWMON, iio: Path = IIO) -> None:
        self.sources, self._roots = dict(sources), {"hwmon": hwmon, "iio": iio}

    def sample(self) -> dict[str, Reading]:
        """Read every source once. Never raises."""
        chips = self._here()
        return {name: self._read(source, chips[source.kind]) for name, source in self.sources.items()}

    def missing(self) -> dict[str, str]:
        """Names whose chip is not there now, each with one line that says so."""
        chips = self._here()
        return {n: f"sensor {n}: {why}" for n, s in self.sources.items() if (why := _where(s, chips[s.kind])[1])}

    def _here(self) -> dict[str, list[tuple[Path, str]]]:
        """The chips of every kind that are there now, by folder and name."""
        return {kind: _chips(self._roots[kind]) for kind in {source.kind for source in self.sources.values()}}

    def _read(self, source: Source, chips: list[tuple[Path, str]]) -> Reading:
        folder, why = _where(source, chips)
        if folder is None:
            return Reading(nan, 0.0, ABSENT, why)
        try:
            raw = _hwmon_value(folder, source) if source.kind == "hwmon" else _iio_value(folder, source)
        except OSError as wrong:
            return Reading(nan, 0.0, ABSENT, f"{source}: {wrong.strerror}")
        value = raw * unit_si(source) * source.factor + source.offset
        if not isfinite(value):
            return Reading(nan, 0.0, BAD, f"{source}: the driver gives no number")
        return Reading(value, 0.0, GOOD, "")


def _where(source: Source, chips: list[tuple[Path, str]]) -> tuple[Path | None, str]:
    """The folder of the source's chip, or None and why not."""
    named = [folder for folder, name in chips if name == source.chip]
    if source.address:
        named = [folder for folder in named if _address(folder) == source.address]
    if len(named) == 1:
        return named[0], ""
    if named:
        addresses = ", ".join(f"{source.chip}@{_address(folder)}" for folder in named)
        return None, f"{source}: there are several, say which: {addresses}"
    known = ", ".join(sorted(f"{name}@{_address(folder)}" for folder, name in chips)) or "none at all"
    return None, f"{source}: no such chip; there are: {known}"


def _chips(root: Path) -> list[tuple[Path, str]]:
    """Every chip under ``root`` as (folder, name)."""
    found = []
    try:
        for folder in sorted(root.iterdir()):
            name = folder / "name"
            if name.is_file():
                found.append((folder, name.read_bytes().decode("ascii", "replace").strip()))
    except OSError:
        pass
    return found


def _address(folder: Path) -> str:
    """The bus address: hwmon links to its device; an iio folder lies inside that of its device. Costs more than the name."""
    device = folder / "device"
    return device.resolve().name if device.exists() else folder.resolve().parent.name


def _number(file: Path) -> float:
    with file.open("rb") as stream:
        return parse_number(stream.read(_LONGEST_FILE))


def _hwmon_value(folder: Path, source: Source) -> float:
    return _number(folder / f"{source.channel}_input")


def _iio_value(folder: Path, source: Source) -> float:
    """``in_X_input`` is ready for use; ``in_X_raw`` wants (raw + offset) * scale."""
    ready = folder / f"in_{source.channel}_input"
    if ready.exists():
        return _number(ready)
    return (_number(folder / f"in_{source.channel}_raw") + _extra(folder, source, "offset", 0.0)) * _extra(
        folder, source, "scale", 1.0
    )


def _extra(folder: Path, source: Source, what: str, otherwise: float) -> float:
    """Scale or offset of a channel: its own, else that of its kind (in_voltage_scale), else none."""
    kind = re.sub(r"\d+$", "", source.channel)
    for channel in dict.fromkeys((source.channel, kind)):
        file = folder / f"in_{channel}_{what}"
        if file.exists():
            return _number(file)
    return otherwise
