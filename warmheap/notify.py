"""Keep-alives to the service manager: sd_notify(3) in a few lines, so that nothing more need be installed."""

from __future__ import annotations

import os
import socket


class Notifier:
    """Sends states such as "READY=1" or "WATCHDOG=1" to ``$NOTIFY_SOCKET``; without one, or when it is deaf, nothing."""

    def __init__(self) -> None:
        address = os.environ.pop("NOTIFY_SOCKET", "")  # popped: only this process may speak for the service
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) if address else None

    def send(self, *states: str) -> None:
        """Tell the states, one a line. Never raises, never blocks."""
        if self._socket is not None:
            try:
                self._socket.sendto("\n".join(states).encode(), socket.MSG_DONTWAIT, self._address)
            except OSError:
                pass
