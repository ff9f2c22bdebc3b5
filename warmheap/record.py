"""Outputs of the simulated plant: a small file that outlives the process that writes it, as real lines do."""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

NAMES = ("pump", "fan")
_DUTY = struct.Struct("<d")


class RecordOutput:
    """One duty in the record: a driver as `hardware.lease` wants it."""

    def __init__(self, path: Path, name: str) -> None:
        self._at = NAMES.index(name) * _DUTY.size
        self._file: int | None = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)

    def set(self, duty: float) -> None:
        """Put out ``duty``, 0..1."""
        os.pwrite(self._open(), _DUTY.pack(duty), self._at)

    def duty(self) -> float:
        """Read back what is put out, 0..1; 0 when nothing ever was."""
        raw = os.pread(self._open(), _DUTY.size, self._at)
        return float(_DUTY.unpack(raw)[0]) if len(raw) == _DUTY.size else 0.0

    def close(self) -> None:
        """Let go of the file; what was put out stays."""
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def _open(self) -> int:
        if self._file is None:
            raise OSError("the record is closed")
        return self._file


def read_record(path: Path) -> dict[str, float]:
    """The duties that a record holds now."""
    found = {}
    for name in NAMES:
        output = RecordOutput(path, name)
        found[name] = output.duty()
        output.close()
    return found


def spec(path: Path, name: str, duty: float = 0.0) -> dict[str, Any]:
    """How to make this output safe from another process, as JSON values."""
    return {"kind": "record", "name": name, "path": str(path), "duty": duty}


def make_safe(spec: Mapping[str, Any]) -> Callable[[], None]:
    """Bring one output to its safe duty; as `hardware.safe_off.make_safe` does for real ones."""
    output = RecordOutput(Path(spec["path"]), spec["name"])
    output.set(spec["duty"])
    output.close()
    return lambda: None
