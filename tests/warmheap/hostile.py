"""Files that nobody should hand to a program, made to be handed to every verb."""

import errno
import os
import socket
import sqlite3
from collections.abc import Callable
from pathlib import Path

HUGE_BYTES = 200 * 1024 * 1024


def _huge(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(HUGE_BYTES)


def _socket(path: Path) -> None:
    here = os.getcwd()
    os.chdir(path.parent)  # a socket's name may have 108 bytes only
    try:
        socket.socket(socket.AF_UNIX).bind(path.name)
    finally:
        os.chdir(here)


def _text(text: str) -> Callable[[Path], None]:
    return lambda path: path.write_text(text, encoding="utf-8")


def _bytes(data: bytes) -> Callable[[Path], None]:
    return lambda path: path.write_bytes(data)


def _cyclic(path: Path) -> None:
    other = path.with_name(path.name + "-and-back")
    other.symlink_to(path)
    path.symlink_to(other)


# Whatever a path can lead to; none of it is a text, a database or a weather file.
FILES: dict[str, Callable[[Path], None]] = {
    "missing": lambda path: None,
    "empty": _bytes(b""),
    "huge": _huge,
    "binary": _bytes(bytes(range(256)) * 64),
    "zeros": _bytes(bytes(5000)),
    "not UTF-8": _bytes("title = 'Gewächshaus'\n".encode("latin-1")),
    "UTF-16": _bytes("title = 'a'\n".encode("utf-16")),
    "deep lists": _text("a = " + "[" * 20_000),
    "deep but closed": _text("[water]\nflow_target = " + "[" * 300 + "]" * 300 + "\n"),
    "deep tables": _text("[" + ".".join("a" * 4_000) + "]\n"),
    "deep keys": _text("water." + ".".join("a" * 4_000) + " = 1\n"),
    "huge number": _text("[water]\nflow_target = 1" + "0" * 6000 + "\n"),
    "big number": _text("[water]\nflow_target = 1" + "0" * 400 + "\n[pump]\nvolume = 1" + "0" * 400),
    "long line": _text("x" * 60_000),
    "escapes": _text('[water]\nflow_target = "\\u001b[2J\\u0000\\u202e1 gal/min"\n'),
    "cyclic link": _cyclic,
    "link to nothing": lambda path: path.symlink_to(path.with_name("nothing")),
    "folder": lambda path: path.mkdir(),
    "pipe": lambda path: os.mkfifo(path),
    "socket": _socket,
    "device without end": lambda path: path.symlink_to("/dev/zero"),
    "file that cannot be read": lambda path: path.symlink_to("/proc/self/mem"),
}
# Names rather than contents; as an argument of the command line they may be anything but contain a zero byte.
NAMES = {"too long": "x" * 300, "not UTF-8": os.fsdecode(b"\xff\xfe"), "two lines": "a\nb", "very long": "y/" * 3000}


def made(folder: Path, kind: str, suffix: str) -> Path:
    """A hostile file of this kind in ``folder``."""
    path = folder / f"hostile{suffix}"
    FILES[kind](path)
    return path


def damaged_ledger(sound: Path, path: Path, kind: str) -> Path:
    """A copy of a sound ledger, spoilt in one way."""
    data = bytearray(sound.read_bytes())
    if kind == "cut short":
        data = data[: len(data) // 2]
    elif kind == "head lost":
        data[:4096] = os.urandom(4096)
    elif kind == "middle lost":
        for page in range(2, len(data) // 4096):
            data[page * 4096 : page * 4096 + 2048] = b"\xa5" * 2048
    path.write_bytes(bytes(data))
    changes = {
        "newer": "PRAGMA user_version = 99",
        "older than all": "PRAGMA user_version = 0",
        "table lost": "DROP TABLE ticks",
        "roll-ups lost": "DROP TABLE hours",
        "texts for numbers": "UPDATE ticks SET time_s = 'noon', water_supply_c = x'00ff'",
        "texts in hours": "UPDATE hours SET ticks = 'many', water_j = 'much'",
        "endless numbers": "UPDATE ticks SET time_s = 9e999, wall_s = -9e999",
        "far future": "UPDATE ticks SET time_s = 1e18; UPDATE hours SET start_s = start_s + 1e18 * rowid",
        "starts spoilt": "UPDATE starts SET settings = '[]', snapshot = '{'",
        "commands spoilt": "INSERT INTO commands (after_tick, verb, arguments) VALUES (3, 'hand_run', '{\"a\"')",
        "alarms spoilt": "INSERT INTO alarms (wall_s, time_s, code) VALUES (NULL, 'x', NULL)",
        "no ticks": "DELETE FROM ticks; DELETE FROM hours; DELETE FROM days; DELETE FROM minutes",
    }
    if kind in changes:
        db = sqlite3.connect(path)
        db.executescript(changes[kind])
        db.close()
    return path


LEDGERS = (
    "cut short", "head lost", "middle lost", "newer", "older than all", "table lost", "roll-ups lost",
    "texts for numbers", "texts in hours", "endless numbers", "far future", "starts spoilt", "commands spoilt",
    "alarms spoilt", "no ticks",
)  # fmt: skip


def full(*_args: object, **_more: object) -> None:
    """What a full disk answers."""
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
