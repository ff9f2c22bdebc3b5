"""Where the answers of a session come from: the terminal, a file, or nobody."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Protocol

from controller.commissioning_plan import BUCKETS, TAPE, Question

from .errors import UsageError
from .files import read_at_most
from .terminal_lines import Lines
from .units import QuantityError, to_si

NONE_YET, LEFT_OUT, READY = float("nan"), -1.0, 1.0
IN_FILE = {"coil": TAPE} | {name: name for name in BUCKETS}  # key in an answers file: key of the question
MOST_LITRES = 1000.0
LARGEST_FILE = 64 * 1024
YES = ("y", "yes", "1", "ready", "ok")
READY_END = "-ready"
HOW = "Number with unit, like 48 L or 12.7 gal. Enter alone leaves it out."
HOW_READY = "Type y and Enter when ready. Enter alone leaves this check out."
Say = Callable[[str], None]


class Asker(Protocol):
    """Who answers."""

    def poll(self, question: Question | None) -> float:
        """The answer to the question that stands, negative for "left out"; NaN while there is none. Returns at once."""


class Prepared:
    """Answers known beforehand; what is not among them is left out, or asked of ``then``."""

    def __init__(self, litres: Mapping[str, float], then: Asker | None = None) -> None:
        self._litres, self._then = litres, then

    def poll(self, question: Question | None) -> float:
        """The answer at once. A bucket whose content is known stands ready."""
        if question is None:
            return self._then.poll(None) if self._then else NONE_YET
        if question.key.endswith(READY_END) and question.key.removesuffix(READY_END) in self._litres:
            return READY
        if question.key in self._litres:
            return self._litres[question.key]
        return self._then.poll(question) if self._then else LEFT_OUT


class Terminal:
    """Asks on the terminal, without ever waiting for it."""

    def __init__(self, say: Say, fd: int | None = None) -> None:
        self._say = say
        self._lines = Lines(fd)
        self._asked = ""

    def poll(self, question: Question | None) -> float:
        """Show a question once; then take a line when there is one. What cannot be read is asked again."""
        if question is None:
            self._asked = ""
            return NONE_YET
        if question.key != self._asked:
            self._ask(question)
        line = self._lines.take()
        if line is None:
            return LEFT_OUT if self._lines.closed else NONE_YET
        try:
            return understood(question, line)
        except QuantityError as wrong:
            self._say(f"{line!r} {wrong}. Once more:")
            return NONE_YET

    def _ask(self, question: Question) -> None:
        self._asked = question.key
        self._lines.drop_typed()  # what was typed before a question stood is no answer to it
        how = HOW_READY if question.key.endswith(READY_END) else HOW
        self._say(f"? {question.text} {how}")


def understood(question: Question, line: str) -> float:
    """What an answer means; ``QuantityError`` for one that means nothing."""
    if not line:
        return LEFT_OUT
    if question.key.endswith(READY_END):
        if line.lower() in YES:
            return READY
        raise QuantityError("is neither y nor empty")
    return litres_of(line)


def litres_of(value: object) -> float:
    """Litres of a volume; ``QuantityError``."""
    litres = 1000.0 * to_si(value, "m3")
    if not 0.0 <= litres <= MOST_LITRES:
        raise QuantityError(f"is outside 0 L .. {MOST_LITRES:g} L")
    return litres


def answers_in(path: str) -> dict[str, float]:
    """The answers of a TOML file, by the key of the question, in litres; ``UsageError`` in one line."""
    try:
        text = read_at_most(Path(path), LARGEST_FILE + 1)
        if len(text) > LARGEST_FILE:
            raise UsageError(f"{path} is larger than {LARGEST_FILE // 1024} KiB: is it a file of answers?")
        raw = tomllib.loads(text.decode("utf-8"))
    except OSError as wrong:
        raise UsageError(f"cannot read {path}: {wrong.strerror}") from None
    except (ValueError, RecursionError) as wrong:
        raise UsageError(f"{path} is not valid TOML: {str(wrong).partition(';')[0]}") from None
    found = {}
    for key, value in raw.items():
        if key not in IN_FILE:
            raise UsageError(f"{path}: {key}: no such answer; there are {', '.join(IN_FILE)}")
        if value != "":
            found[IN_FILE[key]] = _litres(f"{path}: {key}", value)
    return found


def coil_answer(text: str) -> dict[str, float]:
    """The answer that ``--coil`` gives."""
    return {TAPE: _litres("--coil", text)}


def _litres(what: str, value: object) -> float:
    try:
        return litres_of(value)
    except QuantityError as wrong:
        raise UsageError(f"{what} = {value!r} {wrong}") from None
