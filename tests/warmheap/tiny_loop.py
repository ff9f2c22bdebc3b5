"""A loop as `warmheap run` builds it, with a plant of one line: starts in a blink, so that it can be killed many times.

    python tiny_loop.py STATE FD FAULT

FAULT is what happens after half a second: none, exception, deadlock, exit, disobey, slow-start, end.
"""

import os
import sys
import threading
import time
from pathlib import Path

from controller import Commands, Decision, Measurements
from hardware.lease import LeasedOutput, LeaseKeeper
from warmheap.heart import Heart
from warmheap.loop import Loop, OutputFault
from warmheap.record import NAMES, RecordOutput, spec

DUTY = 0.7
AFTER_S = 0.5


class OneLine:
    """A plant that only has outputs."""

    def __init__(self, record):
        self.outputs = {n: LeasedOutput(n, RecordOutput(record, n), 0.0, "test") for n in NAMES}
        self.keeper = LeaseKeeper(list(self.outputs.values()))

    def measure(self):
        return Measurements(time_s=time.time())

    def apply(self, commands):
        self.outputs["pump"].set(commands.pump_duty)
        self.outputs["fan"].set(commands.fan_duty)

    def renew(self):
        return all([o.renew() for o in self.outputs.values()])

    def duties(self):
        return {n: o.driver.duty() for n, o in self.outputs.items()}

    def pass_time(self, dt_s):
        pass

    def close(self):
        self.keeper.close()
        for output in self.outputs.values():
            output.close()


class Draws:
    """A controller that always draws, until its fault comes."""

    def __init__(self, fault, plant):
        self.fault, self.plant, self.began_s = fault, plant, time.monotonic()

    def step(self, m):
        if time.monotonic() - self.began_s > AFTER_S:
            self.strike()
        return Decision(Commands(DUTY, DUTY), "draw", "test", "test", next_s=1.0)

    def strike(self):
        if self.fault == "exception":
            raise RuntimeError("made on purpose")
        if self.fault == "deadlock":
            lock = threading.Lock()
            lock.acquire()
            lock.acquire()
        if self.fault == "exit":
            os._exit(7)
        if self.fault == "disobey":
            self.plant.outputs["pump"].driver.duty = lambda: 0.1


def main(state, fd, fault):
    if fault == "slow-start":
        time.sleep(2.0)
    heart = Heart(int(fd))
    heart.listen()
    record = Path(state) / "outputs.bin"
    heart.introduce([spec(record, name) for name in NAMES])
    plant = OneLine(record)
    (Path(state) / "pid").write_text(str(os.getpid()))
    with (Path(state) / "starts").open("a") as starts:
        starts.write(f"{time.monotonic()}\n")
    code = 0
    try:
        Loop(plant, Draws(fault, plant), heart, lambda tick: None).run(0.6 if fault == "end" else float("inf"))
    except OutputFault:
        code = 3
    finally:
        plant.close()
    heart.quit()
    return 4 if heart.orphaned else code


if __name__ == "__main__":
    raise SystemExit(main(*sys.argv[1:]))
