"""A server's end of a connection that does not wait for ever: who sends nothing must not keep others out."""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

from .guard import SLOWEST_S


class Impatient(H11Protocol):
    """Closes a connection on which no request was completed for five seconds; uvicorn itself would wait."""

    _timer: asyncio.TimerHandle | None = None
    _seen: object = None

    def connection_made(self, transport: Any) -> None:
        """Begin to wait."""
        super().connection_made(transport)
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        if self._timer is not None:
            self._timer.cancel()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._seen = self.cycle
        self._timer = self.loop.call_later(SLOWEST_S, self._look)

    def _look(self) -> None:
        answering = self.cycle is not None and not self.cycle.response_complete
        if not answering and self.cycle is self._seen:
            self.transport.close()
        else:
            self._wait()
