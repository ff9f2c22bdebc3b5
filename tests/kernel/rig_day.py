"""Two days of a greenhouse, once on the kernel rig and once in the simulator alone: every decision must be the same.

    python tests/kernel/rig_day.py [HOURS [SEED]]     # 48 h, seed 1; ends in 1 at the first difference

The guest (`guest/day.py`) decides and puts out, this side simulates what the lines say: readings and duties cross kernel,
bus and line. The run beside it knows nothing of all that: a plain loop of simulator and controller, with `BoardNumbers` for
what a board does to a number. The greenhouse is invented; it has no water meter and no tachometer, for pulses would take
their own time.
"""

from __future__ import annotations

import json
import math
import os
import socket
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from rig_build import ROOT, RigError
from rig_guest import Guest, guest

from controller import Commands, Controller, ControllerSettings, Measurements
from sim import Plant, Scenario

HOURS, SEED = 48, 1
SCENARIO = ROOT / "scenarios/hard-northern-winter.toml"
# a pile about to be ready, before two nights of frost: in these days it warms up, is drawn from, and rests
MOMENT = {"place.start": "01-10", "pile.initial_temperature": "46 degC"}
START_HOLD_S = 4 * 3600.0
PROBES = (
    "pile_core_c", "pile_edge_c", "water_supply_c", "water_return_c", "air_supply_c", "greenhouse_c", "outdoor_c", "tank_c",
)  # fmt: skip
MONITORS = ("pump_battery_v", "fan_battery_v")
FITTED = (*PROBES, *MONITORS)
SHORTEST_S, LONGEST_S = 1.0, 60.0
DECIDED = ("time_s", "phase", "limit", "reason", "cause", "pump_duty", "fan_duty", "alarms", "next_s")

Turn = dict[str, Any]  # what was read and decided at one tick, and what was put out then
Change = tuple[int, str, float]


def begin(seed: int) -> tuple[Plant, ControllerSettings]:
    """The plant at its start, and what its controller is told."""
    scenario = Scenario.load(SCENARIO).varied({**MOMENT, "sensors.fitted": FITTED})
    return Plant(scenario, seed=seed), replace(scenario.controller_settings(), start_hold_s=START_HOLD_S)


class BoardNumbers:
    """What a board makes of readings; NaN: none.

    Probes count sixteenths of a degree, which the kernel prints as millidegrees, the rest cut off (t * 1000 / 16 in its
    w1_therm.c); they know -55..125 degC. 85 degC is what they say after a loss of supply (data sheets of such probes):
    it is believed within 3 K of the last good reading, if that is ten minutes old at most. Monitors count 4 mV.
    """

    def __init__(self) -> None:
        self._good: dict[str, tuple[float, float]] = {}

    def temperature_c(self, name: str, celsius: float, time_s: float) -> float:
        """What a probe's reading comes to."""
        if math.isnan(celsius):
            return math.nan
        read_c = math.trunc(62.5 * round(16.0 * celsius)) / 1000.0
        then_s, good_c = self._good.get(name, (-math.inf, math.nan))
        power_on = read_c == 85.0 and not (time_s - then_s <= 600.0 and abs(good_c - 85.0) <= 3.0)
        if power_on or not -55.0 <= read_c <= 125.0:
            return math.nan
        self._good[name] = time_s, read_c
        return read_c

    def seen(self, m: Measurements) -> Measurements:
        """All readings of one moment."""
        read = {name: self.temperature_c(name, getattr(m, name), m.time_s) for name in PROBES}
        for name in MONITORS:
            volts = getattr(m, name)
            read[name] = volts if math.isnan(volts) else 4 * round(volts / 0.004) * 1e-3
        return Measurements(time_s=m.time_s, **read)


def percent(duty: float) -> int:
    """The whole percent next to a duty."""
    return round(100.0 * duty)


def readings(m: Measurements) -> dict[str, float | None]:
    """By name, as JSON has it."""
    return {name: None if math.isnan(getattr(m, name)) else getattr(m, name) for name in FITTED}


def pure_run(hours: float, seed: int) -> Iterator[Turn]:
    """The same two days in the simulator alone."""
    plant, settings = begin(seed)
    controller, board = Controller(settings), BoardNumbers()
    controller.expect(FITTED)
    end_s = plant.time_s + 3600.0 * hours
    while True:
        m = board.seen(plant.measure())
        d = controller.step(m)
        pump, fan = percent(d.commands.pump_duty), percent(d.commands.fan_duty)
        yield {
            "time_s": m.time_s, "read": readings(m), "phase": d.phase, "limit": d.limit, "reason": d.reason,
            "cause": d.cause, "pump_duty": d.commands.pump_duty, "fan_duty": d.commands.fan_duty, "next_s": d.next_s,
            "alarms": [a.code for a in d.alarms], "pump_percent": pump, "fan_percent": fan,
        }  # fmt: skip
        if m.time_s >= end_s:
            return
        plant.apply(Commands(pump / 100.0, fan / 100.0))
        plant.advance(min(max(d.next_s, SHORTEST_S), LONGEST_S, end_s - m.time_s))


@dataclass
class RigRun:
    """What the rig did: every turn, and how far the duties on the lines were from whole percents at most."""

    hours: float
    turns: list[Turn] = field(default_factory=list)
    off_percent: float = 0.0
    wall_s: float = 0.0


class Simulator:
    """The other end of the guest's serial port. ``changed``: at this tick, this reading is off by so much."""

    def __init__(self, hours: float, seed: int, found: RigRun, changed: Change | None) -> None:
        self._plant, self._settings = begin(seed)
        self._seconds, self._found, self._changed = 3600.0 * hours, found, changed

    def serve(self, port: socket.socket) -> None:
        """Answer until the guest has no more to say."""
        with port.makefile("rwb") as stream:
            for raw in stream:
                stream.write(json.dumps(self._answer(json.loads(raw))).encode() + b"\n")
                stream.flush()

    def _answer(self, said: dict[str, Any]) -> dict[str, Any]:
        if "fitted" in said:
            if set(said["fitted"]) != set(FITTED):
                raise RigError(f"the board has {said['fitted']}, the plant {FITTED}")
            began = {"epoch_s": self._plant.time_s, "seconds": self._seconds, "settings": asdict(self._settings)}
            return {**began, "readings": self._readings()}
        duties = {name: percent(share) for name, share in said["duties"].items()}
        off = max(abs(100.0 * share - duties[name]) for name, share in said["duties"].items())
        self._found.off_percent = max(self._found.off_percent, off)
        self._found.turns.append({**said["tick"], **{f"{name}_percent": duty for name, duty in duties.items()}})
        if said["dt_s"] is None:
            return {}
        self._plant.apply(Commands(duties["pump"] / 100.0, duties["fan"] / 100.0))
        self._plant.advance(said["dt_s"])
        return {"readings": self._readings()}

    def _readings(self) -> dict[str, float | None]:
        read = readings(self._plant.measure())
        if self._changed is not None and self._changed[0] == len(self._found.turns):
            _, name, by = self._changed
            read[name] = (read[name] or 0.0) + by
        return read


def rig_run(hours: float, seed: int, changed: Change | None = None) -> RigRun:
    """Two days on the rig. ``RigError`` when the guest does not live through them."""
    found, began_s = RigRun(hours), time.monotonic()
    simulator = Simulator(hours, seed, found, changed)
    with tempfile.TemporaryDirectory(prefix="warmheap-day-") as name, closing(socket.socket(socket.AF_UNIX)) as door:
        door.bind(f"{name}/port")
        door.listen(1)
        with guest("tests/kernel/guest/day.py", port=Path(name) / "port", core=0) as running:
            ended = threading.Thread(target=finish, args=(running,), daemon=True)
            ended.start()
            with closing(door.accept()[0]) as port:
                simulator.serve(port)
            ended.join()
    if running.code != 0:
        raise RigError(f"the guest ended with {running.code}; its last words:\n" + "\n".join(running.said[-40:]))
    found.wall_s = time.monotonic() - began_s
    return found


def finish(running: Guest) -> None:
    """Hear the guest out."""
    for line in running.lines():
        if os.environ.get("WARMHEAP_RIG_VERBOSE"):
            print(line, file=sys.stderr, flush=True)


def first_difference(rig: list[Turn], pure: list[Turn]) -> str | None:
    """The first tick, moment and field in which two runs differ, in one line; None where they do not."""
    for number, (ours, theirs) in enumerate(zip(rig, pure, strict=False)):
        at = f"tick {number} ({theirs['time_s'] - pure[0]['time_s']:.0f} s after the start)"
        for name, a, b in pairs(ours, theirs):
            if a != b:
                return f"{at}: {name} is {a!r} on the rig and {b!r} in the simulator"
    if len(rig) != len(pure):
        return f"the rig had {len(rig)} ticks, the simulator {len(pure)}; as far as both went they are the same"
    return None


def pairs(ours: Turn, theirs: Turn) -> Iterator[tuple[str, Any, Any]]:
    """Every field of two turns: time, readings, what was decided, what was put out."""
    yield "time_s", ours["time_s"], theirs["time_s"]
    for name in FITTED:
        yield f"reading {name}", ours["read"][name], theirs["read"][name]
    for name in (*DECIDED[1:], "pump_percent", "fan_percent"):
        yield name, ours[name], theirs[name]


def counted(turns: list[Turn]) -> Mapping[str, Counter[str]]:
    """How often each phase, limit, reason and alarm was met."""
    met = {name: Counter(turn[name] for turn in turns) for name in ("phase", "limit", "reason")}
    return {**met, "alarm": Counter(code for turn in turns for code in turn["alarms"])}


def told(found: RigRun) -> list[str]:
    """What was run, in a few lines."""
    met = counted(found.turns)
    lost = sum(value is None for turn in found.turns for value in turn["read"].values())
    return [
        f"{found.hours:g} h, {len(found.turns)} ticks, {found.wall_s:.0f} s of wall time; duties on the lines within "
        f"{found.off_percent:.2f} of a percent of whole ones; {lost} readings missing; {len(met['reason'])} reasons",
        *(f"  {name}: {', '.join(f'{k} {n}' for k, n in met[name].items())}" for name in ("phase", "limit", "alarm")),
    ]


def main(words: list[str]) -> int:
    """Run both, compare, say so."""
    hours, seed = float(words[0]) if words else HOURS, int(words[1]) if len(words) > 1 else SEED
    found = rig_run(hours, seed)
    print(*told(found), sep="\n")
    different = first_difference(found.turns, list(pure_run(hours, seed)))
    print(different or "every reading, decision and duty is the same as in the simulator alone")
    return int(different is not None)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
