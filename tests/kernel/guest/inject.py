"""Faults, one after the other, in a ``warmheap run`` on the simulated board: when are the outputs safe, when is it back?

    inject.py '{"kill": [2, 8], ...}' [NUMBER]      how often: as a program started from its files, forked with all loaded

NUMBER sets chance: how long after the last return each fault comes. One result a fault goes to the host.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import controlled
from bench_board import FAN, PROBES, PUMP, DutyMeter, probe, tell
from controlled import STATE
from stand import FAN_DUTY, PUMP_DUTY, Bench, low_since, running_since

SAFE_WITHIN_S, BACK_WITHIN_S = 15.0, 60.0  # how long is looked; what is allowed is the host's to judge
YEAR_S = 365.0 * 86400.0
RENEW_EVERY = 40  # injections on one hand-run of half an hour
SETTLED_S, LATER_S = 0.3, 2.0  # faults come this long after the last return, and up to this much later
WATCH_S = 2.5
STEADY_S = 6.0  # the pump's kick after a start is over, its duty come to rest


def outputs(seconds: float) -> dict[str, float]:
    """The duties on both lines over the next ``seconds``."""
    meters = {"pump": DutyMeter(PUMP), "fan": DutyMeter(FAN)}
    time.sleep(seconds)
    return {name: round(meter.duty(), 4) for name, meter in meters.items()}


def death(bench: Bench, number: int) -> dict[str, object]:
    """Send a signal to the loop; what became of the outputs."""
    began_ns = time.monotonic_ns()
    os.kill(bench.loop(), number)
    safe_s = low_since(began_ns, SAFE_WITHIN_S)
    return {"safe_s": safe_s, "back_s": running_since(began_ns, BACK_WITHIN_S)}


def deadlock(bench: Bench, turn: int) -> dict[str, object]:
    """By turns: the loop's thread alone hangs; every Python thread hangs."""
    return death(bench, (signal.SIGUSR1, signal.SIGUSR2)[turn % 2])


def told_to_stop(bench: Bench, how: str) -> dict[str, object]:
    """SIGTERM as the service manager sends it, and a new start after the end."""
    began_ns = time.monotonic_ns()
    assert bench.guardian is not None
    os.kill(bench.guardian, signal.SIGTERM)
    safe_s = low_since(began_ns, SAFE_WITHIN_S)
    went = controlled.ended(bench.guardian, 20.0)
    bench.start(how)
    return {"safe_s": safe_s, "back_s": running_since(began_ns, BACK_WITHIN_S), "ended": went}


def orphaned(bench: Bench, how: str) -> dict[str, object]:
    """The guardian is killed: the loop must make its outputs safe itself and end."""
    began_ns, loop = time.monotonic_ns(), bench.loop()
    os.kill(bench.guardian, signal.SIGKILL)
    safe_s = low_since(began_ns, SAFE_WITHIN_S)
    went = until(lambda: not controlled.alive(loop), 20.0) is not None
    controlled.ended(bench.guardian, 5.0)
    bench.start(how)
    return {"safe_s": safe_s, "back_s": running_since(began_ns, BACK_WITHIN_S), "ended": went}


def both_killed(bench: Bench, how: str) -> dict[str, object]:
    """Guardian and loop are killed at once; then the service manager runs what it runs after any end."""
    loop = bench.loop()
    os.kill(bench.guardian, signal.SIGSTOP)
    began_ns = time.monotonic_ns()
    os.kill(loop, signal.SIGKILL)
    os.kill(bench.guardian, signal.SIGKILL)
    went = controlled.ended(bench.guardian, 5.0) and controlled.safe_off() == 0
    safe_s = low_since(began_ns, SAFE_WITHIN_S)
    bench.start(how)
    return {"safe_s": safe_s, "back_s": running_since(began_ns, BACK_WITHIN_S), "ended": went}


def through(bench: Bench, fault: Callable[[], object]) -> dict[str, object]:
    """Bring about a fault that must not touch control at all; then kill the loop in the middle of it."""
    time.sleep(STEADY_S)
    before, loop = outputs(0.5), bench.loop()
    fault()
    during = outputs(WATCH_S)
    return {"before": before, "during": during, "same_loop": bench.loop() == loop, **death(bench, signal.SIGKILL)}


@contextmanager
def wrong_clock(turn: int) -> Iterator[Callable[[], object]]:
    """The wall clock jumps by a year, forward and back by turns; put right at the end."""
    zero_s = time.time() - time.monotonic()
    jump_s = YEAR_S if turn % 2 == 0 else -YEAR_S
    try:
        yield lambda: time.clock_settime(time.CLOCK_REALTIME, time.time() + jump_s)
    finally:
        time.clock_settime(time.CLOCK_REALTIME, zero_s + time.monotonic())


@contextmanager
def full_disk() -> Iterator[Callable[[], object]]:
    """The disk of the state folder is filled to its last byte; emptied at the end."""
    ballast = STATE / "ballast"
    try:
        yield lambda: fill(ballast)
    finally:
        ballast.unlink(missing_ok=True)


def fill(ballast: object) -> None:
    """Write until nothing more goes on the disk."""
    with suppress(OSError), open(str(ballast), "ab", buffering=0) as stream:
        for size in (65536, 4096, 1):
            with suppress(OSError):
                while True:
                    stream.write(b"\0" * size)


def clock(bench: Bench, turn: int) -> dict[str, object]:
    """A clock that jumps, and a death while it is wrong; the plant's time must not follow."""
    before_s = newest("time_s")
    began_s = time.monotonic()
    with wrong_clock(turn) as jump:
        found = through(bench, jump)
        time.sleep(2.0)
        drift_s = newest("time_s") - before_s - (time.monotonic() - began_s)
    return found | {"drift_s": drift_s}


def disk(bench: Bench) -> dict[str, object]:
    """A disk that fills, and a death while it is full."""
    with full_disk() as filled:
        return through(bench, filled)


def bus(bench: Bench) -> dict[str, object]:
    """All probes unplugged: control goes on, says so, and reads again by itself when they are back."""
    loop = bench.loop()
    for number in PROBES.values():
        probe(number, present=0)
    lost_s = until(lambda: newest("pile_core_c") is None, 60.0)
    for number in PROBES.values():
        probe(number, present=1)
    back_s = until(lambda: newest("pile_core_c") is not None, BACK_WITHIN_S)
    again_s = until(lambda: min(outputs(0.1).values()) > 0.0, BACK_WITHIN_S)
    return {"lost_s": lost_s, "back_s": back_s, "again_s": again_s, "same_loop": bench.loop() == loop}


def newest(column: str) -> float | None:
    """A value of the newest row of the ledger."""
    import sqlite3

    db = sqlite3.connect(f"file:{STATE}/ledger.sqlite?mode=ro", uri=True)
    try:
        return db.execute(f"SELECT {column} FROM ticks ORDER BY id DESC LIMIT 1").fetchone()[0]  # noqa: S608
    finally:
        db.close()


def until(true: Callable[[], bool], within_s: float) -> float | None:
    """Seconds until it is so; None if it is not in time."""
    began_s = time.monotonic()
    while time.monotonic() - began_s < within_s:
        if true():
            return time.monotonic() - began_s
        time.sleep(1.0)
    return None


def inject(fault: str, bench: Bench, turn: int, how: str) -> dict[str, object]:
    """One fault."""
    return {
        "kill": lambda: death(bench, signal.SIGKILL),
        "stop": lambda: death(bench, signal.SIGSTOP),
        "exception": lambda: death(bench, signal.SIGALRM),
        "deadlock": lambda: deadlock(bench, turn),
        "sigterm": lambda: told_to_stop(bench, how),
        "guardian": lambda: orphaned(bench, how),
        "both": lambda: both_killed(bench, how),
        "clock": lambda: clock(bench, turn),
        "disk": lambda: disk(bench),
        "bus": lambda: bus(bench),
    }[fault]()


def attempt(fault: str, bench: Bench, turn: int, how: str) -> dict[str, object]:
    """One fault and what became of it; when it did not come back, that is told too, and the bench is started anew."""
    try:
        found = inject(fault, bench, turn, how)
    except Exception:
        found = {"back_s": None, "broke": traceback.format_exc()}
    if None in found.values():
        found["log"] = controlled.log_end()
        bench.stop_by_force()
        begin(bench, how)
    return found


def begin(bench: Bench, how: str) -> None:
    """Start with half an hour by hand ahead."""
    bench.renew_hand_run()
    began_ns = time.monotonic_ns()
    bench.start(how)
    tell("start", how=how, back_s=running_since(began_ns, BACK_WITHIN_S))


def main(wanted: dict[str, list[int]], number: int) -> None:
    """Inject all that is wanted."""
    chance, bench = random.Random(number), Bench()
    for how, at in (("program", 0), ("forked", 1)):
        todo = [(fault, turn) for fault, times in wanted.items() for turn in range(times[at])]
        for done, (fault, turn) in enumerate(todo):
            if done % RENEW_EVERY == 0:
                bench.stop()
                begin(bench, how)
            time.sleep(SETTLED_S + LATER_S * chance.random())
            before = outputs(0.1)
            tell(fault, how=how, turn=turn, on=min(before.values()) > 0.0, **attempt(fault, bench, turn, how))
        bench.stop()
    tell("wanted", pump=PUMP_DUTY, fan=FAN_DUTY)


if __name__ == "__main__":
    main(json.loads(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1)
