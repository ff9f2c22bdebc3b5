"""The loop's side of the heartbeat: it beats only where the loop makes progress, and hears when to stop."""

from __future__ import annotations

import json
import select
import signal
import socket
from collections.abc import Sequence
from contextlib import suppress
from time import monotonic
from typing import Any

from .errors import UsageError
from .guardian import BEAT, QUIT, READY

BEAT_S = 0.2
READY_S = 30.0


class Heart:
    """Beats to the guardian at the other end of ``fd``, if there is one, and turns signals into ``stopping``."""

    def __init__(self, fd: int | None = None) -> None:
        self.stopping = False
        self.orphaned = False  # the guardian is gone
        self._beat_s = -BEAT_S
        self._socket = socket.socket(fileno=fd) if fd is not None else None
        self._wake, self._waker = socket.socketpair()
        for end in (self._wake, self._waker):
            end.setblocking(False)

    def listen(self) -> None:
        """Let SIGTERM, SIGINT and SIGHUP end the loop in good order. Python itself would die of SIGTERM on the spot."""
        signal.set_wakeup_fd(self._waker.fileno(), warn_on_full_buffer=False)
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, self._told_to_stop)

    def introduce(self, outputs: Sequence[dict[str, Any]]) -> None:
        """Tell the guardian what to make safe, and wait until it is ready to: only then may outputs be opened."""
        if self._socket is None:
            return
        self._socket.sendall(json.dumps(list(outputs)).encode() + b"\n")
        self._socket.settimeout(READY_S)
        try:
            answer = self._socket.recv(len(READY))
        except OSError:
            answer = b""
        self._socket.settimeout(None)
        if answer != READY:
            raise UsageError("the guardian does not answer; without it nothing is switched on")

    def beat(self) -> None:
        """Say that the loop made progress; more often than needed costs nothing."""
        now_s = monotonic()
        if now_s - self._beat_s >= BEAT_S:
            self._beat_s = now_s
            self._send(BEAT)

    def quit(self) -> None:
        """Say that the outputs are safe and only the log is left to be written."""
        self._send(QUIT)

    def wait(self, seconds: float) -> bool:
        """Wait, at most ``seconds``; True when the loop shall end."""
        listened = [self._wake] + ([self._socket] if self._socket else [])
        readable = select.select(listened, [], [], max(0.0, seconds))[0]
        if self._wake in readable:
            with suppress(BlockingIOError):
                self._wake.recv(64)
        if self._socket in readable:
            self.orphaned = True  # it says nothing after "ready", so this is its end
        return self.stopping or self.orphaned

    def stop(self) -> None:
        """Ask the loop to end, from inside the process."""
        self.stopping = True

    def _told_to_stop(self, number: int, frame: object) -> None:
        self.stopping = True

    def _send(self, byte: bytes) -> None:
        if self._socket is not None:
            try:
                self._socket.send(byte, socket.MSG_DONTWAIT | socket.MSG_NOSIGNAL)
            except BlockingIOError:
                pass  # the guardian is stopped; the service manager sees to it
            except OSError:
                self.orphaned = True
