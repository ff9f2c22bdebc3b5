"""Every table of a ledger as CSV or Parquet files, one a table, while the loop may be writing."""

from __future__ import annotations

import csv
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from .errors import UsageError
from .files import all_whole
from .ledger_read import reading
from .ledger_schema import PERIODS_S, TABLES

NAMES = (*TABLES, *(f"{period}s" for period in PERIODS_S), "hour_limits")
BATCH = 20_000


def export(ledger: Path, folder: Path, kind: str) -> None:
    """Write all tables into ``folder``; ``kind`` is "csv" or "parquet". ``UsageError``; all files are new, or none is."""
    write = _csv if kind == "csv" else _parquet()
    with reading(ledger) as db:  # all tables of one moment
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with all_whole([folder / f"{name}.{kind}" for name in NAMES]) as beside:
                for name, path in zip(NAMES, beside, strict=True):
                    cursor = db.execute(f"SELECT * FROM {name} ORDER BY 1, 2")  # noqa: S608 - our own names
                    write(path, [column[0] for column in cursor.description], _batches(cursor))
        except OSError as wrong:
            raise UsageError(f"cannot export to {folder}: {wrong.strerror or wrong}; name another folder") from None
    print(f"{len(NAMES)} tables: {folder}")


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
