"""Reading files that may be anything; writing so that a power cut leaves the old one or the new one, never half of one."""

from __future__ import annotations

import errno
import os
import stat
from contextlib import suppress
from pathlib import Path


def read_at_most(path: Path, most: int) -> bytes:
    """The first ``most`` bytes of a plain file. ``OSError`` for all else; a pipe is refused, not waited for."""
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        mode = os.fstat(handle).st_mode
        if stat.S_ISDIR(mode):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
        if not stat.S_ISREG(mode):
            raise OSError(errno.EINVAL, "it is no plain file but a pipe, socket or device", str(path))
        with os.fdopen(os.dup(handle), "rb") as stream:
            return stream.read(most)
    finally:
        os.close(handle)


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
