"""The session on a plant that runs by itself: the board, or the simulator in real or hurried time.

The loop, the leases and the guardian are those of ``warmheap run``. What is worked out from the record is worked out
after the outputs were made safe and let go of.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any

from controller.commissioning import Commissioning, SessionStep
from controller.signals import Measurements

from . import commission_tell as tell
from .aside import Aside
from .commission_ask import Asker, Prepared, Terminal, answers_in, coil_answer
from .commission_keep import EVERY_S, SessionKeeper, TakenUp
from .errors import UsageError
from .guardian import FD_HERE, FINAL
from .heart import BEAT_S, Heart
from .learned import taken
from .loop import Loop, OutputFault
from .narrow import wrapped
from .restart import now
from .run import DEFAULT_FILE, FAULT, ORPHANED, board_outputs, open_board, state_folder
from .settings_file import Settings, load
from .settings_store import SettingsStore

if TYPE_CHECKING:
    from controller.commissioning_results import Learned

QUESTION_S = 1.0  # how soon an answer is looked for
Say = Callable[[str], None]


def today() -> str:
    """The date that learned values get."""
    return datetime.now().astimezone().isoformat(timespec="minutes")


def start(args: argparse.Namespace) -> None:
    """Look at everything that can be wrong, then become the guardian."""
    state, file = state_folder(args), settings_of(args)
    prepared(args)
    if file.board is None and not args.plant:
        raise UsageError(f"{args.file or DEFAULT_FILE} does not say where pump and fan are connected: give both a pin")
    if args.fresh:
        SessionKeeper(state, file.text).drop()
    loop = [sys.executable, "-m", "warmheap", "commission", *_words(args, state), "--guardian-fd", FD_HERE]
    sys.stdout.flush()
    os.execv(sys.executable, [sys.executable, "-m", "warmheap.guardian", str(state), *loop])  # noqa: S606 - our own


def settings_of(args: argparse.Namespace) -> Settings:
    """The settings as the file has them, without what was learned before: new is compared with the file's."""
    if args.file or not args.plant:
        return load(args.file or DEFAULT_FILE)
    from .simulate import load_scenario

    try:
        controller = load_scenario(args.plant).controller_settings()
    except ValueError as wrong:
        raise UsageError(wrong) from None
    return Settings(controller, None, f"{args.plant} {controller}")


def prepared(args: argparse.Namespace) -> dict[str, float]:
    """The answers that came with the command."""
    found = answers_in(args.answers) if args.answers else {}
    return found | (coil_answer(args.coil) if args.coil else {})


def _words(args: argparse.Namespace, state: Path) -> list[str]:
    words = ["--state", str(state), "--seed", str(args.seed)]
    for name in ("plant", "core_k", "speed", "answers", "coil"):
        value = getattr(args, name)
        words += [f"--{name.replace('_', '-')}", str(value)] if value is not None else []
    words += [f"--{n.replace('_', '-')}" for n in ("json", "no_questions") if getattr(args, n)]
    return [*words, *([args.file] if args.file else [])]


@dataclass(frozen=True, slots=True)
class Job:
    """The outputs, how to open the plant, the simulated plant's memory if there is one, and who answers."""

    outputs: list[dict[str, Any]]
    open: Callable[[], AbstractContextManager[Any]]
    snapshot: Callable[[Any], Mapping[str, Any] | None]
    asker: Callable[[Any], Asker]


class Conductor:
    """The session as the loop calls it: answers in, words and snapshots out, and the end of the loop at its end."""

    def __init__(
        self, session: Commissioning, asker: Asker, narrator: tell.Narrator, ended: Callable[[], None]
    ) -> None:
        self.session, self._asker, self._narrator, self._ended = session, asker, narrator, ended
        self.done = False

    def step(self, measurements: Measurements) -> SessionStep:
        """One step of the session."""
        step = self.session.step(measurements, answer=self._asker.poll(self.session.question))
        self._narrator.hear(step, measurements)
        if step.done:
            self.done = True
            self._ended()
        return step._replace(next_s=QUESTION_S) if step.question else step


def control(args: argparse.Namespace) -> int:
    """The session's process, from the first signal handler to what was learned; returns its exit code."""
    heart = Heart(args.guardian_fd)
    heart.listen()
    state, file, terminal = state_folder(args), settings_of(args), Aside("terminal")
    stream = sys.stderr if args.json else sys.stdout

    def say(text: str) -> None:
        terminal.do(lambda: print(wrapped(text), file=stream, flush=True))

    keeper = SessionKeeper(state, file.text)
    up = keeper.take_up(file.controller, args.core_k, now())
    code = drive(_job(args, state, file, up, say), up, keeper, heart, say, args.speed or 1.0)
    if code is None:
        code = finish(up.session, file, state, keeper, heart, say, args.json)
    heart.quit()
    terminal.close()
    return ORPHANED if heart.orphaned else code


def drive(
    job: Job,
    up: TakenUp,
    keeper: SessionKeeper,
    heart: Heart,
    say: Say,
    speed: float = 1.0,
    clock: Callable[[], float] = monotonic,
) -> int | None:
    """Drive the plant through the session; None when it is over and the outputs are let go of, else an exit code."""
    heart.introduce(job.outputs)
    disk = Aside("disk")
    with job.open() as plant:
        for text in (*(up.said or tell.BEFORE), *plant.missing()):
            say(text)
        conductor = Conductor(up.session, job.asker(plant), tell.Narrator(say), heart.stop)
        note = _keeping(conductor.session, plant, job, keeper, disk)
        loop = Loop(plant, conductor, heart, note, speed=speed, clock=clock)  # type: ignore[arg-type]  # commands and next_s are there
        fault = ""
        try:
            loop.run()
        except OutputFault as wrong:
            fault = str(wrong)
        plant.make_safe()
    note(None)
    disk.close()
    if fault:
        say(f"{fault}: the session stops, outputs off.")
        return FAULT
    if not conductor.done:
        say("Stopped, outputs off. Nothing was changed. The same command takes the session up again.")
        return 0
    return None


def _keeping(session: Commissioning, plant: Any, job: Job, keeper: SessionKeeper, disk: Aside) -> Callable[[Any], None]:
    """Keeps the session every few seconds of the plant; called with None, once more with the last time there was."""
    last = {"kept_s": float("-inf"), "time_s": float("nan")}

    def note(tick: Any) -> None:
        time_s = last["time_s"] = last["time_s"] if tick is None else tick.measurements.time_s
        due = tick is None or time_s - last["kept_s"] >= EVERY_S
        if time_s == time_s and due and (disk.idle or tick is None):
            last["kept_s"] = time_s
            text = keeper.text(session, time_s, job.snapshot(plant), now())
            disk.do(lambda: keeper.save(text))

    return note


def finish(
    session: Commissioning, file: Settings, state: Path, keeper: SessionKeeper, heart: Heart, say: Say, as_json: bool
) -> int:
    """Work out what was learned, keep what is good, and say all of it."""
    say(tell.AFTER)
    try:
        found = worked_out(session, heart)
    except Exception as wrong:  # a mistake of ours must neither start the pump again nor cost the record
        say(f"The record could not be worked out ({type(wrong).__name__}: {wrong}). Nothing was changed.")
        return FINAL
    kept = taken(found, file, today())
    try:
        SettingsStore(state).save_learned(kept.document)
    except (OSError, ValueError) as wrong:
        say(f"What was learned cannot be kept: {wrong}. The old values stay; the same command tries again.")
        return FINAL
    keeper.drop()
    for line in tell.results(kept, session, str(state)):
        say(line)
    if as_json:
        print(json.dumps(plain(tell.report(kept, found, session, str(state))), indent=2, allow_nan=False))
    return 0


def worked_out(session: Commissioning, heart: Heart) -> Learned:
    """The results; the heart goes on beating, for the outputs are off and nothing hangs on it."""
    from controller.commissioning_results import learn

    with ThreadPoolExecutor(1) as pool:
        future = pool.submit(learn, session)
        while not future.done():
            heart.beat()
            wait([future], timeout=BEAT_S)
        return future.result()


def plain(value: Any) -> Any:
    """JSON has no NaN."""
    if isinstance(value, Mapping):
        return {str(name): plain(item) for name, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, float):
        return float(value) if abs(value) < float("inf") else None
    return value


# --- which plant


def _job(args: argparse.Namespace, state: Path, file: Settings, up: TakenUp, say: Say) -> Job:
    terminal = None if args.no_questions or args.answers else Terminal(say)
    answers = prepared(args)
    if args.plant:
        return _simulated(args, state, up, answers)
    board = file.board
    return Job(
        board_outputs(board),
        lambda: open_board(board, up.time_s),
        lambda plant: None,
        lambda plant: Prepared(answers, terminal),
    )


def _simulated(args: argparse.Namespace, state: Path, up: TakenUp, answers: dict[str, float]) -> Job:
    from .commission_sim import SimGrower, WarmSimPlant
    from .simplant import safe_specs
    from .simulate import load_scenario

    scenario, record = load_scenario(args.plant), state / "outputs.bin"

    def opened() -> WarmSimPlant:
        return WarmSimPlant(scenario, args.seed, record, up.plant)

    def asker(plant: WarmSimPlant) -> Asker:
        grower = None if args.no_questions or args.answers else SimGrower(scenario, args.seed, plant)
        return Prepared(answers, grower)

    return Job(safe_specs(record), opened, lambda plant: plant.snapshot(), asker)
