"""A ``warmheap run`` on a real disk, beside it somebody who keeps changing what was learned: until the power is cut.

Every tick is told to the host before it goes to the log, every change of the settings once it is said to be kept.
"""

from __future__ import annotations

import os
import subprocess
import time

from bench_board import tell
from controlled import STATE
from stand import Bench, running_since


def tell_ticks() -> None:
    """Have every tick told before the scribe gets it."""
    from warmheap.scribe import Scribe

    write_down = Scribe.tick

    def told(self: Scribe, tick: object, *more: object) -> None:
        console = os.open("/dev/ttyS0", os.O_WRONLY | os.O_NOCTTY)
        os.write(console, b'@@{"case": "tick", "time_s": %.6f}\n' % tick.measurements.time_s)
        os.close(console)
        write_down(self, tick, *more)

    Scribe.tick = told  # type: ignore[method-assign]


def learn_for_ever() -> None:
    """Keep another learned value again and again."""
    from warmheap.learned import Document
    from warmheap.settings_store import SettingsStore

    store, number = SettingsStore(STATE), 0
    while True:
        number += 1
        entry = {"value": 0.2 + number * 1e-6, "sd": 0.004, "was": 0.25, "date": "2026-11-25T10:00+00:00"}
        store.save_learned(Document({"pump_start_duty": entry}, {}))
        tell("saved", number=number)
        time.sleep(0.05)


def main() -> None:
    """Run until the power is cut."""
    STATE.mkdir(parents=True)
    subprocess.run(["mount", "-t", "ext4", "/dev/vda", str(STATE)], check=True)
    bench = Bench(own_disk=False)
    tell_ticks()
    bench.renew_hand_run()
    began_ns = time.monotonic_ns()
    bench.start("forked")
    tell("start", back_s=running_since(began_ns, 120.0))
    learn_for_ever()


if __name__ == "__main__":
    main()
