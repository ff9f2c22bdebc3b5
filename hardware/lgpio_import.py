"""Imports lgpio without what its import leaves behind.

lgpio makes a pipe ``.lgd-nfy0`` in the current folder when it is imported: that fails in a folder that cannot be written, as
under a service manager's hardening, and two processes in one folder (loop and guardian) would take each other's pipe. So
the import happens in a folder of its own that is gone afterwards; the pipe stays open.
"""

from __future__ import annotations

import sys
import tempfile
from contextlib import chdir
from typing import Any

from hardware.errors import HardwareError


def load_lgpio() -> Any:
    """The module ``lgpio``; ``HardwareError`` says what to install when it is not there."""
    if sys.modules.get("lgpio") is not None:
        return sys.modules["lgpio"]
    try:
        with tempfile.TemporaryDirectory(prefix="warmheap-") as folder, chdir(folder):
            import lgpio
    except ImportError:
        raise HardwareError("lgpio is not installed: pip install 'warmheap[board]'") from None
    except OSError as wrong:
        raise HardwareError(f"lgpio cannot be loaded ({wrong}): is there a folder for temporary files?") from None
    lgpio.exceptions = True
    return lgpio
