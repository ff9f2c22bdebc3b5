"""Roll-call of the sensors: there or not, value, age, quality, and whether the values fit each other."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from math import isfinite
from typing import NamedTuple

from controller.checks import SENSORS
from hardware.reading import ABSENT, GOOD, Reading
from hardware.settings import BoardSettings

from .check_found import OK, UNKNOWN, WRONG, Finding
from .check_kit import Course, Kit, look, still
from .check_kit import Step as Rest
from .settings_table import KEYS

WAIT_S = 12.0  # for the first answers: seven probes read one by one take 6 s
PULSES = {"water_flow_kg_s": "flow_meter", "fan_speed_hz": "tachometer"}
PATHS = {key.target: key.name for key in KEYS if key.kind == "sensor"} | PULSES
HIGHEST_C = {"greenhouse_c": 60.0, "outdoor_c": 50.0, "tank_c": 60.0}  # in the shade (own judgement)
LOWEST_C = {"pile_core_c": -10.0, "tank_c": -2.0}
LEAST_CO2 = 0.0003  # outdoor air holds 0.0004
AROUND_K = 3.0
SHOWN = {"_c": (1.0, "°C"), "_v": (1.0, "V"), "_a": (1.0, "A"), "_rh": (100.0, "% humidity"), "_kg_s": (60.0, "L/min"),
         "_hz": (1.0, "turns/s"), "_o2": (100.0, "% oxygen"), "_co2": (1e6, "ppm CO2")}  # fmt: skip


class Cure(NamedTuple):
    """What a reading's ``why`` looks like, and what helps."""

    looks: str
    mend: str


CURES = (
    Cure(r"on the bus|is not there", "plug it in; is its number in the settings right?"),
    Cure(r"^85\.000", "its red wire: 3.3 V at the probe, three wires, 4.7 kohm from data to 3.3 V"),
    Cure(r"empty answer|checksum", "plugs and splices; one line without branches; 2.2 kohm pull-up on long cable"),
    Cure(r"all zeros", "data wire touches ground: pull one probe after the other"),
    Cure(r"cannot be: weak", "3.3 V at the probe, its black wire, water in a splice"),
    Cure(r"there are several", "write which one: its address behind @"),
    Cure(r"no such chip", "its overlay in config.txt, or new_device; ls /sys/class/hwmon"),
    Cure(r"driver gives no number|No such file", "is the channel's name right? ls its folder in /sys"),
    Cure(r"last good reading|never read", "the bus hangs: pull one probe after the other"),
)


def check_sensors(kit: Kit) -> Course[None]:
    """All sensors of the settings, and the probes that no setting names."""
    yield from _wait(kit)
    readings, spare = kit.readings(), kit.spares()
    for name, reading in readings.items():
        kit.report.add(judged(name, reading, kit.board, list(spare)))
    for name in absent(readings):
        kit.report.add(
            Finding(f"sensor {name}", WRONG, "not in the settings, or silent", "the controller cannot do without it")
        )
    kit.report.add(*misfits(readings))
    if spare:
        told = ", ".join(f"{probe} {reading.value:.1f} °C" for probe, reading in spare.items())
        kit.report.add(Finding("spare probes", OK, f"on the bus, named nowhere: {told}"))


def _wait(kit: Kit) -> Course[None]:
    """Until every sensor has answered twice, or for a while."""
    yield from still(kit, 1.0)
    began_s = kit.last.time_s
    while any(r.why == "never read" for r in kit.readings().values()) and kit.last.time_s - began_s < WAIT_S:
        yield from look(kit, Rest())


def absent(readings: Mapping[str, Reading]) -> list[str]:
    """What the controller needs at least, and the settings do not have."""
    return [PATHS[name] for name in ("pile_core_c", "water_supply_c") if name not in readings]


def judged(name: str, reading: Reading, board: BoardSettings | None, spare: Sequence[str] = ()) -> Finding:
    """One sensor by itself. ``spare``: probes on the bus that no setting names."""
    path = f"sensor {PATHS.get(name, name)}"
    if reading.quality != GOOD:
        return Finding(path, WRONG, reading.why, _cure(name, reading, board, spare))
    factor, unit = unit_of(name)
    values = {"value": reading.value, "age_s": reading.age_s}
    told = f"{factor * reading.value:.4g} {unit}, {reading.age_s:.0f} s old"
    odd = implausible(name, reading.value)
    if odd:
        return Finding(path, WRONG, f"{told}: {odd[0]}", odd[1], values)
    return Finding(path, OK, told, "", values)


def unit_of(name: str) -> tuple[float, str]:
    """Factor and unit that a reading is shown in."""
    return next((shown for end, shown in reversed(SHOWN.items()) if name.endswith(end)), (1.0, ""))


def implausible(name: str, value: float) -> tuple[str, str] | None:
    """Why a value cannot be at this place, and what to look at; None when it can."""
    held = "swapped probes? warmheap check --only hold"
    if name in SENSORS and not SENSORS[name].low <= value <= SENSORS[name].high:
        return "no such value there", "wires, channel, and factor in the settings"
    if value > HIGHEST_C.get(name, float("inf")):
        return "too hot for that place", held
    if value < LOWEST_C.get(name, -float("inf")):
        return "too cold for that place", held
    if name == "greenhouse_co2" and value < LEAST_CO2:
        return "less than in fresh air", "let it run in fresh air; calibrate it"
    return None


def misfits(readings: Mapping[str, Reading]) -> list[Finding]:
    """What does not fit together: told, but no verdict, for on odd days it can be so."""
    c = {name: r.value for name, r in readings.items() if r.quality == GOOD and isfinite(r.value)}
    odd = []
    for warm, cool, why in (
        ("pile_edge_c", "pile_core_c", "the edge of the pile is warmer than its core"),
        ("outdoor_c", "pile_core_c", "it is warmer outdoors than in the pile"),
        ("greenhouse_c", "pile_core_c", "the greenhouse is warmer than the pile"),
        ("water_supply_c", "pile_core_c", "the supply is warmer than the core"),
        ("water_return_c", "pile_core_c", "the return is warmer than the core"),
        ("outdoor_c", "greenhouse_c", "it is warmer outdoors than in the greenhouse"),
    ):
        if warm in c and cool in c and c[warm] > c[cool] + AROUND_K:
            told = f"{why} ({c[warm]:.0f} °C, {c[cool]:.0f} °C)"
            odd.append(Finding("sensors together", UNKNOWN, told, "if that cannot be: warmheap check --only hold"))
    return odd


def _cure(name: str, reading: Reading, board: BoardSettings | None, spare: Sequence[str]) -> str:
    if reading.quality == ABSENT and board and name in board.probes and len(spare) == 1:
        return f"plug it in; or is it {spare[0]}? Then write {setting_line(name, spare[0], board)}"
    return next((cure.mend for cure in CURES if re.search(cure.looks, reading.why)), "its plug, its wires, its driver")


def setting_line(name: str, probe: str, board: BoardSettings | None) -> str:
    """The line of the settings that names ``probe`` for ``name``; its offset goes along with the probe."""
    offsets_k = {board.probes[n]: k for n, k in board.probe_offset_k.items()} if board else {}
    if offsets_k.get(probe):
        return f'{PATHS[name]} = {{ source = "{probe}", offset = "{offsets_k[probe]:g} K" }}'
    return f"{PATHS[name]} = {json.dumps(probe)}"
