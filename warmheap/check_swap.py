"""Supply and return: does the pile's heat arrive at the probe that is called supply?"""

from __future__ import annotations

from math import isfinite

from controller.commissioning_watch import SPARE_K
from controller.guards import SWAPPED_K, TELLING_SPAN_K

from .check_found import LEFT, OK, UNKNOWN, WRONG, Finding
from .check_kit import Course, Kit, Move, drive, may_move, still

DRAW_S = 300.0
RISE_K = 3.0
WARM_END_K = 10.0  # pipes that differ by this at rest, the core hot, still show which end was warm (own judgement)
DRAW_SHARE = 0.15  # how far from the starting duty to full: slow
PAIR = ("water_supply_c", "water_return_c")


def check_swap(kit: Kit) -> Course[None]:
    """A short warm draw, if the core can give one."""
    rest = yield from still(kit, 4.0)
    if "pump" in kit.moved and isfinite(first_to_rise(kit.rested["pump"], kit.moved["pump"][1])):
        kit.report.add(judged(kit.rested["pump"], kit.moved["pump"][1], kit.held))
        return
    why = why_not(kit, rest)
    if why:
        kit.report.add(Finding("supply/return", *why))
        return
    duty = round(kit.settings.pump_start_duty + DRAW_SHARE * (1.0 - kit.settings.pump_start_duty), 2)
    text = (
        f"The pump will run at {duty:.0%} until warm water comes, {DRAW_S / 60.0:.0f} min at most. CAUTION: scalding."
    )
    if not (yield from may_move(kit, "supply/return", "pump", text, "swap")):
        return
    draw = yield from drive(kit, "pump", duty, DRAW_S, lambda move: isfinite(first_to_rise(rest, move)))
    kit.report.add(judged(rest, draw, kit.held))


def why_not(kit: Kit, rest: Move) -> tuple[str, str, str] | None:
    """Verdict, reason and mending when a draw would not tell, or must not be."""
    core_c = rest.late("pile_core_c")
    water_c = [rest.late(name) for name in PAIR]
    floor_c = kit.settings.pile_floor_c + SPARE_K
    if not all(isfinite(c) for c in water_c):
        return LEFT, "wants a supply and a return probe that read", ""
    if not core_c >= floor_c:
        return UNKNOWN, f"cannot be told until the core is at {floor_c:.0f} °C", "later: warmheap check --only swap"
    if core_c - max(water_c) < TELLING_SPAN_K:
        return _warm_pipes(core_c, *water_c)
    return None


def _warm_pipes(core_c: float, supply_c: float, return_c: float) -> tuple[str, str, str]:
    """Pipes that are still warm from a run: the supply is the warmer end. The sun can warm a return, too."""
    told = f"supply {supply_c:.0f} °C, return {return_c:.0f} °C"
    if supply_c > return_c + WARM_END_K:
        return OK, f"the warm end is the supply: {told}", ""
    cool_c = core_c - TELLING_SPAN_K
    return (
        UNKNOWN,
        f"cannot be told until the pipes are below {cool_c:.0f} °C: {told}",
        "rest some hours, then --only swap",
    )


def _mend(held: dict[str, str]) -> str:
    if set(PAIR) <= set(held):
        return "the probes are right, so water goes the wrong way: hoses at the pile, or plus and minus of the pump"
    other = "the hoses, or plus and minus of the pump, are swapped; or the supply probe is stuck"
    return f"swap water_supply and water_return in [sensors]; or {other}"


def first_to_rise(rest: Move, draw: Move) -> float:
    """1.0 when the supply rose first, -1.0 when the return did; NaN while neither has, for two looks in a row."""
    for before, now in zip(draw.samples, draw.samples[1:], strict=False):
        rises = [min(getattr(s.m, name) for s in (before, now)) - rest.late(name) for name in PAIR]
        if max(rises) >= RISE_K:
            return 1.0 if rises[0] >= rises[1] else -1.0
    return float("nan")


def judged(rest: Move, draw: Move, held: dict[str, str]) -> Finding:
    """What a warm draw says. ``held``: places whose probe rose in the hand and is the right one."""
    name, first = "supply/return", first_to_rise(rest, draw)
    rises = [draw.late(place) - rest.late(place) for place in PAIR]
    values = {"supply_rise_k": rises[0], "return_rise_k": rises[1], "drawn_s": draw.lasted_s}
    if first == 1.0 and rises[1] - rises[0] < SWAPPED_K:
        return Finding(name, OK, f"warm water came to the supply probe, {rises[0]:.0f} K", "", values)
    if first == -1.0:
        seen = f"warm water came to the return probe, {rises[1]:.0f} K"
        return Finding(name, WRONG, seen, _mend(held), values)
    why = draw.reason or f"no warm water in {draw.lasted_s:.0f} s"
    return Finding(name, UNKNOWN, f"cannot be told: {why}", "does water move? is the coil full?", values)
