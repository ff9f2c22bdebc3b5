"""What a restart goes on from: the controller's memory, when it was kept, and how much time has passed since."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from math import isfinite
from pathlib import Path
from typing import Any

from controller import Controller, ControllerSettings

from .settings_store import TwoCopies

LONGEST_GAP_S = 7 * 86400.0
UNKNOWN_GAP_S = 60.0


@dataclass(frozen=True, slots=True)
class Moment:
    """Now, on both clocks. ``boottime_s`` cannot be set by anybody, but begins anew at every boot."""

    wall_s: float
    boottime_s: float
    boot: str


def now() -> Moment:
    """This moment."""
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        boot = ""
    return Moment(time.time(), time.clock_gettime(time.CLOCK_BOOTTIME), boot)


@dataclass(frozen=True, slots=True)
class Resumed:
    """A controller, the time its plant begins with, the kept plant if it was simulated, and what is to be said."""

    controller: Controller
    time_s: float
    plant: Mapping[str, Any] | None = None
    said: tuple[str, ...] = ()


def memory_text(controller: Controller, time_s: float, plant: Mapping[str, Any] | None, moment: Moment) -> str:
    """What ``resume`` goes on from."""
    kept = {"controller": controller.snapshot(), "time_s": time_s, "plant": plant, **asdict(moment)}
    return json.dumps(kept, allow_nan=False)


def resume(settings: ControllerSettings, state: Path, moment: Moment) -> Resumed:
    """Go on where the last run was; without a memory that fits, afresh, and say so. Never raises."""
    found = TwoCopies(state, "memory").load()
    said = [found.said] if found.said else []
    if found.text is None:
        return Resumed(Controller(settings), moment.wall_s, None, tuple(said))
    try:
        kept = json.loads(found.text)
        controller = Controller.restore(settings, kept["controller"])
        gap_s, doubt = gap(kept, moment)
        time_s = float(kept["time_s"]) + gap_s
        if not isfinite(time_s):
            raise ValueError("its time is no number")
    except (ValueError, KeyError, TypeError, RecursionError) as wrong:
        said.append(f"the kept memory does not fit ({wrong}); the controller starts afresh")
        return Resumed(Controller(settings), moment.wall_s, None, tuple(said))
    said.append(f"going on after {gap_s:.0f} s where it was{doubt}")
    return Resumed(controller, time_s, kept.get("plant"), tuple(said))


def gap(kept: Mapping[str, Any], moment: Moment) -> tuple[float, str]:
    """How long ago ``kept`` was written [s], and a doubt in words.

    Within one boot the boot clock knows exactly. Across boots only the wall clock can tell, and a board without a
    clock battery may be wrong by years: a gap that cannot be is taken as a minute.
    """
    if kept["boot"] and kept["boot"] == moment.boot:
        since_s = moment.boottime_s - float(kept["boottime_s"])
        return max(0.0, since_s), ""
    gap_s = moment.wall_s - float(kept["wall_s"])
    if 0.0 <= gap_s <= LONGEST_GAP_S:
        return gap_s, ""
    return UNKNOWN_GAP_S, f"; by the wall clock it was {gap_s / 86400.0:.1f} days, which is not believed"
