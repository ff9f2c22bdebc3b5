"""The compiler's decorator, with a cache that cannot go stale.

numba keys its on-disk cache on the file of the function alone, although it folds constants and functions of
other files into the machine code: a change in one file would leave old code running in another. So the cache
folder carries a digest of all sources of this package, and older folders are removed.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numba


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
    for old in root.glob("kernel-*"):
        if old != folder:
            shutil.rmtree(old, ignore_errors=True)
    return folder


if os.environ.get("WARMHEAP_UNCOMPILED"):
    # Plain Python, hundreds of times slower: for debuggers and for coverage, which cannot see into compiled code.
    def njit(**_: object) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
        """Leave the function as it is."""
        return lambda function: function

else:
    if not os.environ.get("NUMBA_CACHE_DIR"):
        numba.config.CACHE_DIR = str(_cache_folder())
    njit = partial(numba.njit, cache=True, error_model="numpy")
