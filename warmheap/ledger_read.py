"""A ledger as somebody else may have left it: opened to read, in one moment, with every mistake told in one line."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from os.path import isfile
from pathlib import Path

from .errors import UsageError
from .ledger import opened
from .ledger_schema import VERSION, version_of

KEPT = "the file is left as it is"
LATEST_S = 4_102_444_800.0  # the year 2100
_NO_NUMBERS = (AttributeError, TypeError, ValueError, OverflowError, KeyError, IndexError)


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """A ledger of this version, to read from in one transaction while the loop may be writing.

    ``UsageError`` in one line when it is none, or holds what no ledger can hold: a text where a number must be.
    """
    if not isfile(path):
        raise UsageError(
            f"{path} is no file: give the ledger, ledger.sqlite in the folder that `warmheap run` was given as --state"
        )
    try:
        with closing(_opened(path)) as db:
            check_version(db, path)
            db.execute("BEGIN")  # one moment for all that follows, whatever the loop writes meanwhile
            yield db
    except sqlite3.Error as wrong:
        raise UsageError(f"{path} cannot be read as a ledger: {wrong}; {KEPT}") from None
    except _NO_NUMBERS as wrong:
        raise UsageError(f"{path} is damaged, a value in it is not what it must be ({wrong}); {KEPT}") from None


def _opened(path: Path) -> sqlite3.Connection:
    """Also from a medium that nothing may be written to: SQLite wants a file beside a ledger, if only to read it."""
    db = opened(path)
    try:
        version_of(db)
    except sqlite3.OperationalError:
        db.close()
        wal = f"{path}-wal"
        if os.access(path.parent, os.W_OK, effective_ids=True) or (os.path.exists(wal) and os.path.getsize(wal)):
            raise  # the newest rows are in that file: reading without it would leave them out unsaid
        return opened(path, immutable=True)
    return db


def check_times(db: sqlite3.Connection, path: Path) -> None:
    """``UsageError`` for ticks of a time that no greenhouse has: dates cannot be made of it."""
    first_s, last_s = db.execute("SELECT min(time_s), max(time_s) FROM ticks").fetchone()
    for time_s in (first_s, last_s):
        if time_s is not None and not 0.0 <= time_s <= LATEST_S:
            raise UsageError(
                f"{path} is damaged: it has ticks of the time {time_s:g} s, outside 1970 .. 2100; "
                "`warmheap report --export csv` still gives all that is in it"
            )


def check_version(db: sqlite3.Connection, path: Path) -> None:
    """``UsageError`` for a file of another version."""
    found = version_of(db)
    if found != VERSION:
        how = (
            "start `warmheap run` once, it brings the file up to date"
            if found < VERSION
            else "use the program that wrote it"
        )
        raise UsageError(f"{path} is a ledger of version {found}, this program reads {VERSION}: {how}")
