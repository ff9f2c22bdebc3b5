"""Who may do what: sessions, forms that only our own page can send, and limits on how often.

A session begins with the token and lives in a cookie that scripts cannot read and other sites cannot send (SameSite=Strict).
Every form carries a second secret of the session, and the browser's own word on where the form came from must fit as well.
(Defence in depth as in the OWASP cheat sheet on cross-site request forgery, from memory.)
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import socket
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

SESSION_S = 12 * 3600.0
MOST_SESSIONS = 16
MOST_ADDRESSES = 256
COOKIE = "warmheap"


@dataclass(frozen=True, slots=True)
class Limits:
    """How many of a thing in how many seconds."""

    requests: tuple[int, float] = (120, 60.0)  # by one address
    everybody: tuple[int, float] = (600, 60.0)
    wrong_tokens: tuple[int, float] = (5, 300.0)  # by one address
    all_wrong_tokens: tuple[int, float] = (20, 300.0)
    commands: tuple[int, float] = (20, 60.0)


class Rate:
    """Counts by name in windows of fixed length; knows a bounded number of names."""

    def __init__(self, limit: tuple[int, float], clock: Callable[[], float] = time.monotonic) -> None:
        (self._most, self._window_s), self._clock = limit, clock
        self._seen: dict[str, tuple[float, int]] = {}

    def full(self, name: str) -> bool:
        """Whether this name has used up its share."""
        began_s, count = self._seen.get(name, (self._clock(), 0))
        return count >= self._most and self._clock() - began_s < self._window_s

    def count(self, name: str) -> None:
        """Count one."""
        now_s = self._clock()
        began_s, count = self._seen.pop(name, (now_s, 0))
        if now_s - began_s >= self._window_s:
            began_s, count = now_s, 0
        self._seen[name] = (began_s, count + 1)
        if len(self._seen) > MOST_ADDRESSES:
            self._seen.pop(next(iter(self._seen)))

    def take(self, name: str) -> bool:
        """Count one if there is room; whether there was."""
        if self.full(name):
            return False
        self.count(name)
        return True


@dataclass(slots=True)
class Session:
    """Somebody who knew the token. ``form`` is the secret in the forms; ``said`` waits to be shown once."""

    form: str
    ends_s: float
    said: list[tuple[bool, str]] = field(default_factory=list)


class Doorman:
    """Knows the token, the sessions and the limits."""

    def __init__(self, token: str, limits: Limits | None = None, clock: Callable[[], float] = time.monotonic) -> None:
        limits = limits or Limits()
        self._token, self._clock = token.encode(), clock
        self._sessions: dict[str, Session] = {}
        self.requests, self.everybody = Rate(limits.requests, clock), Rate(limits.everybody, clock)
        self._wrong, self._all_wrong = Rate(limits.wrong_tokens, clock), Rate(limits.all_wrong_tokens, clock)
        self.commands = Rate(limits.commands, clock)

    @property
    def has_token(self) -> bool:
        """Whether commands are possible at all."""
        return bool(self._token)

    def too_many_wrong(self, address: str) -> bool:
        """Whether this address, or everybody together, guessed too often."""
        return self._wrong.full(address) or self._all_wrong.full("all")

    def sign_in(self, token: str, address: str) -> str | None:
        """The id of a new session, or None for a wrong token."""
        if not self.has_token or not hmac.compare_digest(token.encode("utf-8", "surrogatepass"), self._token):
            self._wrong.count(address)
            self._all_wrong.count("all")
            return None
        while len(self._sessions) >= MOST_SESSIONS:
            self._sessions.pop(next(iter(self._sessions)))
        name = secrets.token_urlsafe(24)
        self._sessions[name] = Session(secrets.token_urlsafe(24), self._clock() + SESSION_S)
        return name

    def session(self, name: str | None) -> Session | None:
        """The session of a cookie, if it is one and has not ended."""
        found = self._sessions.get(name or "")
        if found is not None and self._clock() >= found.ends_s:
            self._sessions.pop(name or "", None)
            return None
        return found

    def sign_out(self, name: str | None) -> None:
        """End a session."""
        self._sessions.pop(name or "", None)


def is_our_form(session: Session, fields: Mapping[str, str]) -> bool:
    """Whether a form carries the session's secret."""
    return hmac.compare_digest(fields.get("form", "").encode("utf-8", "surrogatepass"), session.form.encode())


def from_our_site(headers: Mapping[str, str]) -> bool:
    """Whether the browser says that a form came from this very page. A client that says nothing is no browser."""
    site, origin, host = headers.get("sec-fetch-site"), headers.get("origin"), headers.get("host", "")
    if site is not None and site not in ("same-origin", "none"):
        return False
    return origin is None or origin in (f"http://{host}", f"https://{host}")


def known_host(host: str, name: str) -> bool:
    """Whether the page is called by an address or a name of its own: a foreign name may be rebound to this board."""
    bare = host.rsplit(":", 1)[0] if not host.endswith("]") and host.count(":") != 0 else host
    bare = bare.strip("[]").lower().rstrip(".")
    try:
        ipaddress.ip_address(bare)
        return True
    except ValueError:
        own = socket.gethostname().lower()
        return bare in {"localhost", own, f"{own}.local", name.lower()} - {""}
