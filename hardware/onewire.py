"""Temperatures of digital 1-wire probes from the kernel's files, all probes of a bus converted at once.

Files (Documentation/w1/slaves/w1_therm.rst of the kernel): ``28-.../temperature`` holds millidegrees, or nothing when the
probe did not answer or its checksum was wrong; older kernels have only ``w1_slave`` with its "YES" line;
``w1_bus_master*/therm_bulk_read`` converts on all probes of a bus at once. Read one by one, four probes block for 3.2 s.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from math import nan
from pathlib import Path
from time import monotonic

from hardware.reading import ABSENT, BAD, GOOD, Reading

ROOT = Path("/sys/bus/w1/devices")
PROBE_ID = re.compile(r"(10|22|28|3b|42)-[0-9a-f]{12}")
LOW_C, HIGH_C = -55.0, 125.0  # what such a probe can measure
POWER_ON_C = 85.0  # its register after power-up, before the first conversion
NEAR_POWER_ON_K = 3.0  # a pile can really be at 85 C: believed when the last good reading was this near ...
RECENT_S = 600.0  # ... and no older than this
_BULK_WAIT_S, _BULK_POLL_S = 1.5, 0.05
_LONGEST_FILE = 512
_T_EQUALS = re.compile(rb"\bt=(-?\d{1,7})\b")


@dataclass(frozen=True, slots=True)
class Parsed:
    """What a file said: a temperature, or NaN and why not."""

    temperature_c: float
    why: str = ""


def parse_temperature(raw: bytes) -> Parsed:
    """Read the content of ``temperature``: millidegrees; empty when checksum or presence failed. Never raises."""
    text = raw.strip()
    if not text:
        return Parsed(nan, "empty answer: unplugged, or the checksum was wrong")
    if not re.fullmatch(rb"-?\d{1,7}", text):
        return Parsed(nan, "the answer is no number")
    return in_range(int(text) / 1000.0)


def parse_w1_slave(raw: bytes) -> Parsed:
    """Read the content of ``w1_slave``: two lines, the first ending in YES or NO. Never raises."""
    if not raw.strip():
        return Parsed(nan, "empty answer: unplugged, or the checksum was wrong")
    first, _, second = raw.strip().partition(b"\n")
    if not first.rstrip().endswith(b"YES"):
        return Parsed(nan, "the checksum was wrong")
    if first.startswith(b"00 00 00 00 00 00 00 00 00"):
        return Parsed(nan, "all zeros: short circuit on the bus")  # the checksum of zeros is zero, and so passes
    match = _T_EQUALS.search(second)
    return in_range(int(match[1]) / 1000.0) if match else Parsed(nan, "the answer has no temperature")


def in_range(temperature_c: float) -> Parsed:
    """Refuse what no such probe can measure; 127.94 C (0x07ff) comes from a weak supply, with a good checksum."""
    if LOW_C <= temperature_c <= HIGH_C:
        return Parsed(temperature_c)
    return Parsed(nan, f"{temperature_c:.2f} C cannot be: weak supply or bad lead")


class Probe:
    """The history that one probe's answers are judged by."""

    def __init__(self) -> None:
        self._good_c, self._good_s = nan, -RECENT_S

    def judge(self, parsed: Parsed, now_s: float) -> Reading:
        """Believe an answer or not, at ``now_s`` [s, monotonic]."""
        value = parsed.temperature_c
        if value != value:
            return Reading(nan, 0.0, BAD, parsed.why)
        if value == POWER_ON_C and not self._could_be_power_on(now_s):
            return Reading(nan, 0.0, BAD, "85.000 C: it was without power and has not measured since")
        self._good_c, self._good_s = value, now_s
        return Reading(value, 0.0, GOOD, "")

    def _could_be_power_on(self, now_s: float) -> bool:
        return now_s - self._good_s <= RECENT_S and abs(self._good_c - POWER_ON_C) <= NEAR_POWER_ON_K


class OneWire:
    """Reads probes by name; one pass takes about a second, so it belongs into a thread of its own.

    ``probes`` maps a name to a probe id like "28-0123456789ab". A probe that was away is found again by itself, since
    every pass looks the files up anew.
    """

    def __init__(self, probes: Mapping[str, str], root: Path = ROOT, clock: Callable[[], float] = monotonic) -> None:
        self.probes, self._root, self._clock = dict(probes), root, clock
        self._history = {name: Probe() for name in self.probes}

    def sample(self) -> dict[str, Reading]:
        """Convert and read every probe once. Never raises."""
        self._convert_all()
        return {name: self._read(name, probe_id) for name, probe_id in self.probes.items()}

    def here(self) -> list[str]:
        """The ids of all probes that the kernel knows now."""
        try:
            return sorted(p.name for p in self._root.iterdir() if PROBE_ID.fullmatch(p.name))
        except OSError:
            return []

    def missing(self) -> dict[str, str]:
        """Names whose probe is not on the bus now, each with one line that says so."""
        here = self.here()
        others = [i for i in here if i not in self.probes.values()]
        hint = f"on the bus and not named: {', '.join(others)}" if others else "no other probe is on the bus"
        return {n: f"sensor {n}: probe {i} is not there; {hint}" for n, i in self.probes.items() if i not in here}

    def _read(self, name: str, probe_id: str) -> Reading:
        folder = self._root / probe_id
        for file, parse in (("temperature", parse_temperature), ("w1_slave", parse_w1_slave)):
            try:
                with (folder / file).open("rb") as stream:
                    raw = stream.read(_LONGEST_FILE)
            except FileNotFoundError:
                continue
            except OSError as wrong:
                return Reading(nan, 0.0, ABSENT, f"no answer ({wrong.strerror})")
            return self._history[name].judge(parse(raw), self._clock())
        return Reading(nan, 0.0, ABSENT, f"probe {probe_id} is not on the bus")

    def _convert_all(self) -> None:
        """Start the conversion on every bus at once and wait until it is done; without the file, reads do it one by one."""
        begun = []
        for file in self._root.glob("w1_bus_master*/therm_bulk_read"):
            with suppress(OSError):
                file.write_text("trigger\n", encoding="ascii")
                begun.append(file)
        end_s = time.monotonic() + _BULK_WAIT_S
        while time.monotonic() < end_s and any(_converting(file) for file in begun):
            time.sleep(_BULK_POLL_S)


def _converting(file: Path) -> bool:
    """Whether a bus says that at least one probe is still at it (-1)."""
    try:
        return file.read_bytes().strip() == b"-1"
    except OSError:
        return False
