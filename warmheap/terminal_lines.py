"""Lines that are typed on a terminal or piped in, taken without ever waiting for them."""

from __future__ import annotations

import os
import select
import sys
import termios
from contextlib import suppress

MOST_BYTES = 4096


class Lines:
    """The lines that arrive on ``fd`` (standard input by default)."""

    def __init__(self, fd: int | None = None) -> None:
        self.closed = fd is None and sys.stdin is None  # started with no standard input at all
        self._fd = -1 if self.closed else sys.stdin.fileno() if fd is None else fd
        self._typed = b""

    def drop_typed(self) -> None:
        """Forget what was typed so far on a terminal: a stray y must not start a pump. What is piped in stays."""
        if not self.closed and os.isatty(self._fd):
            self._typed = b""
            with suppress(termios.error):
                termios.tcflush(self._fd, termios.TCIFLUSH)

    def ready(self) -> bool:
        """Whether a line, or the end, is there."""
        if b"\n" not in self._typed and not self.closed and select.select([self._fd], [], [], 0.0)[0]:
            try:
                read = os.read(self._fd, MOST_BYTES)
            except OSError:
                read = b""
            self.closed = not read
            self._typed = (self._typed + read)[-2 * MOST_BYTES :]
        return b"\n" in self._typed or self.closed

    def take(self) -> str | None:
        """The next line; None while there is none, and at the end."""
        self.ready()
        line, end, rest = self._typed.partition(b"\n")
        if not end:
            return None
        self._typed = rest
        return line.decode("utf-8", "replace").strip()
