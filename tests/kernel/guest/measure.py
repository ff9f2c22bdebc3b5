"""What the board's own code puts out and reads, held against the lines and the probes themselves; one result a figure."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import stand
from bench_board import (
    FLOW,
    PROBES,
    PUMP,
    TACHO,
    Chip,
    DutyMeter,
    battery,
    battery_monitors,
    probe,
    settings_text,
    tell,
    temperature,
)
from controlled import FILE

DUTIES = (0.0, 0.01, 0.05, 0.17, 0.29, 0.5, 0.57, 0.83, 0.995, 1.0)
PWM_S, FLOW_S, TACHO_S = 3.0, 60, 20
FLOW_HZ, TACHO_HZ = 28, 50


def measure_pwm(plant: object) -> None:
    """Each duty on the pump's line, by the time that it is high; the fan runs beside it."""
    from controller import Commands

    for duty in DUTIES:
        plant.apply(Commands(duty, 0.4))
        time.sleep(0.1)
        meter, end_s = DutyMeter(PUMP), time.monotonic() + PWM_S
        while time.monotonic() < end_s:
            plant.renew()
            time.sleep(0.2)
        tell("pwm", duty=duty, measured=meter.duty(), read_back=plant.duties()["pump"])
    plant.make_safe()


@contextmanager
def pulses(chip: Chip, line: int, rate_hz: int, how_many: int) -> Iterator[Callable[[], None]]:
    """A process that makes pulses; what is yielded waits for their end."""
    pull = chip.pull(line)
    pid = os.fork()
    if pid == 0:
        began_s = time.monotonic()
        for half in range(2 * how_many):
            pull.set(half % 2 == 1)
            time.sleep(max(0.0, began_s + (half + 1) * 0.5 / rate_hz - time.monotonic()))
        os._exit(0)
    yield lambda: os.waitpid(pid, 0)


def count(plant: object, chip: Chip, name: str, line: int, rate_hz: int, seconds: int) -> None:
    """Pulses in, pulses counted, and the rate that was read a second before the end."""
    meter, per_unit = plant._meters[name]
    chip.pull(line).set(True)
    time.sleep(0.5)
    before = meter.rate.count
    with pulses(chip, line, rate_hz, rate_hz * seconds) as ended:
        time.sleep(seconds - 1.0)
        read_hz = getattr(plant.measure(), name) * per_unit
        ended()
    time.sleep(0.5)
    counted = meter.rate.count - before
    time.sleep(4.0)
    after_hz = getattr(plant.measure(), name) * per_unit
    tell(
        "pulses",
        line=name,
        sent=rate_hz * seconds,
        counted=counted,
        sent_hz=rate_hz,
        read_hz=read_hz,
        after_hz=after_hz,
    )


def seen(plant: object, name: str, within_s: float = 12.0) -> tuple[float, str]:
    """A reading once every probe has been asked anew, and what is said about it."""
    time.sleep(within_s)
    reading = plant.readings()[name]
    return (reading.value if reading.value == reading.value else None), f"{reading.quality}: {reading.why}"


def measure_probes(plant: object) -> None:
    """Temperatures and what becomes of a probe that fails."""
    number, name = PROBES["pile_core"], "pile_core_c"
    for celsius in (54.321, -5.5, 0.0, 84.94, 20.0):
        temperature(number, celsius)
        value, said = seen(plant, name)
        tell("probe", told_c=celsius, read_c=value, said=said)
    for fault, changes in (
        ("bad checksum", {"spoil": 1}),
        ("unplugged", {"spoil": 0, "present": 0}),
        ("never converts", {"present": 1, "deaf": 1}),
        ("mended", {"deaf": 0}),
    ):
        probe(number, **changes)
        value, said = seen(plant, name)
        others = plant.readings()["greenhouse_c"].quality
        tell("probe fault", fault=fault, read_c=value, said=said, others=others)


def measure_battery(plant: object) -> None:
    """Volts through the kernel's own driver."""
    for volts in (12.68, 11.9, 13.8):
        battery(0x40, volts)
        value, said = seen(plant, "pump_battery_v", 5.0)
        tell("battery", told_v=volts, read_v=value, said=said)


def main() -> None:
    """Measure all."""
    from hardware.plant import Plant
    from warmheap.settings_file import load

    chip = Chip()
    battery_monitors()
    FILE.write_text(settings_text(chip))
    stand.await_probes()
    for number in PROBES.values():
        temperature(number, 20.0)
    with Plant(load(FILE).board) as plant:
        plant.await_first(30.0)
        measure_pwm(plant)
        count(plant, chip, "water_flow_kg_s", FLOW, FLOW_HZ, FLOW_S)
        count(plant, chip, "fan_speed_hz", TACHO, TACHO_HZ, TACHO_S)
        measure_probes(plant)
        measure_battery(plant)


if __name__ == "__main__":
    main()
