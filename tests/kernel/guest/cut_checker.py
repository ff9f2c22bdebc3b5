"""Looks at what power cuts left on the disk: one image after the other, as the board would find it at its next start.

cut_checker.py COUNT BYTES      images of BYTES each, one behind the other on the disk
"""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

from bench_board import tell

PLACE = Path("/run/rig/cut")


def ledger() -> dict[str, object]:
    """Whether the database is whole and without a gap, and the newest tick in it."""
    with closing(sqlite3.connect(PLACE / "ledger.sqlite")) as db:
        sound = db.execute("PRAGMA integrity_check").fetchone()[0]
        ids = [row[0] for row in db.execute("SELECT id FROM ticks ORDER BY id")]
        newest = db.execute("SELECT max(time_s) FROM ticks").fetchone()[0]
    return {"sound": sound, "gapless": ids == list(range(1, len(ids) + 1)), "rows": len(ids), "newest_s": newest}


def kept() -> dict[str, object]:
    """Settings, what was learned, and memory: each must be readable."""
    from warmheap.settings_store import SettingsStore, TwoCopies

    learned = SettingsStore(PLACE).learned()
    value = learned.settings["pump_start_duty"]["value"] if learned else 0.2
    texts = {name: TwoCopies(PLACE, name).load() for name in ("settings", "memory", "learned")}
    return {
        "learned": round((value - 0.2) * 1e6),
        "lost": [name for name, found in texts.items() if found.text is None],
        "damaged": [found.said for found in texts.values() if found.said],
        "outputs": len(json.loads((PLACE / "outputs.json").read_bytes())),
    }


def main(count: int, size: int) -> None:
    """Mount, which plays back the journal, and look at each."""
    PLACE.mkdir()
    for number in range(count):
        where = f"loop,offset={number * size},sizelimit={size}"
        subprocess.run(["mount", "-t", "ext4", "-o", where, "/dev/vda", str(PLACE)], check=True)
        tell("cut", number=number, **ledger(), **kept())
        subprocess.run(["umount", str(PLACE)], check=True)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
