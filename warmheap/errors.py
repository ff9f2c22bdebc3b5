"""Mistakes that a user can mend: told in one line, exit code 2."""

from __future__ import annotations


class UsageError(Exception):
    """Something the user asked for cannot be done; the text is the one line that they read."""


class Stopped(Exception):
    """The user stopped a run (Ctrl-C); the text says what was kept. Exit code 130."""
