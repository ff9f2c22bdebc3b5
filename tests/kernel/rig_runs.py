"""The runs of the rig and what they must show; used by the tests and by `bench/injections.py --rig`."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from rig_guest import Guest, run_guest

SAFE_S, BACK_S, STALE_S = 2.0, 20.0, 35.0
NOBODY_SAFE_S = 10.0  # guardian and loop killed at once: the service manager must load Python first
DUTY_OFF_BY = 0.01
DRIFT_S = 5.0  # a year of the wall clock must not move the plant's time; a tick and a restart may
DEATHS = ("kill", "stop", "deadlock", "exception", "sigterm")
THROUGH = ("clock", "disk")  # must not touch control, and are followed by a death
EXTRA = ("guardian", "both")
FAULTS = (*DEATHS, *THROUGH, "bus")
FEWER = 3  # times fewer of those in EXTRA
RULES = {"released lines fall to their pull": False, "released lines keep their level": True}

Found = dict[str, Any]


def inject(program: int, forked: int, number: int = 1) -> dict[str, Guest]:
    """Every fault so often under both rules of the kernel, two guests beside each other.

    ``forked`` times under each rule, ``program`` times in all: such a start costs the emulator half a minute.
    """

    def one(persist: bool) -> Guest:
        share = {f: (program + (n + persist) % 2) // 2 for n, f in enumerate((*FAULTS, *EXTRA))}
        times = {f: [share[f], forked if f in FAULTS else forked // FEWER] for f in share}
        wanted = json.dumps(times)
        return run_guest("tests/kernel/guest/inject.py", wanted, str(number), persist=persist, core=int(persist))

    with ThreadPoolExecutor(2) as both:
        return dict(zip(RULES, both.map(one, RULES.values()), strict=True))


def wrong_with(fault: str, r: Found, wanted: Found) -> list[str]:
    """What one injection shows that must not be; empty when all is well.

    The pump by hand still regulates its flow, with the duty that was asked for as the most; the fan just runs at its own.
    """
    wrong = [] if r["on"] else ["the outputs were not on before it"]
    if fault == "bus":
        wrong += [] if within(r.get("lost_s"), STALE_S) else ["the loss is not seen in time"]
        wrong += [] if within(r.get("again_s"), BACK_S) else ["the outputs do not come back"]
    else:
        most_s = NOBODY_SAFE_S if fault == "both" else SAFE_S
        wrong += [] if within(r.get("safe_s"), most_s) else [f"safe after {r.get('safe_s')} s"]
    wrong += [] if within(r["back_s"], BACK_S) else [f"back after {r['back_s']} s"]
    wrong += [] if r.get("same_loop", True) else ["the loop did not live through it"]
    wrong += [] if r.get("ended", True) else ["the guardian did not end"]
    wrong += [] if abs(r.get("drift_s", 0.0)) < DRIFT_S else [f"the plant's time moved by {r['drift_s']} s"]
    for name, duty in r.get("during", {}).items():
        least = wanted[name] / 2.0 if name == "pump" else wanted[name] - DUTY_OFF_BY
        wrong += [] if least <= duty <= wanted[name] + DUTY_OFF_BY else [f"{name} at {duty} instead of {wanted[name]}"]
    return wrong


def within(seconds: float | None, most_s: float) -> bool:
    """Whether it happened, and in time."""
    return seconds is not None and seconds <= most_s


def bad(fault: str, guest: Guest) -> list[tuple[Found, list[str]]]:
    """Injections that show what must not be."""
    wanted = guest.of("wanted")[0]
    judged = [(r, wrong_with(fault, r, wanted)) for r in guest.of(fault)]
    return [(r, wrong) for r, wrong in judged if wrong]


def in_full(wrong: list[tuple[Found, list[str]]]) -> str:
    """What was found and what the program said last: a failure that comes once in a thousand must tell all at once."""
    return "\n".join(f"{'; '.join(why)}: {r | {'log': 'below'}}\n{r.get('log', '')}" for r, why in wrong)


def injection_table(found: dict[str, Guest]) -> list[str]:
    """How soon safe and back, by fault and rule: the worst of each."""
    lines = []
    for rule, guest in found.items():
        lines.append(f"{rule}:")
        for fault in (*FAULTS, *EXTRA):
            of = guest.of(fault)
            safe = sorted(r.get("safe_s", r.get("lost_s")) or 0.0 for r in of)
            back = max((r["back_s"] or float("inf") for r in of), default=0.0)
            what = "lost reading seen" if fault == "bus" else "safe"
            usual, worst = (safe[len(safe) // 2], safe[-1]) if safe else (0.0, 0.0)
            lines.append(
                f"  {fault:10} {len(of):4} times, {len(bad(fault, guest))} bad: {what} in {usual:.2f} s, "
                f"{worst:.2f} s at most; back in {back:.1f} s at most"
            )
    return lines


def lost_ticks(cut: Found) -> int:
    """How many ticks that were told before a cut are not in the ledger after it."""
    return sum(told_s > cut["newest_s"] + 1e-3 for told_s in cut["ticks"])


def cut_faults(cut: Found) -> list[str]:
    """What a power cut left that must not be."""
    wrong = [] if cut["sound"] == "ok" else [f"ledger: {cut['sound']}"]
    wrong += [] if cut["gapless"] else ["rows are missing"]
    wrong += [] if lost_ticks(cut) <= 1 else [f"{lost_ticks(cut)} ticks lost"]
    wrong += [] if cut["learned"] >= cut["saved"] else [f"setting {cut['saved']} was kept, {cut['learned']} is there"]
    wrong += [f"{name} is lost" for name in cut["lost"]]
    return wrong + ([] if cut["outputs"] == 2 else ["the outputs are not known"])


def cut_table(cuts: list[Found]) -> list[str]:
    """What all cuts came to."""
    lost = [lost_ticks(cut) for cut in cuts]
    damaged = sum(bool(cut["damaged"]) for cut in cuts)
    return [
        f"{len(cuts)} power cuts: {sum(bool(cut_faults(c)) for c in cuts)} bad, {sum(n > 0 for n in lost)} lost a tick, "
        f"{max(lost, default=0)} at most; {damaged} left one of two copies damaged"
    ]
