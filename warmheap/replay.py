"""``warmheap replay``: a recorded ledger through today's controller, and where it would have decided otherwise."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from .errors import UsageError

MOST_SHOWN = 20


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument(
        "ledger", nargs="?", help="ledger file, or the folder given to `warmheap run --state` (its usual one)"
    )
    parser.add_argument(
        "--settings", metavar="FILE", help="replay with this settings file instead of the recorded settings"
    )
    parser.add_argument("--from", dest="since", metavar="TIME", help="show only from here, UTC, like 2026-01-12T18:00")
    parser.add_argument("--to", dest="until", metavar="TIME", help="show only up to here, UTC")
    parser.add_argument("--out", metavar="FILE", help="also draw recorded and replayed duties into this SVG file")
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")


def run(args: argparse.Namespace) -> None:
    """Replay and tell."""
    from .replay_run import replay
    from .report import ledger_file, plain

    since_s, until_s = _time(args.since, "--from", float("-inf")), _time(args.until, "--to", float("inf"))
    found = replay(ledger_file(args.ledger), _settings(args.settings), since_s, until_s)
    if args.out:
        from .replay_picture import draw

        _write(Path(args.out), draw(found))
    if args.json:
        print(json.dumps(plain(found.summary()), allow_nan=False))
        return
    for line in found.lines(MOST_SHOWN):
        print(line)
    if args.out:
        print(f"picture: {args.out}")


def _settings(path: str | None) -> Any:
    if path is None:
        return None
    from .settings_file import load

    return load(path).controller


def _time(text: str | None, name: str, default: float) -> float:
    from datetime import UTC, datetime

    if text is None:
        return default
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{name} {text!r} is no time: write it like 2026-01-12T18:00") from None
    return (found if found.tzinfo else found.replace(tzinfo=UTC)).timestamp()


def _write(path: Path, text: str) -> None:
    from .files import write_whole

    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, text.encode())
    except OSError as wrong:
        raise UsageError(f"cannot write the picture {path}: {wrong.strerror or wrong}; name another --out") from None
