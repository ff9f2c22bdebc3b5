"""What stands before every request: host, rate and size, and what no answer may lack. Plain ASGI: nothing gets past it."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

from .security import Doorman, known_host

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

LARGEST_BODY = 4096
LONGEST_PATH = 512
SLOWEST_S = 5.0
HEADERS = (
    (b"content-security-policy",
     b"default-src 'none'; style-src 'self'; img-src 'self' data:; form-action 'self'; base-uri 'none'; "
     b"frame-ancestors 'none'"),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
)  # fmt: skip


class Refused(Exception):
    """A request is not served; status and a sentence."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status, self.text = status, text


class Gone(Exception):
    """Whoever asked has hung up: there is nobody to answer."""


class Guard:
    """Wraps an application. ``say`` hears of refusals; ``refused`` counts them by status."""

    def __init__(self, app: App, doorman: Doorman, name: str, say: Callable[[str], None]) -> None:
        self._app, self._doorman, self._name, self._say = app, doorman, name, say
        self.refused: Counter[int] = Counter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request, or refuse it."""
        if scope["type"] != "http":
            return
        try:
            self._check(scope)
            scope["warmheap.body"] = await _body(scope, receive)
            await self._app(scope, receive, _with_headers(send))
        except Refused as refused:
            await self.refuse(scope, send, refused)
        except Gone:
            self.refused[400] += 1

    async def refuse(self, scope: Scope, send: Send, refused: Refused) -> None:
        """Answer with a refusal and log it."""
        self.note(scope, refused)
        body = (refused.text + "\n").encode()
        headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", b"%d" % len(body))]
        if refused.status == 429:
            headers.append((b"retry-after", b"60"))
        await _with_headers(send)({"type": "http.response.start", "status": refused.status, "headers": headers})
        await send({"type": "http.response.body", "body": body if scope["method"] != "HEAD" else b""})

    def note(self, scope: Scope, refused: Refused) -> None:
        """Count and log a refusal."""
        self.refused[refused.status] += 1
        self._say(f"page: refused {scope['method'][:8]} from {address_of(scope)}: {refused.status} {refused.text}")

    def _check(self, scope: Scope) -> None:
        host = b"".join(v for k, v in scope["headers"] if k == b"host").decode("latin-1")
        address = address_of(scope)
        if not self._doorman.everybody.take("all") or not self._doorman.requests.take(address):
            raise Refused(429, "too many requests: wait a minute")
        if not known_host(host, self._name):
            raise Refused(421, "this page is not called by that name: set page.name")
        if len(scope.get("raw_path") or scope["path"]) + len(scope.get("query_string", b"")) > LONGEST_PATH:
            raise Refused(414, "the address is too long")


def address_of(scope: Scope) -> str:
    """Who asks."""
    client = scope.get("client")
    return str(client[0]) if client else "unknown"


async def _body(scope: Scope, receive: Receive) -> bytes:
    """The whole body, a few kilobytes at most."""
    told = b"".join(v for k, v in scope["headers"] if k == b"content-length")
    if told and (not told.isdigit() or len(told) > 9 or int(told) > LARGEST_BODY):
        raise Refused(413, f"at most {LARGEST_BODY} bytes are taken")
    found: bytes = b""
    while True:
        try:
            message = await asyncio.wait_for(receive(), SLOWEST_S)
        except TimeoutError:
            raise Refused(408, "the request did not come to an end") from None
        if message["type"] != "http.request":
            raise Gone
        found += message.get("body", b"")
        if len(found) > LARGEST_BODY:
            raise Refused(413, f"at most {LARGEST_BODY} bytes are taken")
        if not message.get("more_body"):
            return found


def _with_headers(send: Send) -> Send:
    async def sending(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            given = list(message.get("headers", []))
            here = {k for k, _ in given}
            message["headers"] = given + [h for h in HEADERS if h[0] not in here]
            if b"cache-control" not in here:
                message["headers"].append((b"cache-control", b"no-store"))
        await send(message)

    return sending
