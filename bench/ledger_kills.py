"""kill -9 at random moments of a process that writes a ledger as the loop does: is it whole, and what is lost?

    python bench/ledger_kills.py [KILLS] [FOLDER]

The writer steps a real controller on made-up readings, a tick every 100 ms (ten times faster than the loop ever ticks),
each a minute of plant time, through the scribe and its thread; a reader makes the report's figures meanwhile. All kills go
to one ledger, which goes on where it was.
After each: SQLite's integrity check, ticks handed over but not in the file, and every roll-up against its ticks.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import closing
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from warmheap import ledger_rollups  # noqa: E402
from warmheap.errors import UsageError  # noqa: E402
from warmheap.ledger import Ledger, opened  # noqa: E402
from warmheap.report_data import read  # noqa: E402

WRITER = """
import io, math, sys, time
from pathlib import Path
from controller import Controller, ControllerSettings, Measurements
from warmheap.ledger import rows
from warmheap.loop import Tick
from warmheap.scribe import Scribe
from warmheap.status import Status
state = Path(sys.argv[1])
n = int(sys.argv[2])
controller = Controller(ControllerSettings(start_hold_s=0.0))
scribe = Scribe(state, Status(stream=io.StringIO()), lambda: "{}")
scribe.begins(controller)
while True:
    n += 1
    wave = math.sin(n / 7.0)
    m = Measurements(time_s=1.7e9 + 60.0 * n, pile_core_c=58.0, pile_edge_c=45.0, water_supply_c=40.0 + wave,
                     water_return_c=20.0, water_flow_kg_s=0.06, air_supply_c=40.0, air_supply_rh=1.0,
                     greenhouse_c=4.0 + wave, greenhouse_rh=0.8, outdoor_c=-5.0, pump_battery_v=12.8, fan_battery_v=12.8)
    scribe.tick(Tick(m, controller.step(m), 0.0, 0.0))
    print(n, flush=True)
    time.sleep(0.1)
"""


def killed_once(state: Path, after: int, wait_s: float) -> int:
    """Let the writer go on after tick ``after``, kill it ``wait_s`` after its first; returns the last it handed over."""
    command = [sys.executable, "-c", WRITER, str(state), str(after)]
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT, env=env) as run:
        first = int(run.stdout.readline())
        reader = threading.Thread(target=look, args=(state / "ledger.sqlite",))
        reader.start()
        time.sleep(wait_s)
        run.send_signal(signal.SIGKILL)
        rest = run.stdout.read().split("\n")
        reader.join()
    return int(rest[-2]) if len(rest) > 1 else first


def look(path: Path) -> None:
    """What `warmheap report` reads, while the writer writes."""
    try:
        read(path)
    except UsageError as wrong:  # the very first ticks may not be there yet
        assert "holds no ticks" in str(wrong) or "is no file" in str(wrong) or "version 0" in str(wrong), wrong


def check(path: Path, last: int) -> tuple[bool, int, list[str]]:
    """Whether the file is whole, how many of the ticks up to ``last`` are not in it, and which roll-ups are wrong."""
    if not path.exists():  # the first kill on a busy machine may come before the first row
        return True, last, []
    with closing(opened(path)) as db:
        whole = db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        count, newest = db.execute("SELECT count(*), max(time_s) FROM ticks").fetchone()
        there = round(((newest or 1.7e9) - 1.7e9) / 60.0)
        return whole, max(0, last - there), ledger_rollups.differences(db)


def campaign(kills: int, state: Path, seed: int = 1, longest_s: float = 1.0) -> tuple[int, int, int, int]:
    """(files not whole, most ticks lost at one kill, roll-ups wrong, ticks written)."""
    rng, path = random.Random(seed), state / "ledger.sqlite"
    broken = wrong = most = last = 0
    for _ in range(kills):
        last = killed_once(state, last, rng.uniform(0.0, longest_s))
        whole, lost, off = check(path, last)
        broken, most, wrong = broken + (not whole), max(most, lost), wrong + len(off)
    return broken, most, wrong, finish(path)


def finish(path: Path) -> int:
    """Sum up to the end; every tick must then be in one minute, one hour and one day. Returns how many there are."""
    ledger = Ledger(path)
    ledger.roll_up(to_the_end=True)
    ledger.close()
    with closing(opened(path)) as db:
        ticks = db.execute("SELECT count(*) FROM ticks").fetchone()[0]
        for period in ledger_rollups.PERIODS_S:
            summed = db.execute(f"SELECT sum(ticks) FROM {period}s").fetchone()[0]
            assert summed == ticks, f"{period}s hold {summed} of {ticks} ticks"
        assert not ledger_rollups.differences(db)
        return int(ticks)


def main() -> None:
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    with tempfile.TemporaryDirectory() as folder:
        began_s = time.monotonic()
        broken, most, wrong, ticks = campaign(
            kills, Path(sys.argv[2] if len(sys.argv) > 2 else folder), seed=int(began_s)
        )
        took_s = time.monotonic() - began_s
        print(f"{kills} kills in {took_s:.0f} s, {ticks} ticks: {broken} files broken, {wrong} roll-ups wrong")
        print(f"ticks lost at a kill: {most} at most")


if __name__ == "__main__":
    main()
