"""Every table of a ledger as CSV or Parquet files, one a table, while the loop may be writing."""

from __future__ import annotations

import csv
import sqlite3
from collections.abc import Iterator
from os.path import isfile
from pathlib import Path
from typing import Any

from .errors import UsageError
from .ledger import opened
from .ledger_schema import PERIODS_S, TABLES
from .report_data import check_version

NAMES = (*TABLES, *(f"{period}s" for period in PERIODS_S), "hour_limits")
BATCH = 20_000


def export(ledger: Path, folder: Path, kind: str) -> None:
    """Write all tables into ``folder``; ``kind`` is "csv" or "parquet". ``UsageError``; half a file is never left."""
    if not isfile(ledger):
        raise UsageError(f"{ledger} is no file: give the ledger, ledger.sqlite in the folder of `warmheap run --state`")
    write = _csv if kind == "csv" else _parquet()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        db = opened(ledger)
        try:
            check_version(db, ledger)
            db.execute("BEGIN")  # all tables of one moment
            for name in NAMES:
                _whole(db, name, folder / f"{name}.{kind}", write)
        finally:
            db.close()
    except (sqlite3.Error, OSError) as wrong:
        raise UsageError(f"cannot export {ledger} to {folder}: {wrong}") from None
    print(f"{len(NAMES)} tables: {folder}")


def _whole(db: sqlite3.Connection, name: str, path: Path, write: Any) -> None:
    partly = path.with_name(path.name + ".part")
    try:
        cursor = db.execute(f"SELECT * FROM {name} ORDER BY 1, 2")  # noqa: S608 - our own names
        write(partly, [column[0] for column in cursor.description], _batches(cursor))
        partly.replace(path)
    finally:
        partly.unlink(missing_ok=True)


def _batches(cursor: sqlite3.Cursor) -> Iterator[list[tuple[Any, ...]]]:
    while rows := cursor.fetchmany(BATCH):
        yield [tuple(row) for row in rows]


def _csv(path: Path, columns: list[str], batches: Iterator[list[tuple[Any, ...]]]) -> None:
    """Comma, point, UTF-8, first line names; an unknown value is empty (RFC 4180)."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        for rows in batches:
            writer.writerows(rows)


def _parquet() -> Any:
    try:
        import pyarrow as pa  # type: ignore[import-untyped]
        import pyarrow.parquet as pq  # type: ignore[import-untyped]
    except ModuleNotFoundError:
        raise UsageError("pyarrow is not installed: pip install 'warmheap[parquet]', or use --export csv") from None

    def write(path: Path, columns: list[str], batches: Iterator[list[tuple[Any, ...]]]) -> None:
        schema = pa.schema([(name, _kind(pa, name)) for name in columns])
        with pq.ParquetWriter(path, schema) as writer:
            for rows in batches:
                values = zip(*rows, strict=True)
                arrays = [pa.array(_fit(v, f.type, pa), type=f.type) for v, f in zip(values, schema, strict=True)]
                writer.write_table(pa.Table.from_arrays(arrays, schema=schema))

    return write


def _fit(values: Any, kind: Any, pa: Any) -> list[Any]:
    if kind == pa.float64():
        return [None if v is None else float(v) for v in values]
    return [None if v is None else (str(v) if kind == pa.string() else v) for v in values]


_WHOLE = {"id", "ticks", "after_tick", "begins"}
_WORDS = {"phase", "limited_by", "code", "severity", "seen", "advice", "cause", "kind", "text", "name", "was", "now", "why",
          "verb", "arguments", "source", "outcome", "version", "settings", "snapshot"}  # fmt: skip


def _kind(pa: Any, name: str) -> Any:
    return pa.int64() if name in _WHOLE else pa.string() if name in _WORDS else pa.float64()
