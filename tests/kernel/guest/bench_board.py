"""The board as the guest has it: a simulated GPIO chip, two battery monitors on I2C, probes on a 1-wire bus."""

from __future__ import annotations

import fcntl
import json
import os
import struct
import time
from ctypes import addressof, create_string_buffer
from dataclasses import dataclass
from pathlib import Path
from typing import Any

CONFIG = Path("/sys/kernel/config/gpio-sim")
DEBUG = Path("/sys/kernel/debug")
PUMP, FAN, FLOW, TACHO = 18, 13, 23, 24
PROBES = {"pile_core": 1, "water_supply": 2, "water_return": 3, "greenhouse": 4, "outdoor": 5, "air_supply": 6}
METER_PER_L, TURNS = 45.0, 1.0
I2C_SMBUS = 0x0720
I2C_SLAVE_FORCE = 0x0706  # the driver holds the address; the registers are ours to set all the same
WRITE, WORD = 0, 3


def tell(case: str, **found: Any) -> None:
    """One result for the host, in one write: what another process says meanwhile must not come between."""
    os.write(1, f"@@{json.dumps({'case': case, **found})}\n".encode())


def put(path: Path | str, text: object) -> None:
    """Write a kernel file."""
    with open(path, "w", encoding="ascii") as stream:
        stream.write(str(text))


@dataclass(frozen=True, slots=True)
class Line:
    """One line by the account of the kernel module: times in nanoseconds of the monotonic clock."""

    level: int
    high_ns: int
    rises: int
    changed_ns: int
    rose_ns: int
    high_at_rise_ns: int


class Chip:
    """A simulated GPIO chip with 28 lines, made anew."""

    def __init__(self, lines: int = 28) -> None:
        folder = CONFIG / "rig"
        (folder / "bank0").mkdir(parents=True)
        put(folder / "bank0/num_lines", lines)
        put(folder / "live", 1)
        self.name = (folder / "bank0/chip_name").read_text().strip()
        self.number = int(self.name.removeprefix("gpiochip"))
        self._lines = Path("/sys/devices/platform", (folder / "dev_name").read_text().strip(), self.name)
        while not Path("/dev", self.name).exists():
            time.sleep(0.01)

    def pull(self, line: int) -> Pull:
        """What drives an input from outside."""
        return Pull(self._lines / f"sim_gpio{line}/pull")


class Pull:
    """Drives an input by its pull, fast enough for pulses."""

    def __init__(self, file: Path) -> None:
        self._file = os.open(file, os.O_WRONLY)

    def set(self, level: bool) -> None:
        """Pull the line up or down."""
        os.pwrite(self._file, b"pull-up" if level else b"pull-down", 0)


def lines() -> tuple[int, dict[int, Line]]:
    """The kernel's time now [ns] and every line that ever changed."""
    first, *rest = (DEBUG / "rig_lines").read_text().splitlines()
    rows = [[int(word) for word in row.split()] for row in rest]
    return int(first.split()[1]), {row[0]: Line(*row[1:]) for row in rows}


class DutyMeter:
    """The duty of a line since the last look, from the time that it was high."""

    def __init__(self, line: int) -> None:
        self._line = line
        self._before = self._now()

    def _now(self) -> tuple[int, int]:
        now_ns, found = lines()
        return now_ns, found[self._line].high_ns if self._line in found else 0

    def duty(self) -> float:
        """Share of the time since the last call that the line was high, 0..1."""
        (then_ns, high_then_ns), self._before = self._before, self._now()
        now_ns, high_ns = self._before
        return (high_ns - high_then_ns) / max(now_ns - then_ns, 1)


def probe(number: int, **changes: int) -> None:
    """Change what a probe measures or how it fails: millideg, present, spoil, deaf."""
    for name, value in changes.items():
        put(DEBUG / f"w1_bench/{number}/{name}", value & 0xFFFFFFFF)


def temperature(number: int, celsius: float) -> None:
    """Set what a probe would measure."""
    probe(number, millideg=round(1000.0 * celsius))


def _smbus_word(address: int, register: int, value: int) -> None:
    """Write a register of the simulated I2C chip (big end first, as the chip has it)."""
    swapped = (value & 0xFF) << 8 | value >> 8
    data = create_string_buffer(struct.pack("<H", swapped).ljust(34, b"\0"), 34)
    bus = os.open(f"/dev/i2c-{stub_bus()}", os.O_RDWR)
    try:
        fcntl.ioctl(bus, I2C_SLAVE_FORCE, address)
        fcntl.ioctl(bus, I2C_SMBUS, struct.pack("BBIQ", WRITE, register, WORD, addressof(data)))
    finally:
        os.close(bus)


def stub_bus() -> int:
    """The number of the simulated I2C bus."""
    for adapter in Path("/sys/class/i2c-adapter").iterdir():
        if "stub" in (adapter / "name").read_text():
            return int(adapter.name.removeprefix("i2c-"))
    raise LookupError("no simulated I2C bus")


def battery(address: int, volts: float) -> None:
    """Set the bus voltage that a monitor shows: 4 mV a step, three bits up (data sheets of the INA219 kind)."""
    _smbus_word(address, 2, round(volts / 0.004) << 3)


def battery_monitors() -> None:
    """Bind the kernel's driver to both monitors."""
    bus = stub_bus()
    for address in (0x40, 0x41):
        battery(address, 12.7)
        put(f"/sys/bus/i2c/devices/i2c-{bus}/new_device", f"ina219 0x{address:02x}")


def probe_id(name: str) -> str:
    """What the kernel calls a probe."""
    return f"28-{PROBES[name]:012x}"


def settings_text(chip: Chip) -> str:
    """A settings file for this board; an invented greenhouse."""
    bus = stub_bus()
    sensors = "\n".join(f'{name} = "{probe_id(name)}"' for name in PROBES)
    return f"""
[pile]
start_hold = "0 s"
[greenhouse]
min = "15 degC"
[pump]
pin = {PUMP}
[fan]
pin = {FAN}
[flow_meter]
pin = {FLOW}
pulses = "{METER_PER_L} 1/L"
[tachometer]
pin = {TACHO}
pulses_per_turn = {TURNS:.0f}
[sensors]
{sensors}
pump_battery = "hwmon:ina219@{bus}-0040:in1"
fan_battery = "hwmon:ina219@{bus}-0041:in1"
[board]
gpiochip = {chip.number}
"""
