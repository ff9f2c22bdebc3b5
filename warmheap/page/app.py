"""The page's addresses, as a Starlette application. Reading is free; whatever changes something wants a session."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

import jinja2
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from .. import metrics
from ..fuel_choice import FuelSettings, chosen
from ..outside_settings import PageSettings
from ..units import QuantityError
from .guard import Guard, Refused, address_of
from .link import Link
from .past import Past
from .security import COOKIE, SESSION_S, Doorman, Limits, Session, from_our_site, is_our_form
from .show import Units
from .views import front, life

HERE = Path(__file__).parent
REFRESH_S = 20.0
LONGEST_WAIT_S = 0.4
MOST_FIELDS = 12
LONGEST_HOLD_MIN = 30.0
FORM_TYPE = "application/x-www-form-urlencoded"


class Page:
    """The handlers and what they share."""

    def __init__(
        self,
        link: Link,
        settings: PageSettings,
        ledger: Path,
        simulated: bool,
        limits: Limits | None,
        fuel: FuelSettings,
    ) -> None:
        self.link, self.past, self.simulated, self.fuel = link, Past(ledger), simulated, chosen(fuel)
        self.units, self.doorman = Units.of(settings), Doorman(settings.token, limits)
        self.guard: Guard | None = None
        self._refreshed_s = float("-inf")
        self._reading: asyncio.Task[None] | None = None
        loader = jinja2.FileSystemLoader(HERE / "templates")
        self._templates = jinja2.Environment(
            loader=loader, autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
        )
        self._style = (HERE / "style.css").read_text(encoding="utf-8")

    async def front(self, request: Request) -> Response:
        """Now, tonight, this season."""
        return await self._front(request, 200)

    async def sign_in_form(self, request: Request) -> Response:
        """The form for the token."""
        return self._sign_in(200, "")

    async def sign_in(self, request: Request) -> Response:
        """Begin a session for the right token."""
        fields, address = _fields(request), address_of(request.scope)
        if not from_our_site(request.headers):
            raise Refused(403, "that form did not come from this page")
        if self.doorman.too_many_wrong(address):
            raise Refused(429, "too many wrong tokens: wait five minutes")
        name = self.doorman.sign_in(fields.get("token", ""), address)
        if name is None:
            self._note(request, Refused(403, "wrong token"))
            return self._sign_in(403, "That is not the token. It stands in the settings file, under [page].")
        answer = RedirectResponse("/", 303)
        secure = request.url.scheme == "https"
        answer.set_cookie(COOKIE, name, max_age=int(SESSION_S), httponly=True, samesite="strict", secure=secure)
        return answer

    async def sign_out(self, request: Request) -> Response:
        """End the session."""
        self._session(request)
        self.doorman.sign_out(request.cookies.get(COOKIE))
        answer = RedirectResponse("/", 303)
        answer.delete_cookie(COOKIE, httponly=True, samesite="strict")
        return answer

    async def do(self, request: Request) -> Response:
        """Have the controller do something; what came of it is shown on the front page."""
        session, fields = self._session(request)
        if not self.doorman.commands.take(session.form):
            raise Refused(429, "too many commands: wait a minute")
        try:
            wanted = _DEEDS[request.path_params["deed"]](fields, self.units)
        except KeyError:
            raise Refused(404, "there is no such command") from None
        except ValueError as wrong:
            session.said = [(False, f"Not done: {wrong}.")]
            return await self._front(request, 400)
        done, text = await self.link.ask(wanted)
        session.said = [(done, _in_words(self.units, text))]
        return RedirectResponse("/", 303) if done else await self._front(request, 409)

    async def metrics(self, request: Request) -> Response:
        """For Prometheus."""
        refused = self.guard.refused if self.guard else {}
        body = metrics.text(self.link.now, self._age_s(), refused)
        return PlainTextResponse(body, headers={"content-type": metrics.CONTENT_TYPE})

    async def now(self, request: Request) -> Response:
        """The loop's last word as JSON, SI units in the names."""
        body = json.dumps({"now": self.link.now, "age_s": min(self._age_s(), 1e9)})
        return Response(body, media_type="application/json")

    async def style(self, request: Request) -> Response:
        """The one style sheet."""
        return Response(self._style, media_type="text/css", headers={"cache-control": "max-age=3600"})

    async def not_found(self, request: Request, wrong: Exception) -> Response:
        """Another address, or another method."""
        status = getattr(wrong, "status_code", 404)
        headers = getattr(wrong, "headers", None)
        return PlainTextResponse("There is no such page.\n" if status == 404 else "Not that way.\n", status, headers)

    async def refused(self, request: Request, refused: Any) -> Response:
        """A refusal in one line, logged."""
        self._note(request, refused)
        return PlainTextResponse(refused.text + "\n", refused.status)

    async def _front(self, request: Request, status: int) -> Response:
        await self._refresh()
        session = self.doorman.session(request.cookies.get(COOKIE))
        reading = self._reading is not None and not self._reading.done()
        shown = front(self.link.now, self._age_s(), self.past, self.units, self.simulated, self.fuel)
        said = session.said if session else []
        if session:
            session.said = []
        return self._render(
            "front.html", status, **shown, session=session, said=said, reading=reading, can_sign_in=self.doorman.has_token,
            life=life(self.link.now) if self.link.now else "", units=self.units,
        )  # fmt: skip

    def _sign_in(self, status: int, wrong: str) -> Response:
        return self._render("sign-in.html", status, wrong=wrong, can_sign_in=self.doorman.has_token)

    def _session(self, request: Request) -> tuple[Session, dict[str, str]]:
        """Session and fields of a form of ours; ``Refused`` for anything else."""
        fields = _fields(request)
        if not from_our_site(request.headers):
            raise Refused(403, "that form did not come from this page")
        session = self.doorman.session(request.cookies.get(COOKIE))
        if session is None:
            raise Refused(403, "sign in first")
        if not is_our_form(session, fields):
            raise Refused(403, "that form is not from your session: load the page again")
        return session, fields

    def _note(self, request: Request, refused: Refused) -> None:
        if self.guard:
            self.guard.note(request.scope, refused)

    def _age_s(self) -> float:
        return time.monotonic() - self.link.heard_s

    async def _refresh(self) -> None:
        """Have what is new in the ledger read, and wait for it, but not for long: a season takes a small board a while."""
        if self._reading is None or self._reading.done():
            if time.monotonic() - self._refreshed_s < REFRESH_S:
                return
            self._reading = asyncio.create_task(self._read_on())
        await asyncio.wait({self._reading}, timeout=LONGEST_WAIT_S)

    async def _read_on(self) -> None:
        await asyncio.to_thread(self.past.refresh)
        self._refreshed_s = time.monotonic()

    def _render(self, name: str, status: int, **shown: Any) -> Response:
        return HTMLResponse(self._templates.get_template(name).render(**shown), status)


def build(
    link: Link,
    settings: PageSettings,
    ledger: Path,
    *,
    simulated: bool = False,
    limits: Limits | None = None,
    fuel: FuelSettings | None = None,
) -> Guard:
    """The whole application, guard included."""
    page = Page(link, settings, ledger, simulated, limits, fuel or FuelSettings())
    routes = [
        Route("/", page.front),
        Route("/sign-in", page.sign_in_form, methods=["GET"]),
        Route("/sign-in", page.sign_in, methods=["POST"]),
        Route("/sign-out", page.sign_out, methods=["POST"]),
        Route("/do/{deed}", page.do, methods=["POST"]),
        Route("/metrics", page.metrics),
        Route("/now.json", page.now),
        Route("/style.css", page.style),
    ]
    handlers: Mapping[Any, Callable[..., Awaitable[Response]]] = {
        404: page.not_found,
        405: page.not_found,
        Refused: page.refused,
    }
    app = Starlette(routes=routes, exception_handlers=handlers)
    page.guard = Guard(app, page.doorman, settings.name, link.complain)
    return page.guard


def _fields(request: Request) -> dict[str, str]:
    """A form's fields; ``Refused`` for what is no form of ours."""
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != FORM_TYPE:
        raise Refused(415, "only a plain form is taken")
    try:
        text = request.scope["warmheap.body"].decode("ascii")
        pairs = parse_qsl(
            text, keep_blank_values=True, strict_parsing=bool(text), max_num_fields=MOST_FIELDS, errors="strict"
        )
    except ValueError:
        raise Refused(400, "the form cannot be read") from None
    if len({name for name, _ in pairs}) != len(pairs):
        raise Refused(400, "the form names a field twice")
    return dict(pairs)


def _number(fields: Mapping[str, str], name: str, low: float, high: float) -> float:
    text = fields.get(name, "").strip().removesuffix("%").strip()
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise ValueError(f"{name.replace('_', ' ')} must be a number from {low:g} to {high:g}")
    return value


def _minutes_s(fields: Mapping[str, str]) -> float:
    return _number(fields, "minutes", 1.0, LONGEST_HOLD_MIN) * 60.0


def _targets(fields: Mapping[str, str], units: Units) -> dict[str, Any]:
    """Only fields that were filled in; bounds are the controller's."""
    values = {}
    for name in ("supply_target_c", "flow_target_kg_s", "greenhouse_min_c", "greenhouse_ceiling_c"):
        text = fields.get(name, "").strip()
        if text:
            values[name] = _quantity(name, text, units)
    if not values:
        raise ValueError("no target was filled in")
    return {"do": "targets", "values": values}


def _quantity(name: str, text: str, units: Units) -> float:
    try:
        return units.to_kg_s(text) if name.endswith("kg_s") else units.to_c(text.replace("°", "deg"))
    except QuantityError as wrong:
        raise ValueError(f"{text[:40]} {wrong}") from None


def _in_words(units: Units, text: str) -> str:
    """An answer of the desk in the page's words and the user's units."""
    from .words import answer

    return answer(units, text)


_DEEDS: dict[str, Callable[[Mapping[str, str], Units], dict[str, Any]]] = {
    "acknowledge": lambda fields, units: {"do": "acknowledge", "code": fields.get("code", "")[:60]},
    "hold": lambda fields, units: {"do": "hold", "for_s": _minutes_s(fields)},
    "run": lambda fields, units: {
        "do": "run",
        "pump_duty": _number(fields, "pump_percent", 0.0, 100.0) / 100.0,
        "fan_duty": _number(fields, "fan_percent", 0.0, 100.0) / 100.0,
        "for_s": _minutes_s(fields),
    },
    "resume": lambda fields, units: {"do": "resume"},
    "targets": _targets,
    "file-targets": lambda fields, units: {"do": "file-targets"},
}
