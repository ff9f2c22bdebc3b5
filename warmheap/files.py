"""Reading files that may be anything; writing so that a power cut leaves the old one or the new one, never half of one."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
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


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """A name beside ``path``, with the same ending, to write to; at the end of the block it takes the place of ``path``.

    Where the block fails it is removed, and ``path`` is as it was. ``OSError``, also for what is no plain file:
    a device must not be replaced by a file of its name.
    """
    path = Path(os.path.realpath(path))
    if os.path.lexists(path) and not os.path.isfile(path):
        code = errno.EISDIR if os.path.isdir(path) else errno.EINVAL
        raise OSError(code, os.strerror(code) if code == errno.EISDIR else "it is no plain file", str(path))
    beside = path.with_name(f".{path.stem}.new{path.suffix}")
    try:
        yield beside
        with beside.open("rb") as stream:
            os.fsync(stream.fileno())
        beside.replace(path)
    finally:
        with suppress(OSError):
            beside.unlink()
    sync_folder(path.parent)


def write_whole(path: Path, data: bytes) -> None:
    """Replace ``path`` by ``data`` in one step and wait until both file and name are on the disk. ``OSError``."""
    with whole(path) as beside:
        beside.write_bytes(data)


def write_first(path: Path, data: bytes) -> None:
    """Write a file that is not there yet. ``FileExistsError``, ``OSError``; half of it is never left."""
    with path.open("xb") as stream:
        try:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        except OSError:
            path.unlink()
            raise


@contextmanager
def all_whole(paths: Sequence[Path]) -> Iterator[list[Path]]:
    """Names to write to, as of `whole`, for files that belong together: all of them are replaced, or none."""
    with ExitStack() as stack:
        yield [stack.enter_context(whole(path)) for path in paths]


def sync_folder(folder: Path) -> None:
    """Wait until the names in ``folder`` are on the disk."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
