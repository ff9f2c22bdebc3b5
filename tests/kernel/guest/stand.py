"""The whole bench: board, other side, settings file, a memory in which a draw is going on."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from contextlib import suppress
from pathlib import Path

import controlled
import far_side
from bench_board import FAN, PROBES, PUMP, Chip, battery_monitors, lines, settings_text
from controlled import FILE, STATE

STILL_S = 0.15  # no change for this long: no PWM of 100 Hz any more
POLL_S = 0.1
PUMP_DUTY, FAN_DUTY = 0.3, 0.7
DISK_MB = 64  # ten times what the longest campaign logs: it is full only when a fault fills it


def disk(megabytes: int) -> None:
    """A disk of its own for the state folder, so that it can be full."""
    STATE.mkdir(parents=True, exist_ok=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "t", str(STATE)], check=True)


def by_hand(file: Path) -> str:
    """The memory of a controller that is half an hour by hand: pump and fan run, however little the pile has to spare."""
    from controller import Controller, Measurements
    from warmheap.restart import memory_text, now
    from warmheap.settings_file import load

    controller, time_s = Controller(load(file).controller), time.time()
    seen = {"pile_core_c": 58.0, "water_supply_c": 30.0, "water_return_c": 19.0, "greenhouse_c": 8.0, "outdoor_c": 2.0}
    for _ in range(300):  # long enough for the pile to be known as hot
        time_s += 60.0
        controller.step(Measurements(time_s=time_s, pump_battery_v=12.7, fan_battery_v=12.7, **seen))
    controller.hand_run(PUMP_DUTY, FAN_DUTY, 1800.0)
    return memory_text(controller, time_s, None, now())


def await_probes(how_many: int = len(PROBES)) -> None:
    """Wait until the kernel has found so many probes on the bus."""
    while len(list(Path("/sys/bus/w1/devices").glob("28-*"))) < how_many:
        time.sleep(0.1)


class Bench:
    """One board under test. ``how`` is "program" or "forked"."""

    def __init__(self, tick_s: float = 1.0, own_disk: bool = True) -> None:
        self.chip = Chip()
        battery_monitors()
        FILE.write_text(settings_text(self.chip))
        if own_disk:
            disk(DISK_MB)
        controlled.preload()
        self.far = far_side.start(self.chip)
        self.guardian: int | None = None
        self._words = [str(FILE), "--state", str(STATE), "--tick", f"{tick_s:g}"]
        await_probes()

    def renew_hand_run(self) -> None:
        """Give the next start half an hour by hand."""
        from warmheap.settings_store import TwoCopies

        TwoCopies(STATE, "memory").save(by_hand(FILE))

    def start(self, how: str) -> None:
        """Start ``warmheap run``."""
        if how == "program":
            self.guardian = controlled.start_program(self._words)
        else:  # the page is a process of its own, and loading it costs the emulator more than the loop itself
            self.guardian = controlled.start_forked([*self._words, "--no-page"])

    def loop(self) -> int:
        """The loop's process id."""
        assert self.guardian is not None
        pid = controlled.loop_of(self.guardian)
        assert pid is not None, "there is no loop"
        return pid

    def stop(self) -> None:
        """End it in good order, or by force."""
        if self.guardian is not None:
            os.kill(self.guardian, signal.SIGTERM)
            assert controlled.ended(self.guardian, 30.0), "the guardian does not end"
            self.guardian = None

    def stop_by_force(self) -> None:
        """End it whatever state it is in: the guardian first, that it starts nothing any more, then what it had started."""
        assert self.guardian is not None
        loop = controlled.loop_of(self.guardian)
        for pid in (self.guardian, loop):
            with suppress(ProcessLookupError):
                if pid is not None:
                    os.kill(pid, signal.SIGKILL)
        controlled.ended(self.guardian, 5.0)
        controlled.safe_off()
        self.guardian = None


def running_since(after_ns: int, within_s: float) -> float | None:
    """Seconds from ``after_ns`` until both lines have begun to pulse anew; None if they do not in time."""
    before = {n: x.rises for n, x in lines()[1].items()}
    end_s = time.monotonic() + within_s
    while time.monotonic() < end_s:
        now_ns, found = lines()
        if all(n in found and found[n].rises > before.get(n, 0) + 1 for n in (PUMP, FAN)):
            return (now_ns - after_ns) / 1e9
        time.sleep(POLL_S)
    return None


def low_since(after_ns: int, within_s: float) -> float | None:
    """Seconds from ``after_ns`` until both lines were low and stayed so; 0 if they were at once, None if not in time."""
    while True:
        now_ns, found = lines()
        both = [found[n] for n in (PUMP, FAN) if n in found]
        if not any(x.level for x in both) and all(now_ns - x.changed_ns > STILL_S * 1e9 for x in both):
            return max(0.0, *((x.changed_ns - after_ns) / 1e9 for x in both))
        if now_ns - after_ns > within_s * 1e9:
            return None
        time.sleep(POLL_S)
