"""What a part of the controller remembers, as plain JSON values that come back exactly as they went."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite, nan
from typing import Any


class SnapshotError(ValueError):
    """A snapshot does not fit this controller; the text names the field and what was expected."""


class Memory:
    """Base of every part with a memory: all its slots are remembered, save those that start with an underscore.

    A slot holds a number (NaN for "unknown"), a word, a yes/no, another ``Memory`` or a list of them.
    """

    __slots__: tuple[str, ...] = ()

    def snapshot(self) -> dict[str, Any]:
        """Return the memory as JSON values; NaN becomes null."""
        return {name: _plain(getattr(self, name)) for name in self._remembered()}

    def recall(self, snapshot: Mapping[str, Any], path: str = "snapshot") -> None:
        """Take over a snapshot; ``SnapshotError`` for a missing field or a value of another kind."""
        for name in self._remembered():
            where = f"{path}.{name}"
            if not isinstance(snapshot, Mapping) or name not in snapshot:
                raise SnapshotError(f"{where} is missing: the snapshot is from another version, start afresh")
            setattr(self, name, _recalled(getattr(self, name), snapshot[name], where))

    def _remembered(self) -> list[str]:
        return [name for name in self.__slots__ if not name.startswith("_")]


def _plain(value: Any) -> Any:
    if isinstance(value, Memory):
        return value.snapshot()
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return None if value != value else value


def _recalled(now: Any, kept: Any, where: str) -> Any:
    """Return ``kept`` in the kind of ``now``, filling nested memories in place."""
    if isinstance(now, Memory):
        now.recall(kept, where)
        return now
    if isinstance(now, list):
        return _recalled_list(now, kept, where)
    if isinstance(now, (bool, str)):
        return _same_kind(type(now), kept, where)
    if kept is None:
        return nan
    if isinstance(kept, bool) or not isinstance(kept, (int, float)) or not isfinite(kept):
        raise SnapshotError(f"{where} = {kept!r} is not a number")
    return kept


def _recalled_list(now: list[Any], kept: Any, where: str) -> list[Any]:
    if not isinstance(kept, list) or len(kept) != len(now):
        raise SnapshotError(f"{where} is not a list of {len(now)}")
    return [_recalled(old, new, f"{where}[{i}]") for i, (old, new) in enumerate(zip(now, kept, strict=True))]


def _same_kind(kind: type, kept: Any, where: str) -> Any:
    if type(kept) is not kind:
        raise SnapshotError(f"{where} = {kept!r} is not a {kind.__name__}")
    return kept
