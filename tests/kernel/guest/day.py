"""Two days in lock-step with the simulator outside: the board's own plant on real lines, probes and monitors.

Loop, controller and `hardware.Plant` are those of ``warmheap run``; their clock is handed in and jumps from tick to tick.
While it stands, the outputs are measured on the lines over whole periods of the PWM; the simulator computes the time that
passes under these duties; its readings are given to probes and monitors; and the samplers read them through the kernel.
Water meter and tachometer are left out: pulses cannot be hurried (`measure.py` counts them). The simulator is spoken to
through the second serial port, one JSON object a line.
"""

from __future__ import annotations

import json
import math
import os
import termios
import time
import tty
from collections.abc import Callable
from typing import Any

from bench_board import FAN, PROBES, PUMP, Chip, battery, battery_monitors, lines, probe, put, stub_bus
from controlled import FILE
from stand import await_probes

from controller import Controller, ControllerSettings
from hardware.plant import Plant
from hardware.sampler import Sampler
from warmheap import loop

DEVICE = "/dev/ttyS1"
OUTPUTS = {"pump": PUMP, "fan": FAN}
PROBE_OF = {f"{name}_c": number for name, number in {**PROBES, "pile_edge": 7, "tank": 8}.items()}
MONITOR_OF = {"pump_battery_v": 0x40, "fan_battery_v": 0x41}
# as short as the kernel takes it: 1 has a meaning of its own (conv_time in Documentation/w1/slaves/w1_therm.rst)
CONVERSION_MS = 2
# the loop renews its leases of 2 s this often here: fewer turns for the emulator
BEAT_S = 1.5
# the samplers read when they are told to
NEVER_S = 1e6
# a new duty begins with the next period of 10 ms
SETTLE_S, PERIODS_S = 0.02, 0.04
# less than half of a whole percent: nearer to this one than to any other
NEAR = 0.003
# one late edge of the software's PWM spoils the periods it falls into: then others are looked at, for as long as half a
# minute on a machine that is busy elsewhere
LOOKS = 500
# so many looks in a row must show the same duty before it is believed though another was asked for: a busy machine can be
# late by the same moment for a few periods
AGREEING = 20


def settings_text(chip: Chip) -> str:
    """Where everything of this board is connected."""
    probes = "\n".join(f'{name.removesuffix("_c")} = "28-{number:012x}"' for name, number in PROBE_OF.items())
    monitors = "\n".join(
        f'{name.removesuffix("_v")} = "hwmon:ina219@{stub_bus()}-{address:04x}:in1"'
        for name, address in MONITOR_OF.items()
    )
    return f"""
[pump]
pin = {PUMP}
[fan]
pin = {FAN}
[sensors]
{probes}
{monitors}
[board]
gpiochip = {chip.number}
"""


class Port:
    """The second serial port: objects to and from the simulator."""

    def __init__(self) -> None:
        fd = os.open(DEVICE, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(fd, termios.TCSANOW)
        self._in, self._out = os.fdopen(fd, "rb"), os.fdopen(os.dup(fd), "wb", buffering=0)

    def ask(self, **said: Any) -> dict[str, Any]:
        """Say something and hear the answer."""
        left = json.dumps(said).encode() + b"\n"
        while left:
            left = left[self._out.write(left) or 0 :]
        return json.loads(self._in.readline())  # type: ignore[no-any-return]


class Pace:
    """Clock and heart of the loop: waiting moves the one, and nothing ever stops the other."""

    stopping = orphaned = False

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s

    def beat(self) -> None:
        """There is no guardian to hear it."""

    def wait(self, seconds: float) -> bool:
        """Let virtual time pass."""
        self.now_s += seconds
        return False


class World:
    """What the sensors would measure, set from outside; only what changes is written."""

    def __init__(self) -> None:
        self._now: dict[str, float | None] = {}

    def set(self, readings: dict[str, float | None]) -> None:
        """Give every sensor its value; None: it does not answer."""
        for name, value in readings.items():
            before = self._now.get(name, math.nan)
            if value == before:
                continue
            if name in PROBE_OF:
                self._probe(PROBE_OF[name], before, value)
            else:
                self._monitor(MONITOR_OF[name], before, value)
            self._now[name] = value

    @staticmethod
    def _probe(number: int, before: float | None, value: float | None) -> None:
        """A probe that does not answer as it should: its checksum is wrong."""
        if value is None or before is None:
            probe(number, spoil=value is None)
        if value is not None:
            probe(number, millideg=round(1000.0 * value))

    @staticmethod
    def _monitor(address: int, before: float | None, value: float | None) -> None:
        """A monitor that does not answer is not there."""
        bus = f"/sys/bus/i2c/devices/i2c-{stub_bus()}"
        if value is None:
            put(f"{bus}/delete_device", f"0x{address:02x}")
            return
        if before is None:
            put(f"{bus}/new_device", f"ina219 0x{address:02x}")
        battery(address, value)


class DayPlant(Plant):
    """The board's plant, whose samplers read when time has passed, and not by themselves in between."""

    def __init__(self, board: Any, epoch_s: float, clock: Callable[[], float], passed: Callable[[float], None]) -> None:
        super().__init__(board, epoch_s=epoch_s, clock=clock)
        self._passed = passed

    def _sampler(self, opened: Any, name: str, source: Any) -> Sampler:
        sampler = Sampler(name, source, NEVER_S, self._settings.stale_after_s, self._clock)
        opened.callback(sampler.close)
        return sampler

    def sample(self) -> None:
        """Read every slow sensor now."""
        for sampler in self._samplers:
            sampler._read_once()

    def pass_time(self, dt_s: float) -> None:
        """Time passes outside."""
        self._passed(dt_s)
        self.sample()


def measured_duties(wanted: dict[str, float]) -> dict[str, float]:
    """The share of whole periods that each line is high now, 0..1.

    What is not the whole percent next to what is wanted is believed only when many looks one after the other agree on it:
    a late edge now and then even makes another whole percent. A line that truly stands wrong shows it in every look.
    """
    found: dict[str, float] = {}
    agreeing = 0
    for _ in range(LOOKS):
        before, found = found, look()
        alike = bool(before) and all(abs(duty - before[name]) < NEAR for name, duty in found.items())
        agreeing = agreeing + 1 if alike else 1
        as_wanted = all(abs(duty - round(100.0 * wanted[name]) / 100.0) < NEAR for name, duty in found.items())
        if as_wanted or agreeing >= AGREEING:
            break
    return found


def look() -> dict[str, float]:
    """The same, of the next few periods whatever they are."""
    time.sleep(SETTLE_S)
    before = lines()[1]
    time.sleep(PERIODS_S)
    after = lines()[1]
    found = {}
    for name, number in OUTPUTS.items():
        if number not in before or before[number].rises == after[number].rises:
            found[name] = float(number in after and after[number].level)
            continue
        then, now = before[number], after[number]
        found[name] = (now.high_at_rise_ns - then.high_at_rise_ns) / (now.rose_ns - then.rose_ns)
    return found


def told(tick: loop.Tick) -> dict[str, Any]:
    """What is held against the simulator's own run: what was read, and everything decided on it."""
    m, d = tick.measurements, tick.decision
    read = {name: getattr(m, name) for name in (*PROBE_OF, *MONITOR_OF)}
    return {
        "time_s": m.time_s,
        "read": {name: None if math.isnan(value) else value for name, value in read.items()},
        "phase": d.phase,
        "limit": d.limit,
        "reason": d.reason,
        "cause": d.cause,
        "pump_duty": d.commands.pump_duty,
        "fan_duty": d.commands.fan_duty,
        "alarms": [alarm.code for alarm in d.alarms],
        "next_s": d.next_s,
    }


def seen(tick: loop.Tick) -> dict[str, Any]:
    """A tick, and what stands on the lines after it."""
    on = tick.decision.commands
    return {"tick": told(tick), "duties": measured_duties({"pump": on.pump_duty, "fan": on.fan_duty})}


def run(chip: Chip) -> None:
    """Live through as many seconds as the simulator says."""
    from warmheap.settings_file import load

    loop.BEAT_S = BEAT_S
    port, world, pace = Port(), World(), Pace()
    begun = port.ask(fitted=[*PROBE_OF, *MONITOR_OF])
    world.set(begun["readings"])
    ticks: list[loop.Tick] = []

    def passed(dt_s: float) -> None:
        world.set(port.ask(**seen(ticks.pop()), dt_s=dt_s)["readings"])

    FILE.write_text(settings_text(chip))
    board = load(FILE).board
    assert board is not None
    controller = Controller(ControllerSettings(**begun["settings"]))
    controller.expect(board.sensors())
    with DayPlant(board, begun["epoch_s"], pace, passed) as plant:
        plant.await_first(30.0)
        plant.sample()
        loop.Loop(plant, controller, pace, ticks.append, clock=pace).run(begun["seconds"])
        port.ask(**seen(ticks.pop()), dt_s=None)


def main() -> None:
    """Set the bench up and run."""
    chip = Chip()
    battery_monitors()
    await_probes(len(PROBE_OF))
    put("/sys/module/w1_bench/parameters/convert_ms", 0)
    for number in PROBE_OF.values():
        put(f"/sys/bus/w1/devices/28-{number:012x}/conv_time", CONVERSION_MS)
    run(chip)


if __name__ == "__main__":
    main()
