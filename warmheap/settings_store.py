"""What must not be lost, kept in two checksummed copies: bad one, then last good one, then a safe default, and said so."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from controller.settings import ControllerSettings, SettingsError

from . import learned
from .files import read_at_most, sync_folder, write_whole
from .learned import Document
from .settings_file import Settings, SettingsFileError, load, parse

_MAGIC = "warmheap-copy 1"
_LARGEST = 4 * 1024 * 1024
COPIES = ("a", "b")
_FIELDS = frozenset(f.name for f in fields(ControllerSettings))


@dataclass(frozen=True, slots=True)
class Kept:
    """What was found: ``text`` is None when there is nothing to go by; ``said`` is one line when something was wrong."""

    text: str | None
    generation: int = 0
    said: str = ""


class TwoCopies:
    """A text kept in ``NAME.a`` and ``NAME.b``, written by turns, so that one is always whole."""

    def __init__(self, folder: Path, name: str) -> None:
        self._files = [folder / f"{name}.{copy}" for copy in COPIES]
        self.name = name

    def save(self, text: str) -> None:
        """Keep ``text`` over the older copy. ``OSError`` when it cannot be written; the other copy stands then."""
        self._files[0].parent.mkdir(parents=True, exist_ok=True)
        found = [_read(file) for file in self._files]
        generations = [-1 if copy is None else copy[0] for copy in found]
        older = generations.index(min(generations))
        write_whole(self._files[older], _sealed(max(0, *generations) + 1, text))

    def drop(self) -> bool:
        """Remove both copies; False when there were none. ``OSError``."""
        there = [file for file in self._files if file.exists()]
        for file in there:
            file.unlink()
        if there:
            sync_folder(self._files[0].parent)
        return bool(there)

    def load(self) -> Kept:
        """The newest whole copy; what was damaged or missing is said."""
        found = {file.name: _read(file) for file in self._files}
        bad = [name for name, copy in found.items() if copy is None and (self._files[0].parent / name).exists()]
        whole = [copy for copy in found.values() if copy is not None]
        if not whole:
            return Kept(None, 0, f"both copies of {self.name} are damaged" if bad else "")
        generation, text = max(whole)
        return Kept(text, generation, f"{bad[0]} is damaged; the last good copy is used" if bad else "")


def _sealed(generation: int, text: str) -> bytes:
    body = text.encode("utf-8")
    seal = hashlib.sha256(f"{generation}\n".encode() + body).hexdigest()
    return f"{_MAGIC} {generation} {len(body)} {seal}\n".encode() + body


def _read(file: Path) -> tuple[int, str] | None:
    """Generation and text of one copy; None when it is missing or not exactly what was written."""
    try:
        head, _, body = read_at_most(file, _LARGEST).partition(b"\n")
        generation = int(head.split()[2])
        return (
            (generation, body.decode("utf-8"))
            if _sealed(generation, body.decode("utf-8")) == head + b"\n" + body
            else None
        )
    except (OSError, ValueError, IndexError):
        return None


@dataclass(frozen=True, slots=True)
class Chosen:
    """The settings to run with, and one line for each thing that was not as it should be."""

    settings: Settings
    said: tuple[str, ...] = ()


class SettingsStore:
    """The settings that last worked, and what commissioning learned, in the state folder."""

    def __init__(self, folder: Path) -> None:
        self._last_good = TwoCopies(folder, "settings")
        self._learned = TwoCopies(folder, "learned")

    def choose(self, path: Path, last_good: bool = False) -> Chosen:
        """Read ``path``, and what was learned on top of it.

        With ``last_good`` a file that cannot be used is no end: the settings that last worked are taken. Without
        them, ``SettingsFileError``: nothing is known of the wiring then, and outputs that are not touched stay off.
        """
        try:
            settings = load(path)
        except SettingsFileError as wrong:
            if not last_good:
                raise
            settings, said = self._last(wrong)
        else:
            said = self._keep(settings)
        return self._with_learned(settings, said)

    def learned(self) -> Document | None:
        """What was learned so far; None when there is nothing that can be read."""
        text = self._learned.load().text
        try:
            return None if text is None else learned.read(json.loads(text))
        except ValueError:
            return None

    def doubt(self) -> str:
        """What is wrong with the copies of what was learned, in a line; nothing where they are sound."""
        return self._learned.load().said

    def save_learned(self, document: Document) -> None:
        """Keep what was measured on the plant, over what was learned before; values go before the file's.

        ``SettingsError`` for a value out of bounds or a name that there is not; nothing is kept then.
        """
        for name, entry in document.settings.items():
            if name not in _FIELDS:
                raise SettingsError(f"{name} is no setting of the controller")
            if not isinstance(entry["value"], (int, float)) or not isinstance(entry["was"], (int, float)):
                raise SettingsError(f"{name} = {entry['value']!r} is no number")
        replace(ControllerSettings(), **_loosened(document))
        whole = learned.merged(self.learned(), document)
        self._learned.save(json.dumps(whole.as_json(), allow_nan=False, sort_keys=True))

    def forget_learned(self) -> bool:
        """Drop what was learned; False when there was nothing. The settings file's own values count again."""
        return self._learned.drop()

    def with_learned(self, settings: Settings) -> Chosen:
        """``settings`` with what was learned over them."""
        return self._with_learned(settings, [])

    def _last(self, wrong: Exception) -> tuple[Settings, list[str]]:
        kept = self._last_good.load()
        said = [str(wrong)] + ([kept.said] if kept.said else [])
        if kept.text is None:
            raise SettingsFileError(
                f"{wrong}; and no settings that once worked are kept: the outputs stay off"
            ) from None
        return parse(kept.text, "kept settings"), [*said, "going on with the settings that last worked"]

    def _keep(self, settings: Settings) -> list[str]:
        kept = self._last_good.load()
        said = [kept.said] if kept.said else []
        if kept.text == settings.text and not kept.said:
            return said
        try:
            self._last_good.save(settings.text)
        except OSError as wrong:
            said.append(f"cannot keep a copy of the settings: {wrong.strerror}")
        return said

    def _with_learned(self, settings: Settings, said: list[str]) -> Chosen:
        kept = self._learned.load()
        if kept.said:
            said.append(kept.said + ("; the settings file's own values are used" if kept.text is None else ""))
        if kept.text is not None:
            try:
                settings, used = learned.applied(settings, learned.read(json.loads(kept.text)))
                said.extend(used)
            except (ValueError, TypeError, KeyError) as wrong:
                said.append(f"what was learned does not fit ({wrong}); the settings file's own values are used")
        return Chosen(settings, tuple(said))


def _loosened(document: Document) -> dict[str, Any]:
    """The values, with partners that allow them: each is held against its own bounds only."""
    values = {name: entry["value"] for name, entry in document.settings.items()}
    for run, start in (("pump_run_duty", "pump_start_duty"), ("fan_run_duty", "fan_start_duty")):
        if start in values and run not in values:
            values[run] = min(values[start], getattr(ControllerSettings(), run))
        if run in values and start not in values:
            values[start] = max(values[run], getattr(ControllerSettings(), start))
    return values
