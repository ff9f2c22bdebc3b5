"""The compiler's decorator, with a cache that cannot go stale.

numba keys its on-disk cache on the file of the function alone, although it folds constants and functions of
other files into the machine code: a change in one file would leave old code running in another. So the cache
folder carries a digest of all sources of this package, and folders that nobody has used for a month are removed.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numba

UNUSED_S = 30 * 86400.0  # another checkout, or a run begun before an upgrade, may still be working from its folder


def _digest() -> str:
    sources = (path.read_bytes() for path in sorted(Path(__file__).parent.glob("*.py")))
    parts = [text for text in sources if b"njit" in text or b"indices into the flat arrays" in text]
    return hashlib.sha256(b"".join(parts) + numba.__version__.encode()).hexdigest()[:16]


def _cache_folder() -> Path:
    root = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "warmheap"
    try:
        root.mkdir(parents=True, exist_ok=True)
    except OSError:
        root = Path(tempfile.gettempdir()) / f"warmheap-{os.getuid()}"
        root.mkdir(exist_ok=True)
    folder = root / f"kernel-{_digest()}"
    folder.mkdir(exist_ok=True)
    os.utime(folder)
    _prune(root, time.time() - UNUSED_S)
    return folder


def _prune(root: Path, before_s: float) -> None:
    """Remove the folders last used before this time (seconds since 1970)."""
    for old in root.glob("kernel-*"):
        try:
            if old.stat().st_mtime < before_s:
                shutil.rmtree(old, ignore_errors=True)
        except OSError:  # another process was faster
            continue


if os.environ.get("WARMHEAP_UNCOMPILED"):
    # Plain Python, hundreds of times slower: for debuggers and for coverage, which cannot see into compiled code.
    def njit(**_: object) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
        """Leave the function as it is."""
        return lambda function: function

else:
    if not os.environ.get("NUMBA_CACHE_DIR"):
        numba.config.CACHE_DIR = str(_cache_folder())
    njit = partial(numba.njit, cache=True, error_model="numpy")
