"""Pump and fan moved once: does it start, does it move something, does it stop?"""

from __future__ import annotations

from math import isfinite, nan
from typing import Any, NamedTuple

from controller.commissioning_watch import MOVES_KG_S
from controller.guards import TURNING_HZ, WINDMILL_HZ

from .check_found import LEFT, OK, UNKNOWN, WRONG, Finding
from .check_kit import LAST_FEW, Course, Kit, Move, answered, drive, drive_asking, may_move, still

REST_S, STOP_S, HUSH_S = 3.0, 20.0, 1.0
STEADY = 8  # looks with something moving, then it is enough
SURE_DUTY, MORE_THAN_START = 0.6, 0.2
DRAWS_A, DRAWS_SHARE = 0.05, 0.1  # of the current that the settings make one expect (own judgement)
SUPPLY_V = 12.0
WEAK_SHARE = 0.3  # of the flow that the settings make one expect: a pump that runs backwards gives about that or less
#                   (centrifugal pumps; from memory)


class Part(NamedTuple):
    """What differs between pump and fan: what shows that it moves, from where on, how long it may run, words."""

    output: str
    witness: str
    moves: float
    rests: float
    run_s: float
    blind_s: float
    shown: str
    per: float
    moved: str
    caution: str
    dead: str
    idle: str
    unsure: str
    runs_on: str


PUMP = Part(
    "pump", "water_flow_kg_s", MOVES_KG_S, MOVES_KG_S, 15.0, 10.0, "L/min", 60.0, "water moves",
    "CAUTION: scalding water, hands off open ends.",
    "fuse, switch at the battery, wires, pump.pin; then plus and minus of the pump",
    "open valves, let the air out, fill the line; plus and minus of the pump; the meter's wire",
    "if you heard it: valves, air, water in the line. If not: fuse, switch, wires, pump.pin, plus and minus",
    "pull the fuse! Shorted transistor or no pull-down (10 kohm gate to ground); or the line siphons",
)  # fmt: skip
FAN = Part(
    "fan", "fan_speed_hz", TURNING_HZ, WINDMILL_HZ, 15.0, 20.0, "turns/s", 1.0, "it turns",
    "CAUTION: hands off the fan. Pile air: leave the door open.",
    "fuse, switch at the battery, wires, fan.pin; then plus and minus of the fan",
    "is something in its blades? Is the speed wire on tachometer.pin, pulled up?",
    "if it turned: its speed wire, tachometer.pin. If not: fuse, switch, wires, fan.pin, plus and minus",
    "pull the fuse! Shorted transistor or no pull-down (10 kohm gate to ground); or the wind turns it",
)  # fmt: skip


class Turn(NamedTuple):
    """One output moved once: before, at ``duty``, after; and what a person heard (None: nobody told)."""

    duty: float
    rest: Move
    run: Move
    after: Move
    heard: bool | None = None
    quiet: bool | None = None


def check_pump(kit: Kit) -> Course[None]:
    """Move the pump once."""
    yield from _check(kit, PUMP)


def check_fan(kit: Kit) -> Course[None]:
    """Move the fan once, and see which way it blows."""
    if (yield from _check(kit, FAN)):
        yield from _direction(kit)


def sure_duty(kit: Kit, output: str) -> float:
    """A duty at which the output surely runs, if it can."""
    start = kit.settings.pump_start_duty if output == "pump" else kit.settings.fan_start_duty
    return round(min(1.0, max(SURE_DUTY, start + MORE_THAN_START)), 2)


def power_w(kit: Kit, output: str) -> float:
    """Electrical power at full duty by the settings [W]."""
    return kit.settings.pump_power_w if output == "pump" else kit.settings.fan_power_w


def _check(kit: Kit, part: Part) -> Course[bool]:
    """Move one output and tell; whether it ran."""
    rest = kit.rested[part.output] = yield from still(kit, REST_S, part.output)
    if rest.late(part.witness) > part.rests:
        kit.report.add(Finding(part.output, WRONG, f"{part.moved} although it is off", part.runs_on))
        return False
    duty = sure_duty(kit, part.output)
    text = f"The {part.output} will run at {duty:.0%} for {max(part.run_s, part.blind_s):.0f} s at most. {part.caution}"
    if not (yield from may_move(kit, part.output, part.output, text)):
        return False
    turn = yield from _turned(kit, part, duty, rest)
    finding = judged(part, turn, expected_a(kit, part.output, duty), expected(kit, part, duty, rest))
    kit.report.add(finding)
    return finding.verdict == OK


def _turned(kit: Kit, part: Part, duty: float, rest: Move) -> Course[Turn]:
    """Run, stop, and look or ask whether it did."""
    if seen_by_sensor(part, rest):
        run = yield from drive(kit, part.output, duty, part.run_s, lambda move: _enough(part, move))
        kit.moved[part.output] = (duty, run)
        after = yield from still(kit, STOP_S, part.output, lambda move: move.late(part.witness) <= part.rests)
        heard = None
        if not _moved(part, run) and not isfinite(rest.late("amps")):
            kit.ask.told(f"{part.output}-ran", f"Did you hear the {part.output} run?")
            heard = yield from answered(kit)
        return Turn(duty, rest, run, after, heard)
    kit.say(f"The {part.output} starts now.")
    if isfinite(rest.late("amps")):
        run = yield from drive(kit, part.output, duty, part.blind_s)
        kit.moved[part.output] = (duty, run)
        return Turn(duty, rest, run, (yield from still(kit, REST_S, part.output)))
    kit.ask.told(f"{part.output}-runs", f"The {part.output} runs. Do you hear it, or feel it?")
    run, heard = yield from drive_asking(kit, part.output, duty, part.blind_s)
    kit.moved[part.output] = (duty, run)
    quiet: Any = None
    if heard:
        kit.ask.told(f"{part.output}-quiet", f"The {part.output} is off now. Is it quiet?")
        quiet = yield from answered(kit)
    return Turn(duty, rest, run, (yield from still(kit, HUSH_S, part.output)), heard, quiet)


def seen_by_sensor(part: Part, rest: Move) -> bool:
    """Whether a meter or tachometer is fitted and reads."""
    return isfinite(rest.late(part.witness))


def _moved(part: Part, move: Move) -> bool:
    return move.times_above(part.witness, part.moves) >= LAST_FEW


def _enough(part: Part, move: Move) -> bool:
    return move.times_above(part.witness, part.moves) >= STEADY


def expected_a(kit: Kit, output: str, duty: float) -> float:
    """The current that the settings make one expect at ``duty`` [A]."""
    return power_w(kit, output) / SUPPLY_V * duty


def expected(kit: Kit, part: Part, duty: float, rest: Move) -> float:
    """The flow that the settings make one expect at ``duty`` [kg/s]; NaN for a fan, and where nobody set it."""
    s = kit.settings
    if part is not PUMP or s.pump_full_flow_kg_s == type(s)().pump_full_flow_kg_s:
        return nan
    idle = 0.85 * s.pump_run_duty
    volts = rest.late("pump_battery_v")
    drive_share = duty * (volts / SUPPLY_V if isfinite(volts) else 1.0)
    return s.pump_full_flow_kg_s * max(0.0, drive_share - idle) / (1.0 - idle)


def judged(part: Part, turn: Turn, usual_a: float, usual: float) -> Finding:
    """What a turn shows. ``usual_a`` [A] and ``usual`` (in the witness's unit, NaN: not known) are what to expect."""
    drawn_a = turn.run.late("amps") - turn.rest.late("amps")
    values = {"duty": turn.duty, part.witness: turn.run.late(part.witness), "drawn_a": drawn_a}
    verdict, seen, mend = _verdict(part, turn, drawn_a, usual_a, usual)
    return Finding(part.output, verdict, seen, mend, values)


def _verdict(part: Part, turn: Turn, drawn_a: float, usual_a: float, usual: float) -> tuple[str, str, str]:
    if turn.run.reason and not _moved(part, turn.run):
        return LEFT, f"stopped early: {turn.run.reason}", f"mend that, then: warmheap check --only {part.output}"
    draws = drawn_a >= max(DRAWS_A, DRAWS_SHARE * usual_a)
    if seen_by_sensor(part, turn.rest):
        return _by_sensor(part, turn, draws, drawn_a, usual)
    if isfinite(drawn_a):
        return _by_current(part, turn, draws, drawn_a)
    if turn.heard is None:
        return (
            UNKNOWN,
            "nothing fitted can tell, and nobody did",
            f"listen, and answer: warmheap check --only {part.output}",
        )
    if not turn.heard:
        return WRONG, "it does not run", part.dead
    if turn.quiet is False:
        return WRONG, "it does not stop", part.runs_on
    return OK, "heard running" + (", and stopping" if turn.quiet else ""), ""


def _by_sensor(part: Part, turn: Turn, draws: bool, drawn_a: float, usual: float) -> tuple[str, str, str]:
    if not _moved(part, turn.run):
        return _nothing_moves(part, turn, draws, drawn_a)
    seen = turn.run.late(part.witness)
    told = f"{part.per * seen:.1f} {part.shown} at {turn.duty:.0%}"
    if turn.after.late(part.witness) > part.rests:
        return WRONG, f"{told}; it does not stop", part.runs_on
    if seen < WEAK_SHARE * usual:
        mend = f"swap plus and minus of the pump (it may run backwards); {part.idle}; or set pump.full_flow"
        return WRONG, f"only {told}, {part.per * usual:.0f} {part.shown} expected", mend
    return OK, f"{told}, and stops", ""


def _nothing_moves(part: Part, turn: Turn, draws: bool, drawn_a: float) -> tuple[str, str, str]:
    nothing = "no water moves" if part is PUMP else "it does not turn"
    if draws:
        return WRONG, f"it draws {drawn_a:.1f} A, but {nothing}", part.idle
    if isfinite(drawn_a):
        return WRONG, f"{nothing}, no current either", part.dead
    if turn.heard is None:
        return WRONG, nothing, part.unsure
    return WRONG, f"{'heard running, but ' if turn.heard else ''}{nothing}", part.idle if turn.heard else part.dead


def _by_current(part: Part, turn: Turn, draws: bool, drawn_a: float) -> tuple[str, str, str]:
    left_a = turn.after.late("amps") - turn.rest.late("amps")
    if not draws:
        return WRONG, f"it draws no current ({drawn_a:.2f} A)", part.dead
    if left_a > 0.5 * drawn_a:
        return WRONG, f"{left_a:.1f} A go on after it is off", part.runs_on
    return OK, f"draws {drawn_a:.1f} A at {turn.duty:.0%}, and stops", ""


def _direction(kit: Kit) -> Course[None]:
    """The paper strip: only a person sees which way the air goes."""
    duty = sure_duty(kit, "fan")
    text = "Which way does the fan blow? Hold a strip of paper at its inlet, where pile air comes in. It starts then."
    if not (yield from may_move(kit, "fan direction", "fan", text, "fan")):
        return
    kit.ask.told("fan-in", "Is the paper drawn in, toward the fan?")
    _, drawn_in = yield from drive_asking(kit, "fan", duty, FAN.blind_s)
    if drawn_in is None:
        finding = Finding("fan direction", UNKNOWN, "nobody told which way it blows", "warmheap check --only fan")
    elif drawn_in:
        finding = Finding("fan direction", OK, "it draws air from the pile")
    else:
        mend = "turn the fan round; a fan with brushes turns back when plus and minus are swapped"
        finding = Finding("fan direction", WRONG, "it blows into the pile: backwards", mend)
    kit.report.add(finding)
