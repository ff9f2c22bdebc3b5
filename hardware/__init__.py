"""The board: outputs with a lease, sensor files, pulse inputs. Everything is loaded only when it is asked for.

So the guardian, which needs nothing but `hardware.safe_off`, stays small; gpiozero and lgpio load where a pin is opened.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from hardware.errors import HardwareError
    from hardware.plant import Plant
    from hardware.reading import Reading
    from hardware.settings import BoardSettings, OutputSettings, PulseSettings, Roots

_HOME = {
    "BoardSettings": "settings",
    "HardwareError": "errors",
    "OutputSettings": "settings",
    "Plant": "plant",
    "PulseSettings": "settings",
    "Reading": "reading",
    "Roots": "settings",
}
__all__ = ["BoardSettings", "HardwareError", "OutputSettings", "Plant", "PulseSettings", "Reading", "Roots"]


def __getattr__(name: str) -> Any:
    """Load a public name from its module."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
