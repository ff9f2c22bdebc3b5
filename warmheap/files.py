"""Writing files so that a power cut leaves the old one or the new one, never half of one."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path


def write_whole(path: Path, data: bytes) -> None:
    """Replace ``path`` by ``data`` in one step and wait until both file and name are on the disk. ``OSError``."""
    beside = path.with_name(f".{path.name}.new")
    try:
        with beside.open("wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        beside.replace(path)
    except OSError:
        with suppress(OSError):
            beside.unlink()
        raise
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Wait until the names in ``folder`` are on the disk."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
