"""The other end of the window: what the loop last told, and requests to it."""

from __future__ import annotations

import asyncio
import itertools
import json
import socket
import time
from collections.abc import Callable, Mapping
from typing import Any

LARGEST = 1 << 20
ANSWER_S = 5.0
MOST_OPEN = 20
SAID_EVERY_S = 10.0
NO_ANSWER = "The controller has not answered. It may still do it: look again in a minute."


class Link:
    """Speaks with the loop. ``now`` is its latest word, None before the first; ``heard_s`` is when (monotonic)."""

    def __init__(self, end: socket.socket) -> None:
        self._end = end
        end.setblocking(False)
        self.now: dict[str, Any] | None = None
        self.heard_s = float("-inf")
        self.on_news: list[Callable[[dict[str, Any]], None]] = []
        self._numbers = itertools.count(1)
        self._open: dict[int, asyncio.Future[tuple[bool, str]]] = {}
        self._complained: dict[str, tuple[float, int]] = {}

    async def listen(self) -> None:
        """Take what the loop tells until it hangs up."""
        loop = asyncio.get_running_loop()
        while True:
            raw = await loop.sock_recv(self._end, LARGEST)
            if not raw:
                return
            self._take(json.loads(raw))

    async def ask(self, request: Mapping[str, Any]) -> tuple[bool, str]:
        """Have the loop do something; returns whether it was done and a sentence. Waits five seconds at most."""
        if len(self._open) >= MOST_OPEN:
            return False, "Too many requests wait: try again in a moment."
        number = next(self._numbers)
        future: asyncio.Future[tuple[bool, str]] = asyncio.get_running_loop().create_future()
        self._open[number] = future
        try:
            self._end.send(json.dumps({**request, "id": number}).encode(), socket.MSG_NOSIGNAL)
            return await asyncio.wait_for(future, ANSWER_S)
        except (OSError, TimeoutError):
            return False, NO_ANSWER
        finally:
            self._open.pop(number, None)

    def say(self, text: str) -> None:
        """Have something logged."""
        try:
            self._end.send(json.dumps({"said": text}).encode(), socket.MSG_NOSIGNAL)
        except OSError:
            pass

    def complain(self, text: str) -> None:
        """Have something logged that may come often: what comes too fast, by its first word, is only counted."""
        kind, now_s = text.partition(" ")[0], time.monotonic()
        said_s, unsaid = self._complained.get(kind, (float("-inf"), 0))
        if now_s - said_s < SAID_EVERY_S:
            self._complained[kind] = (said_s, unsaid + 1)
            return
        self._complained[kind] = (now_s, 0)
        self.say(text + (f" (and {unsaid} more before it)" if unsaid else ""))

    def _take(self, message: Mapping[str, Any]) -> None:
        if "now" in message:
            self.now, self.heard_s = message["now"], time.monotonic()
            for hear in self.on_news:
                hear(message["now"])
        future = self._open.get(message.get("answer", 0))
        if future is not None and not future.done():
            future.set_result((bool(message["done"]), str(message["text"])))
