"""The results of a campaign: one SQLite file that survives a kill and never mixes two campaigns."""

from __future__ import annotations

import fcntl
import json
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import asdict, dataclass
from os.path import isfile
from pathlib import Path
from typing import Any

from sim.campaign import COLUMNS, CampaignError, Row, Seasons, from_text, program

APPLICATION = 0x77684361  # marks the file as ours
VERSION = 1
BUSY_S = 10.0
MOST_DIFFERENCES = 4
_HEAD = "CREATE TABLE campaign (name TEXT PRIMARY KEY, value TEXT NOT NULL)"
_CLOCK = "CREATE TABLE clock (run INTEGER PRIMARY KEY, wall_s REAL)"  # apart: wall times never repeat


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of campaign as its file sees it: columns of a row (the first is ``run``), and how a plan is written and read.

    ``names`` are the words under which the file may be of this kind; ``flags`` what a part of the plan is called on
    the command line, and ``count`` names the part that says how many: it may grow, since the runs of a larger campaign
    begin with those of the smaller one.
    """

    names: tuple[str, ...]
    columns: tuple[str, ...]
    flags: dict[str, str]
    count: str
    describe: Callable[[Any], dict[str, Any]]
    read: Callable[[dict[str, Any]], Any]

    def schema(self) -> tuple[str, ...]:
        """What makes a new file."""
        return (
            _HEAD,
            f"CREATE TABLE runs (run INTEGER PRIMARY KEY, {', '.join(self.columns[1:])})",
            _CLOCK,
            f"PRAGMA application_id = {APPLICATION}",
            f"PRAGMA user_version = {VERSION}",
        )

    def add(self) -> str:
        """What writes a row."""
        return f"INSERT INTO runs ({', '.join(self.columns)}) VALUES ({', '.join('?' * len(self.columns))})"  # noqa: S608 - our own names


def _describe_seasons(plan: Seasons) -> dict[str, Any]:
    return {"kind": "seasons", **asdict(plan), "scenario": json.loads(plan.scenario), "policies": list(plan.policies)}


def _read_seasons(told: dict[str, Any]) -> Seasons:
    scenario = json.dumps(told["scenario"], sort_keys=True, ensure_ascii=False)
    from_text(scenario)
    return Seasons(scenario, told["first"], told["seasons"], told["days"], tuple(told["policies"]))


SEASONS = Kind(
    ("seasons",),
    COLUMNS,
    {"kind": "kind", "seasons": "--seasons", "first": "--first", "days": "--days", "policies": "--policy"},
    "seasons",
    _describe_seasons,
    _read_seasons,
)


class Book:
    """An open results file."""

    def __init__(self, db: sqlite3.Connection, path: Path, kind: Kind = SEASONS) -> None:
        self._db, self._kind = db, kind
        self.path = path

    def plan(self) -> Any:
        """The campaign that the file is for."""
        return self._kind.read(self._told())

    def program(self) -> str:
        """Fingerprint of the program that the rows come from."""
        return str(self._told()["program"])

    def rows(self) -> list[Row]:
        """Every row, by run number."""
        with _told_plainly(self.path):
            columns = self._kind.columns
            cursor = self._db.execute(f"SELECT {', '.join(columns)} FROM runs ORDER BY run")  # noqa: S608 - our own names
            return [dict(zip(columns, values, strict=True)) for values in cursor]

    def missing(self, plan: Any) -> list[Any]:
        """The runs that have no row yet."""
        with _told_plainly(self.path):
            done = {number for (number,) in self._db.execute("SELECT run FROM runs")}
        return [run for run in plan.runs() if run.number not in done]

    def add(self, row: Row, wall_s: float) -> None:
        """Write a row; it is on the disk when this returns."""
        with _told_plainly(self.path), self._db:
            self._db.execute(self._kind.add(), [row[name] for name in self._kind.columns])
            self._db.execute("INSERT INTO clock VALUES (?, ?)", (row["run"], wall_s))

    def _told(self) -> dict[str, Any]:
        return {name: json.loads(value) for name, value in self._db.execute("SELECT name, value FROM campaign")}

    def _begin(self, plan: Any) -> None:
        """Write everything that a new file needs, all or nothing."""
        with self._db:
            self._db.execute("BEGIN IMMEDIATE")
            for statement in self._kind.schema():
                self._db.execute(statement)
            told = [(name, json.dumps(value, ensure_ascii=False)) for name, value in self._described(plan).items()]
            self._db.executemany("INSERT INTO campaign VALUES (?, ?)", told)

    def _described(self, plan: Any) -> dict[str, Any]:
        return {**self._kind.describe(plan), "program": program()}

    def _resume(self, plan: Any) -> None:
        told, asked, count = self._told(), self._described(plan), self._kind.count
        larger = {count: asked[count]} if asked[count] > told[count] else {}
        different = differences(told | larger, asked, self._kind.flags)
        if different:
            raise CampaignError(
                f"{self.path} holds another campaign: {'; '.join(different)}; repeat its own command or name another file"
            )
        self._db.execute(f"PRAGMA user_version = {VERSION}")  # a file that cannot be written shows it now
        self._db.execute("UPDATE campaign SET value = ? WHERE name = ?", (json.dumps(asked[count]), count))


@contextmanager
def open_book(path: Path, plan: Any, kind: Kind = SEASONS) -> Iterator[Book]:
    """Open the file for ``plan``, or make it; nobody else can meanwhile. ``CampaignError`` in one line if it will not do."""
    with ExitStack() as stack:
        with _told_plainly(path):
            stack.enter_context(_held(path))
            db = stack.enter_context(closing(sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)))
            db.execute("PRAGMA synchronous = EXTRA")  # also the folder's entry is on the disk
            book = Book(db, path, kind)
            if _empty(db):
                book._begin(plan)
            else:
                _check_kind(db, path, kind)
                book._resume(plan)
            db.isolation_level = "IMMEDIATE"
        yield book


@contextmanager
def read_book(path: Path, kind: Kind = SEASONS) -> Iterator[Book]:
    """Open the file to look something up, also while a campaign is writing to it."""
    if not isfile(path):
        raise CampaignError(f"{path} is not a file: name the results file of a campaign")
    with ExitStack() as stack:
        with _told_plainly(path):
            # Not mode=ro: what a kill left half-written must be rolled back first.
            uri = f"{path.absolute().as_uri()}?mode=rw"
            db = stack.enter_context(closing(sqlite3.connect(uri, uri=True, timeout=BUSY_S)))
            _check_kind(db, path, kind)
        yield Book(db, path, kind)


def differences(old: dict[str, Any], new: dict[str, Any], flags: dict[str, str] = SEASONS.flags) -> list[str]:
    """What differs between two campaigns, in words, the first few of it; ``flags`` as in `Kind`."""
    found = [
        f"{flag} was {_words(old.get(name))}, now {_words(new[name])}"
        for name, flag in flags.items()
        if old.get(name) != new[name]
    ]
    before, now = _flat(old.get("scenario")), _flat(new["scenario"])
    for name in sorted(before.keys() | now.keys()):
        if before.get(name) != now.get(name):
            found.append(f"{name} was {_words(before.get(name))}, now {_words(now.get(name))}")
    if old.get("program") != new["program"]:
        found.append("it was begun with another version of warmheap")
    more = len(found) - MOST_DIFFERENCES
    return found[:MOST_DIFFERENCES] + ([f"and {more} more"] if more > 0 else [])


def _flat(value: Any, name: str = "") -> dict[str, Any]:
    if not isinstance(value, dict):
        return {name: value}
    flat: dict[str, Any] = {}
    for key, inner in value.items():
        flat |= _flat(inner, f"{name}.{key}".lstrip("."))
    return flat


def _words(value: Any) -> str:
    if isinstance(value, list):
        return " ".join(map(str, value))
    return "not given" if value is None else f"{value:g}" if isinstance(value, float) else str(value)[:60]


@contextmanager
def _held(path: Path) -> Iterator[None]:
    """Keep a second campaign off the file. Opened before SQLite's own handle and closed after it, as its locks need."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise CampaignError(f"{path}: another campaign is writing to it now") from None
        yield
    finally:
        os.close(handle)


def _empty(db: sqlite3.Connection) -> bool:
    """A file just made, or one whose very first transaction was cut short."""
    return bool(db.execute("SELECT count(*) = 0 FROM sqlite_master").fetchone()[0])


def _check_kind(db: sqlite3.Connection, path: Path, kind: Kind) -> None:
    (application,) = db.execute("PRAGMA application_id").fetchone()
    (version,) = db.execute("PRAGMA user_version").fetchone()
    if application != APPLICATION:
        raise CampaignError(f"{path} is a database of something else: name another file")
    if version != VERSION:
        raise CampaignError(
            f"{path} is a campaign of layout {version}, this program writes {VERSION}: name another file"
        )
    told = {name: json.loads(value) for name, value in db.execute("SELECT name, value FROM campaign")}
    if isinstance(told.get("kind"), str) and told["kind"] not in kind.names:
        raise CampaignError(f"{path} holds a campaign of {told['kind']}, not of {kind.names[0]}: name another file")
    if not _sound(told, kind):
        raise CampaignError(f"{path} is damaged: it no longer says which campaign it is for; name another file")


def _sound(told: dict[str, Any], kind: Kind) -> bool:
    try:
        kind.read(told)
    except (KeyError, TypeError, ValueError):
        return False
    return True


@contextmanager
def _told_plainly(path: Path) -> Iterator[None]:
    """Whatever the file does to us, in one line."""
    try:
        yield
    except FileNotFoundError:
        raise CampaignError(f"{path}: there is no folder {path.parent}; make it first") from None
    except OSError as wrong:
        raise CampaignError(f"{path} cannot be written: {wrong.strerror}; name another file") from None
    except sqlite3.OperationalError as wrong:
        raise CampaignError(f"{path} cannot be used: {wrong}") from None
    except (sqlite3.DatabaseError, json.JSONDecodeError) as wrong:
        raise CampaignError(f"{path} is no campaign file ({wrong}): name another file") from None
