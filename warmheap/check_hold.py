"""Warm a probe in the hand, and it is named: so swapped probes come to light."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite, nan

from hardware.reading import GOOD, Reading

from .check_found import LEFT, OK, UNKNOWN, WRONG, Finding
from .check_kit import Course, Kit, Step, answered, look
from .check_sensors import PATHS, setting_line
from .settings_table import KEYS

HOLD_S = 60.0
ROSE_K = 1.0
CLEARLY = 2.0  # as much as any other probe
HAND_C = 33.0  # skin of the hand (from memory)
HELP = {key.target: key.help for key in KEYS if key.kind == "sensor"}


def check_hold(kit: Kit) -> Course[None]:
    """Ask for each probe in turn, and see which one changes."""
    probes = kit.board.probes if kit.board else {}
    if not probes:
        kit.report.add(Finding("probes in hand", LEFT, "no 1-wire probes in the settings"))
        return
    if not kit.ask.anybody:
        kit.report.add(
            Finding("probes in hand", LEFT, "nobody there to hold them", "later: warmheap check --only hold")
        )
        return
    seen: dict[str, str] = {}
    for name, probe in probes.items():
        text = f"Hold the {PATHS[name]} probe in your warm hand ({HELP[name]}). Do you hold it?"
        kit.ask.told("", text)
        if (yield from answered(kit)):
            found = yield from _in_hand(kit)
            seen[name] = found
            kit.say(f"  {found or 'none'} changed")
        else:
            kit.report.add(Finding(f"probe {PATHS[name]}", LEFT, f"{probe} was not held"))
    kit.held = {name: probe for name, probe in seen.items() if probe == probes[name]}
    for name, found in seen.items():
        kit.report.add(judged(kit, name, found))


def judged(kit: Kit, name: str, found: str) -> Finding:
    """What it means that ``found`` changed while the probe at ``name`` was held."""
    assert kit.board is not None  # noqa: S101 - check_hold saw to it
    probes, told = kit.board.probes, f"probe {PATHS[name]}"
    if not found:
        return Finding(told, UNKNOWN, "no probe changed in the hand", "hold its tip longer, or in warm water")
    if found == probes[name]:
        return Finding(told, OK, f"{found} changed in the hand")
    other = next((n for n, probe in probes.items() if probe == found), "")
    seen = f"you held it, but {found} changed" + (f", which the settings call {PATHS[other]}" if other else "")
    return Finding(told, WRONG, seen, f"under [sensors] write {setting_line(name, found, kit.board)}")


def _in_hand(kit: Kit) -> Course[str]:
    """The probe that goes toward the hand's temperature first; empty when none does."""
    before, began_s = temperatures(kit), kit.last.time_s
    while kit.last.time_s - began_s < HOLD_S:
        yield from look(kit, Step())
        found = changed(before, temperatures(kit))
        if found:
            return found
        before = {probe: before.get(probe, now_c) for probe, now_c in temperatures(kit).items()} | before
    return ""


def temperatures(kit: Kit) -> dict[str, float]:
    """All probes on the bus, named or not, by their number."""
    probes = kit.board.probes if kit.board else {}
    readings = kit.readings()
    named = {probe: readings.get(name, Reading()) for name, probe in probes.items()}
    return {probe: r.value if r.quality == GOOD else nan for probe, r in (named | kit.spares()).items()}


def changed(before: Mapping[str, float], now: Mapping[str, float]) -> str:
    """The probe that went toward the temperature of a hand by a kelvin, and clearly more than any other."""
    went = {
        probe: (now_c - before[probe]) * (1.0 if before[probe] < HAND_C else -1.0)
        for probe, now_c in now.items()
        if isfinite(now_c) and isfinite(before.get(probe, nan))
    }
    most = sorted(went.values(), reverse=True)
    if not most or most[0] < ROSE_K or (len(most) > 1 and most[0] < CLEARLY * most[1]):
        return ""
    return next(probe for probe, by_k in went.items() if by_k == most[0])
