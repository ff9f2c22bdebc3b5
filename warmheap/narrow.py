"""Text in lines that fit a narrow terminal: a phone over ssh."""

from __future__ import annotations

import shutil
import textwrap

WIDEST, NARROWEST = 72, 30


def columns() -> int:
    """How wide lines may be here."""
    return min(max(shutil.get_terminal_size((60, 24)).columns - 1, NARROWEST), WIDEST)


def wrapped(text: str, indent: str = "") -> str:
    """A text in lines that fit the terminal; every line but the first begins with ``indent``."""
    return "\n".join(textwrap.wrap(text, columns(), subsequent_indent=indent, break_on_hyphens=False)) or ""
