"""What a check asks: consent before anything moves, and what only a person can hear, see or measure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from .commission_ask import YES, litres_of
from .terminal_lines import Lines
from .units import QuantityError

NO = ("n", "no", "0")
HOW = {
    "yes": "y + Enter goes on, Enter alone leaves it out.",
    "told": "y or n + Enter; Enter alone: I cannot tell.",
    "litres": "Like 4.2 L or 1.1 gal; Enter alone leaves it out.",
}
Read = Callable[[str], Any]


class Senses:
    """What answers by itself in the place of a person; here: nothing."""

    def knows(self, key: str) -> bool:
        """Whether the question ``key`` is answered by itself."""
        return False

    def answer(self, key: str) -> str:
        """The answer to a question that it knows."""
        raise KeyError(key)

    def note_consent(self) -> None:
        """Hear that something is about to move."""


class Questions:
    """One question at a time, polled: nothing here ever waits.

    ``lines`` is who answers (None: nobody), ``senses`` answers by key in the place of a person (the simulated grower),
    ``consents`` stands for the consent to every movement.
    """

    def __init__(
        self, lines: Lines | None, say: Callable[[str], None], senses: Senses | None = None, consents: bool = False
    ) -> None:
        self._lines, self._say, self._consents = lines, say, consents
        self._senses = senses or Senses()
        self._key = ""
        self._read: Read = yes_or_no
        self.stands = False
        self.answer: Any = None

    @property
    def anybody(self) -> bool:
        """Whether there is a person who may answer."""
        return self._lines is not None and not self._lines.closed

    def consent(self, text: str) -> None:
        """Ask whether something may move; the answer is True or None."""
        self._begin("", text, HOW["yes"], yes_or_no)
        self._senses.note_consent()
        if self._consents:
            self._is(True)

    def told(self, key: str, text: str) -> None:
        """Ask for yes or no; the answer is True, False or None."""
        self._begin(key, text, HOW["told"], yes_or_no)

    def litres(self, key: str, text: str) -> None:
        """Ask for an amount of water; the answer is in litres, or None."""
        self._begin(key, text, HOW["litres"], litres_of)

    def poll(self) -> bool:
        """Take an answer if there is one; whether the question is over. What cannot be read is asked again."""
        if not self.stands:
            return True
        if self._senses.knows(self._key):
            line: str | None = self._senses.answer(self._key)
        else:
            line = self._lines.take() if self._lines else None
        if line is not None:
            self._take(line)
        elif not self.anybody:
            self._is(None)
        return not self.stands

    @property
    def to_a_person(self) -> bool:
        """Whether a question stands that a person may answer."""
        return self.stands and self.anybody and not self._senses.knows(self._key)

    def waiting(self) -> bool:
        """Whether a question stands and its answer is there."""
        return self.to_a_person and self._lines is not None and self._lines.ready()

    def drop(self) -> None:
        """Count the question that stands as left out."""
        if self.stands:
            self._is(None)

    def _begin(self, key: str, text: str, how: str, read: Read) -> None:
        self._key, self._read, self.stands, self.answer = key, read, True, None
        if self.to_a_person and not (self._consents and how == HOW["yes"]):
            assert self._lines is not None  # noqa: S101 - anybody saw to it
            self._lines.drop_typed()
            self._say(f"? {text} {how}")

    def _take(self, line: str) -> None:
        try:
            self._is(self._read(line) if line else None)
        except QuantityError as wrong:
            self._say(f"{line!r} {wrong}. Once more:")

    def _is(self, answer: Any) -> None:
        self.stands, self.answer = False, answer


def yes_or_no(line: str) -> bool:
    """What y or n means; ``QuantityError`` for anything else."""
    if line.lower() in YES:
        return True
    if line.lower() in NO:
        return False
    raise QuantityError("is neither y nor n")
