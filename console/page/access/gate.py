"""The gate: every request passes it before any view sees it, and every answer gets its security headers here.

In this order: the host name (against DNS rebinding), the method, the size of the body, for a POST the origin, then who
it is, then the form's token, then what the route needs. A route that says nothing about who may use it does not exist:
`Gate` takes the rules from the table of routes and refuses whatever is not in it.
"""

from __future__ import annotations

import ipaddress
import secrets
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import parse_qsl, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Match, Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from ebbset.console.page.access.logins import Login, Logins, same
from ebbset.console.page.access.people import PeopleFile, Role

MOST_BODY_BYTES: Final = 16_384
MOST_FIELDS: Final = 32
POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS: Final = {
    "x-content-type-options": "nosniff",
    # Not no-referrer: with it, browsers send the origin `null` with a form, and the origin is checked here.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "x-frame-options": "DENY",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Visitor:
    """Who makes a request.

    Attributes:
        name: recorded as operator with what is asked for.
        role: what may be done.
        csrf: token that this visitor's forms carry.
        login: None on a page without logins.
        lapsed: the role would allow more, but nothing was done for too long.
    """

    name: str
    role: Role
    csrf: str
    login: Login | None = None
    lapsed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """How a page is guarded.

    Attributes:
        people: the people who may log in; None: the page is bound to this machine and asks for no login.
        names: host names under which it may be opened, beside ``localhost`` and addresses written as numbers.
        secure: it is served over TLS.
        local_name: operator's name on a page without logins.
        now_s: a monotonic clock, s.
    """

    people: PeopleFile | None
    names: frozenset[str]
    secure: bool
    local_name: str
    now_s: Callable[[], float]

    @property
    def cookie(self) -> str:
        """Name of the cookie; under TLS with the prefix that keeps others from setting it (RFC 6265bis)."""
        return "__Host-ebbset" if self.secure else "ebbset"


Refuse = Callable[[Request, int, str], Awaitable[Response]]


class Gate:
    """ASGI application around the routes.

    Args:
        app: the routes.
        routes: the same routes, with ``needs`` in the table for each of their names.
        needs: least role by name of a route; None: anybody who reaches the page, logged in or not.
        access: how the page is guarded.
        logins: logins of this run.
        refuse: makes the page that says why a request was refused.
    """

    def __init__(
        self,
        app: ASGIApp,
        routes: Sequence[Route],
        needs: Mapping[str, Role | None],
        access: Access,
        logins: Logins,
        refuse: Refuse,
    ) -> None:
        missing = [route.name for route in routes if route.name not in needs]
        if missing:
            raise ValueError(f"needs lacks {', '.join(missing)}; allowed: one entry for each route")
        self._app, self._routes, self._needs = app, routes, needs
        self._access, self._logins, self._refuse = access, logins, refuse
        self._csrf = secrets.token_urlsafe(32)
        """For forms of nobody in particular: those of a page without logins, and the form to log in."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request; everything that is not HTTP is refused."""
        if scope["type"] != "http":
            raise RuntimeError(f"scope is {scope['type']!r}; allowed: http")

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                self._add_headers(MutableHeaders(scope=message))
            await send(message)

        request = Request(scope, receive)
        scope.setdefault("state", {})["visitor"] = nobody = Visitor(name="", role=Role.OBSERVER, csrf=self._csrf)
        answer = await self._objection(request, nobody)
        if answer is None:
            await self._app(scope, receive, with_headers)
        else:
            await answer(scope, receive, with_headers)

    async def _objection(self, request: Request, nobody: Visitor) -> Response | None:
        """The answer that refuses a request, or None; what it found out is then in the request's state."""
        request.state.form = {}
        if not self._knows_host(request.headers):
            return Response("This page does not go by that name.", 421, media_type="text/plain")
        if request.method not in ("GET", "HEAD", "POST"):
            return Response("Allowed: GET, HEAD and POST.", 405, {"allow": "GET, HEAD, POST"}, media_type="text/plain")
        if request.method == "POST":
            if not self._from_here(request.headers):
                return await self._refuse(request, 403, "The request came from another site, so nothing was done.")
            form = await _form(request)
            if form is None:
                return await self._refuse(request, 413, "The form is too large, or not one of this page's.")
            request.state.form = form
        visitor = self._visitor(request, acts=False)
        if visitor is not None:
            request.state.visitor = visitor
        return await self._objection_to(request, visitor, nobody)

    async def _objection_to(self, request: Request, visitor: Visitor | None, nobody: Visitor) -> Response | None:
        """The answer that refuses what a visitor asks for, or None."""
        posted = request.method == "POST"
        route = next((one for one in self._routes if one.matches(request.scope)[0] is Match.FULL), None)
        if route is None:
            return await self._refuse(request, 404, "There is nothing at this address.")
        needed = self._needs[route.name]
        if needed is not None and visitor is None:
            if posted:
                return await self._refuse(request, 401, "Log in first; nothing was done.")
            return RedirectResponse("/login", 303)
        if posted and not same(request.state.form.get("csrf"), (visitor or nobody).csrf):
            why = "This form is not from this run of the page, so nothing was done. Here is a new one."
            return await self._refuse(request, 403, why)
        if needed is not None and visitor is not None and not visitor.role.covers(needed):
            why = (
                "Nothing was done with this login for half an hour, so it may only look and stop. Log in again."
                if visitor.lapsed
                else f"Needed: the role {needed.value}. Yours is {visitor.role.value}: you may look, and you may stop."
            )
            return await self._refuse(request, 403, why)
        if posted:
            # Only now is it something that this person did.
            self._visitor(request, acts=True)
        return None

    def _knows_host(self, headers: Headers) -> bool:
        """Whether the page goes by the name in the request; an address in numbers cannot be rebound."""
        given = headers.getlist("host")
        if len(given) != 1:
            return False
        try:
            name = urlsplit(f"//{given[0]}").hostname or ""
        except ValueError:
            return False
        if name == "localhost" or name in self._access.names:
            return True
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return True

    def _from_here(self, headers: Headers) -> bool:
        """Whether a POST came from this page's own origin, as far as the browser tells; its token counts too."""
        site = headers.get("sec-fetch-site")
        if site is not None and site != "same-origin":
            return False
        origin = headers.get("origin")
        scheme = "https" if self._access.secure else "http"
        return origin is None or origin.lower() == f"{scheme}://{headers['host']}".lower()

    def _visitor(self, request: Request, *, acts: bool) -> Visitor | None:
        access = self._access
        if access.people is None:
            return Visitor(name=access.local_name, role=Role.SITE, csrf=self._csrf)
        now_s = access.now_s()
        login = self._logins.find(request.cookies.get(access.cookie), access.people.now(), now_s)
        if login is None:
            return None
        if acts:
            login.acted_s = now_s
        lapsed = not login.may(login.role, now_s)
        role = Role.OBSERVER if lapsed else login.role
        return Visitor(name=login.name, role=role, csrf=login.csrf, login=login, lapsed=lapsed)

    def _add_headers(self, headers: MutableHeaders) -> None:
        headers.setdefault("content-security-policy", POLICY)
        headers.setdefault("cache-control", "no-store")
        for name, value in HEADERS.items():
            headers[name] = value
        if self._access.secure:
            headers["strict-transport-security"] = "max-age=31536000"


async def _form(request: Request) -> dict[str, str] | None:
    """The fields of a form; None for anything else, and for more than a form of this page has."""
    if request.headers.get("content-type", "").partition(";")[0].strip() != "application/x-www-form-urlencoded":
        return None
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_BODY_BYTES:
            return None
    try:
        pairs = parse_qsl(body.decode("ascii"), keep_blank_values=True, max_num_fields=MOST_FIELDS, errors="strict")
    except ValueError:
        return None
    return dict(pairs)


def visitor_of(request: Request) -> Visitor:
    """Who makes a request that the gate let through."""
    found: Any = request.state.visitor
    assert isinstance(found, Visitor)
    return found
