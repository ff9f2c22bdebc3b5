"""The check itself, on the loop, leases and heartbeat of ``warmheap run``: outputs off at every end."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Generator
from contextlib import AbstractContextManager, ExitStack
from dataclasses import fields, replace
from math import isfinite
from pathlib import Path
from time import monotonic
from typing import Any

from controller.signals import Measurements
from hardware.reading import GOOD, Reading

from . import check_battery, check_board, check_bucket, check_hold, check_host, check_output, check_sensors, check_swap
from .aside import Aside
from .check import NAMES, chosen
from .check_ask import Questions, Senses
from .check_found import BAD, LEFT, WRONG, Finding, Report
from .check_front import CODE, STILL, Guest, outputs_of
from .check_guards import Guards
from .check_kit import LONGEST_S, OVER, Course, Kit, Step
from .commission_live import settings_of, today
from .errors import UsageError
from .guardian import FINAL
from .heart import BEAT_S, Heart
from .loop import Loop, OutputFault
from .narrow import wrapped
from .page.show import Units
from .run import DEFAULT_FILE, open_board, state_folder
from .settings_file import Settings
from .settings_store import SettingsStore
from .terminal_lines import Lines

STOPPED, NOT_BEGUN, HURRY = 130, 2, 1e6
COURSES: dict[str, Callable[[Kit], Course[None]]] = {
    "sensors": check_sensors.check_sensors,
    "hold": check_hold.check_hold,
    "pump": check_output.check_pump,
    "bucket": check_bucket.check_bucket,
    "fan": check_output.check_fan,
    "battery": check_battery.check_battery,
    "swap": check_swap.check_swap,
}
BEFORE = (
    "Roll-call, half an hour at most. Nothing moves before you say yes; Ctrl-C stops all, outputs off.",
    "CAUTION: water from the pile scalds; moving parts start by themselves; pile air is bad air, keep a door open. Not "
    "while the line may be frozen. Local codes rank above this.",
)
MARK_HELP = "ok: good   !!: wrong   ?: cannot be told   -: left out"


def control(args: argparse.Namespace, why_still: str = "") -> int:
    """The check's process; returns its exit code. ``why_still``: nothing may move, and there is no guardian."""
    guest = Guest(args.door) if args.door else None
    if guest and not guest.admitted:
        return FINAL  # this check was cut off and started again: nothing moves twice on one consent
    heart = Heart(args.guardian_fd)
    heart.listen()
    terminal, stream = Aside("terminal"), sys.stderr if args.json else sys.stdout
    say = _teller(terminal, stream)
    try:
        code = _checked(args, why_still, heart, guest, say)
    except UsageError as wrong:
        if guest is None:
            raise
        guest.say(STILL + str(wrong))
        return NOT_BEGUN
    except Exception as mistake:  # outputs are off by now, and it must not begin again
        say(f"The check was ended by {type(mistake).__name__}: {mistake}; outputs off.")
        code = BAD
    if guest is not None:
        guest.say(f"{CODE}{code}")
    terminal.close()  # last: a terminal that is stuck changes nothing any more
    return code if guest is None else 0


def _teller(terminal: Aside, stream: Any) -> Callable[[str], None]:
    """Says a text, folded unless it is already in lines of its own."""

    def say(text: str) -> None:
        shown = text if "\n" in text or text.startswith(" ") else wrapped(text, "  ")
        terminal.do(lambda: print(shown, file=stream, flush=True))

    return say


def _checked(
    args: argparse.Namespace, why_still: str, heart: Heart, guest: Guest | None, say: Callable[[str], None]
) -> int:
    """Open, look, move, close; tell; returns the exit code."""
    began_s, file, state = monotonic(), settings_of(args), state_folder(args)
    report = Report(say, Units.of(file.outside.page).text)
    settings = SettingsStore(state).with_learned(replace(file, board=None) if args.plant else file).settings
    if not why_still:
        heart.introduce(outputs_of(args))
    with ExitStack() as opened:
        plant = opened.enter_context(_opened(args, settings, state, why_still))
        for text in (*BEFORE, MARK_HELP):
            say(text)
        look_at_host(args, settings, state, report)
        kit = _kit(args, settings, plant, report, say, opened)
        kit.why_still = why_still
        if why_still:
            report.add(Finding("outputs", WRONG, why_still, "mend that first: nothing can be moved"))
        try:
            done = turn(kit, everything(kit, chosen(args)), plant, heart, guest, args.plant is not None)
        finally:
            heart.quit()
    report.close(stopped=not done)
    if args.json:
        said = {"date": today()} | report.as_json((monotonic() - began_s) / 60.0, not done)
        print(json.dumps(said, indent=2, allow_nan=False))
    return report.code if done else STOPPED


def look_at_host(args: argparse.Namespace, settings: Settings, state: Path, report: Report) -> None:
    """What needs no pin: done before the heartbeat begins, since a bad disk may take its time."""
    names = chosen(args)
    if "clock" in names:
        report.add(*check_host.clock_findings())
    if "disk" in names:
        report.add(*check_host.disk_findings(state))
    board, places = settings.board, check_board.Places()
    if board is not None and "permissions" in names:
        chip = _chip(board) if board.pins() else None
        report.add(*check_board.permission_findings(board, chip, places))
    if "service" in names:
        report.add(*check_board.service_findings(Path(args.file or DEFAULT_FILE), places))
    if "watchdog" in names:
        report.add(*check_board.watchdog_findings(places))


def _chip(board: Any) -> int:
    from hardware.plant import chip_number

    return chip_number(board)


def everything(kit: Kit, names: list[str]) -> Course[None]:
    """The checks one after the other; what half an hour does not hold is left out."""
    kit.last = yield Step()
    kit.ends_s = kit.last.time_s + LONGEST_S
    for name in names:
        if name not in COURSES:
            continue
        if kit.late:
            kit.report.add(Finding(name, LEFT, OVER, f"warmheap check --only {name}"))
        else:
            kit.say("")
            kit.say(f"[{list(NAMES).index(name) + 1}/{len(NAMES)}] {name}: {NAMES[name]}")
            yield from COURSES[name](kit)


class Conductor:
    """The course as the loop calls it; ends the loop at its end."""

    def __init__(self, course: Generator[Step, Measurements, None], ended: Callable[[], None]) -> None:
        self._course, self._ended, self.done = course, ended, False
        self.latest = next(course)

    def step(self, measurements: Measurements) -> Step:
        """One step of the course."""
        try:
            self.latest = self._course.send(measurements)
        except StopIteration:
            self.done, self.latest = True, Step()
            self._ended()
        return self.latest


def turn(
    kit: Kit,
    course: Course[None],
    plant: Any,
    heart: Heart,
    guest: Guest | None = None,
    simulated: bool = False,
    clock: Callable[[], float] = monotonic,
) -> bool:
    """Run a course on a plant; whether it came to its end. Outputs are off afterwards, whatever happened."""
    conductor = Conductor(course, heart.stop)

    def note(tick: Any) -> None:
        if simulated and kit.ask.to_a_person:
            _give_time(kit, heart)

    def called() -> bool:
        if guest is not None and guest.alone():
            heart.stop()
        return kit.ask.waiting()

    speed = HURRY if simulated else 1.0
    loop = Loop(plant, conductor, heart, note, speed=speed, called=called, clock=clock)  # type: ignore[arg-type]  # commands and next_s are there
    try:
        loop.run()
    except (OutputFault, OSError) as fault:
        kit.report.add(Finding("outputs", WRONG, str(fault), "does another program use this pin or channel?"))
        conductor.done = True
    finally:
        plant.make_safe()
    return conductor.done


def _give_time(kit: Kit, heart: Heart) -> None:
    """Simulated time flies; a person at the terminal gets a second of real time for each of its looks."""
    for _ in range(round(1.0 / BEAT_S)):
        if kit.ask.waiting() or heart.wait(BEAT_S):
            return
        heart.beat()


# --- what it works with


def _opened(args: argparse.Namespace, settings: Settings, state: Path, why_still: str) -> AbstractContextManager[Any]:
    if args.plant:
        from .commission_sim import WarmSimPlant
        from .simulate import load_scenario

        return WarmSimPlant(load_scenario(args.plant), args.seed, state / "outputs.bin", None)
    if why_still:
        from .check_still import Sensors

        return Sensors(settings.board)  # type: ignore[arg-type]  # outputs_of saw to it that there is one
    return open_board(settings.board, time.time())


def _kit(
    args: argparse.Namespace,
    settings: Settings,
    plant: Any,
    report: Report,
    say: Callable[[str], None],
    opened: ExitStack,
) -> Kit:
    senses = Senses()
    if args.plant:
        from .check_sim import SimSenses

        senses = SimSenses(plant)
    ask = Questions(None if args.yes else Lines(), say, senses, args.yes)
    kit = Kit(settings.controller, settings.board, dict, report, ask, say, Guards(settings.controller))
    kit.readings = plant.readings if hasattr(plant, "readings") else lambda: as_readings(kit.last)
    if settings.board is not None:
        kit.spares = _spare_probes(settings.board, opened)
    return kit


def as_readings(m: Measurements) -> dict[str, Reading]:
    """Measurements as readings: what is a number was read now."""
    named = {f.name: getattr(m, f.name) for f in fields(Measurements) if f.name != "time_s"}
    return {name: Reading(value, 0.0, GOOD, "") for name, value in named.items() if isfinite(value)}


def _spare_probes(board: Any, opened: ExitStack) -> Callable[[], dict[str, Reading]]:
    """The probes on the bus that no setting names, read in the background."""
    from hardware.onewire import OneWire
    from hardware.sampler import Sampler

    spare = [probe for probe in OneWire({}, board.roots.onewire).here() if probe not in board.probes.values()]
    if not spare:
        return dict
    sampler = Sampler("spare probes", OneWire({probe: probe for probe in spare}, board.roots.onewire))
    opened.callback(sampler.close)
    return sampler.readings
