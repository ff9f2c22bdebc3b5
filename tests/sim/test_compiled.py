"""The cache of compiled code: what nobody uses goes, what another checkout works from stays."""

from __future__ import annotations

import os
from pathlib import Path

from sim.compiled import UNUSED_S, _prune


def test_only_folders_unused_for_long_are_removed(tmp_path: Path) -> None:
    old, fresh, other = tmp_path / "kernel-old", tmp_path / "kernel-fresh", tmp_path / "notes"
    for folder in (old, fresh, other):
        folder.mkdir()
    now_s = fresh.stat().st_mtime
    os.utime(old, (now_s - UNUSED_S - 60.0,) * 2)
    os.utime(other, (0.0, 0.0))
    _prune(tmp_path, now_s - UNUSED_S)
    assert fresh.exists() and other.exists() and not old.exists()
