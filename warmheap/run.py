"""``warmheap run``: control the greenhouse, real or simulated, under a guardian."""

from __future__ import annotations

import argparse
import fcntl
import os
import resource
import sys
import time
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .errors import UsageError
from .simulate import number, seed

DEFAULT_FILE = "greenhouse.toml"
ORPHANED, FAULT = 4, 3
FRESH = (
    "memory.a",
    "memory.b",
    "outputs.bin",
    "ledger.sqlite",
    "ledger.sqlite-wal",
    "ledger.sqlite-shm",
    "targets.a",
    "targets.b",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument(
        "file", nargs="?", help=f"settings file ({DEFAULT_FILE}; with --plant: the scenario's own settings)"
    )
    parser.add_argument("--plant", metavar="SCENARIO", help="drive this simulated greenhouse instead of the board")
    parser.add_argument(
        "--speed", type=number(0.1, 1e6, "times"), default=1.0, metavar="X", help="with --plant: X times faster (1)"
    )
    parser.add_argument(
        "--days", type=number(1e-4, 730, "days"), metavar="N", help="with --plant: end after N days of the plant"
    )
    parser.add_argument("--seed", type=seed, default=1, metavar="S", help="with --plant: chance (1)")
    parser.add_argument("--resume", action="store_true", help="with --plant: go on where the last run in --state was")
    parser.add_argument(
        "--tick", type=number(1, 60, "seconds"), metavar="S", help="decide every S seconds, not when it asks"
    )
    parser.add_argument(
        "--state", metavar="DIR", help="folder for ledger and memory ($STATE_DIRECTORY or ~/.local/state)"
    )
    parser.add_argument("--last-good", action="store_true", help="a bad settings file: go on with the last good ones")
    parser.add_argument("--no-page", action="store_true", help="serve no status page, publish nothing")
    parser.add_argument("--json", action="store_true", help="status as one JSON object a line")
    parser.add_argument("--guardian-fd", type=int, help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> None:
    """Become the guardian; or, started by it, the loop."""
    if args.guardian_fd is not None:
        raise SystemExit(control(args))
    _check(args)
    state = state_folder(args)
    if args.plant and not args.resume:
        _begin_anew(state)
    from .guardian import FD_HERE

    loop = [sys.executable, "-m", "warmheap", "run", *_words(args, state), "--guardian-fd", FD_HERE]
    sys.stdout.flush()
    os.execv(sys.executable, [sys.executable, "-m", "warmheap.guardian", str(state), *loop])  # noqa: S606 - our own


def state_folder(args: argparse.Namespace) -> Path:
    """Where ledger and memory are kept."""
    if args.state:
        return Path(args.state)
    base = os.environ.get("STATE_DIRECTORY")  # set by the service manager
    if not base:
        base = os.path.join(os.environ.get("XDG_STATE_HOME") or os.path.expanduser("~/.local/state"), "warmheap")
    return Path(base) / f"plant-{Path(args.plant).stem}" if args.plant else Path(base)


@dataclass(frozen=True, slots=True)
class Job:
    """What is to be run: the outputs, how to open the plant, the controller that goes on, and who is told."""

    outputs: list[dict[str, Any]]
    open: Callable[[], AbstractContextManager[Any]]
    desk: Any
    said: tuple[str, ...]
    memory: Callable[[Any, float], str]
    outside: Any


def control(args: argparse.Namespace) -> int:
    """The loop's process, from the first signal handler to the last row of the ledger; returns its exit code."""
    from .heart import Heart
    from .loop import Loop, OutputFault
    from .now import as_shown
    from .scribe import Scribe
    from .status import Status

    heart = Heart(args.guardian_fd)
    heart.listen()
    state = state_folder(args)
    job = _simulated(args, state) if args.plant else _real(args, state)
    heart.introduce(job.outputs)
    code = 0
    with job.open() as plant:
        latest_s = [0.0]
        scribe = Scribe(state, Status(as_json=args.json), lambda: job.memory(plant, latest_s[0]))
        scribe.begins(job.desk)
        job.desk.record = _recorder(scribe, job.desk)
        for text in (*job.said, *plant.missing()):
            scribe.event("start", text)
        watched = _watcher(plant, scribe)
        tellers = _tellers(args, job, state, scribe.event)

        def note(tick: Any) -> None:
            latest_s[0] = tick.measurements.time_s
            shown = as_shown(tick, job.desk.settings)
            scribe.tick(tick, shown)
            watched()
            for teller in tellers:
                teller.tick(shown)

        loop = Loop(plant, job.desk, heart, note, speed=args.speed, tick_s=args.tick, called=job.desk.wants_a_turn)
        try:
            loop.run(_seconds(args, plant))
            for teller in tellers:
                teller.hush()
            scribe.event("stop", _last_words(heart, loop.jitter))
        except OutputFault as fault:
            scribe.event("fault", str(fault))
            code = FAULT
        plant.make_safe()
        heart.quit()
        scribe.remember_now()
        for teller in tellers:
            teller.close()
    scribe.close()
    return ORPHANED if heart.orphaned else code


def _tellers(args: argparse.Namespace, job: Job, state: Path, note: Callable[[str, str], None]) -> list[Any]:
    """Who tells the world outside: status page and MQTT in a process of their own, messages by a command."""
    from .messenger import Messenger
    from .page.show import Units
    from .window import Window

    job.desk.note = note
    outside, tellers = job.outside, list[Any]()
    if not args.no_page and (outside.page.serve or outside.mqtt.host):
        tellers.append(Window(job.desk, outside, state, note, simulated=bool(args.plant)))
    if outside.notify.command:
        tellers.append(Messenger(outside.notify, state, note, units=Units.of(outside.page)))
    return tellers


def _simulated(args: argparse.Namespace, state: Path) -> Job:
    from controller import Controller

    from .desk import Desk
    from .outside_settings import OutsideSettings
    from .restart import memory_text, now, resume
    from .settings_file import Settings
    from .settings_store import SettingsStore
    from .simplant import SimPlant, safe_specs
    from .simulate import load_scenario

    scenario = load_scenario(args.plant)
    given = Settings(scenario.controller_settings(), None, "", OutsideSettings())
    if args.file:
        from .settings_file import load

        given = load(args.file)
    chosen = SettingsStore(state).with_learned(given)
    settings, set_on_page = _with_targets(chosen.settings.controller, state)
    resumed = resume(settings, state, now())
    record = state / "outputs.bin"

    def opened() -> SimPlant:
        plant = SimPlant(scenario, args.seed, record)
        if resumed.plant is not None:
            plant.restore(resumed.plant)
        return plant

    controller = resumed.controller if resumed.plant is not None else Controller(settings)
    controller.expect(scenario.sensors.fitted)
    going_on = ("going on where it was",) if resumed.plant is not None else ()
    desk = Desk(controller, chosen.settings.controller)

    def memory(plant: SimPlant, time_s: float) -> str:
        return memory_text(desk.controller, time_s, plant.snapshot(), now())

    said = (*chosen.said, *set_on_page, *going_on)
    return Job(safe_specs(record), opened, desk, said, memory, chosen.settings.outside)


def _with_targets(settings: Any, state: Path) -> tuple[Any, tuple[str, ...]]:
    """The settings with what was set on the status page, and what is to be said of it."""
    from .desk import with_targets
    from .window import kept_targets

    kept = kept_targets(state)
    if kept is None:
        return settings, ()
    changed, said = with_targets(settings, kept)
    return changed, (said,)


def _real(args: argparse.Namespace, state: Path) -> Job:
    from .desk import Desk
    from .restart import memory_text, now, resume
    from .settings_store import SettingsStore

    path = Path(args.file or DEFAULT_FILE)
    chosen = SettingsStore(state).choose(path, args.last_good)
    board = chosen.settings.board
    if board is None:
        raise UsageError(f"{path} does not say where pump and fan are connected: give [pump] and [fan] a pin")
    settings, set_on_page = _with_targets(chosen.settings.controller, state)
    resumed = resume(settings, state, now())
    resumed.controller.expect(board.sensors())
    desk = Desk(resumed.controller, chosen.settings.controller)

    def opened() -> AbstractContextManager[Any]:
        return open_board(board, resumed.time_s)

    def memory(plant: Any, time_s: float) -> str:
        return memory_text(desk.controller, time_s, None, now())

    said = (*chosen.said, *set_on_page, *resumed.said)
    return Job(board_outputs(board), opened, desk, said, memory, chosen.settings.outside)


def open_board(board: Any, epoch_s: float) -> AbstractContextManager[Any]:
    """The board's plant, its slow sensors asked once; ``UsageError`` in one line when it cannot be had."""
    from hardware.errors import HardwareError
    from hardware.plant import Plant

    try:
        plant = Plant(board, epoch_s=epoch_s)
    except HardwareError as wrong:
        raise UsageError(str(wrong)) from None
    plant.await_first()
    return plant


def board_outputs(board: Any) -> list[dict[str, Any]]:
    """How the guardian makes the board's outputs safe; asks gpiozero which chip they are on."""
    from hardware.plant import safe_specs

    try:
        return safe_specs(board)
    except ModuleNotFoundError as missing:
        raise UsageError(f"{missing.name} is not installed: pip install 'warmheap[board]'") from None


def _recorder(scribe: Any, desk: Any) -> Callable[[Any], None]:
    """Writes each request from the page down, with the controller as it is after it: a replay needs both."""

    def record(request: Any) -> None:
        scribe.command(request["do"], [f"{k} = {v}" for k, v in request.items() if k not in ("do", "id")], "page")
        scribe.begins(desk)

    return record


def _watcher(plant: Any, scribe: Any) -> Callable[[], None]:
    """Tells when a sensor is lost or found."""
    readings: Callable[[], Mapping[str, Any]] | None = getattr(plant, "readings", None)
    before: dict[str, str] = {}

    def look() -> None:
        for name, reading in readings().items() if readings else ():
            quality = reading.quality
            if before.get(name, "good") != quality:
                what = "reads again" if quality == "good" else f"gives no reading: {reading.why}"
                scribe.event("sensor", f"sensor {name} {what}")
            before[name] = quality

    return look


def _seconds(args: argparse.Namespace, plant: Any) -> float:
    return args.days * 86400.0 - plant.elapsed_s if args.plant and args.days else float("inf")


def _last_words(heart: Any, jitter: Any) -> str:
    used = resource.getrusage(resource.RUSAGE_SELF)
    why = "the guardian is gone" if heart.orphaned else "told to stop" if heart.stopping else "the days are over"
    cpu_s, wall_s = used.ru_utime + used.ru_stime, time.monotonic() - _BEGAN_S
    return (
        f"{why}; outputs are safe; {jitter}; {cpu_s:.1f} s of processor in {wall_s:.0f} s, "
        f"{used.ru_maxrss / 1024:.0f} MB of memory at most"
    )


_BEGAN_S = time.monotonic()


def _check(args: argparse.Namespace) -> None:
    if not args.plant:
        for name, given in (("--speed", args.speed != 1.0), ("--days", args.days), ("--resume", args.resume)):
            if given:
                raise UsageError(f"{name} is for --plant: real time cannot be hurried")


def _begin_anew(state: Path) -> None:
    """Drop what an earlier simulated run left, unless it still runs."""
    with suppress(OSError), (state / "lock").open("a", encoding="ascii") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        for name in FRESH:
            (state / name).unlink(missing_ok=True)


def _words(args: argparse.Namespace, state: Path) -> list[str]:
    """The arguments for the loop's process."""
    words = ["--state", str(state), "--speed", str(args.speed), "--seed", str(args.seed)]
    for name in ("plant", "days", "tick"):
        value = getattr(args, name)
        words += [f"--{name}", str(value)] if value is not None else []
    words += ["--last-good"] if args.last_good else []
    words += ["--json"] if args.json else []
    words += ["--no-page"] if args.no_page else []
    return [*words, *([args.file] if args.file else [])]
