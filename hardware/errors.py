"""What can go wrong on the board, told in one line."""

from __future__ import annotations


class HardwareError(Exception):
    """A pin, chip or file cannot be used; the text names it and says how to mend it."""
