"""The views of logging in and out, and for the site: who is logged in."""

from __future__ import annotations

import asyncio
import math
from typing import Final

import structlog
from starlette.requests import Request
from starlette.responses import Response

from ebbset.console.page.access.gate import visitor_of
from ebbset.console.page.access.logins import LONGEST_S, handle_of
from ebbset.console.page.access.people import verified
from ebbset.console.page.site import Site

_AT_ONCE: Final = 2
"""Passwords checked at a time: each takes 64 MiB and some tens of milliseconds, on purpose."""
_LONGEST_NAME: Final = 64
_log = structlog.get_logger(__name__)


class PeopleViews:
    """Views of logins.

    Args:
        site: what the views share.
    """

    def __init__(self, site: Site) -> None:
        self._site = site
        self._checking = asyncio.Semaphore(_AT_ONCE)

    async def login_form(self, request: Request) -> Response:
        """The form to log in."""
        site = self._site
        if site.access.people is None or visitor_of(request).login is not None:
            return site.go("/")
        return site.answer(request, "login.html", problem="", name="")

    async def login(self, request: Request) -> Response:
        """Log in with name and password."""
        site, form = self._site, request.state.form
        if site.access.people is None:
            return site.go("/")
        name, address = form.get("name", "")[:_LONGEST_NAME], request.client.host if request.client else ""
        now_s = site.access.now_s()
        wait_s = site.tries.wait_s(name, address, now_s)
        if wait_s > 0:
            return self._refused(request, name, f"Too many tries. Try again in {math.ceil(wait_s)} s.", 429, wait_s)
        # Counted before it is checked, so that tries made at the same time count too.
        site.tries.failed(name, address, now_s)
        async with self._checking:
            person = await asyncio.to_thread(verified, site.access.people.now(), name, form.get("password", ""))
        if person is None:
            _log.warning("login_failed", name=name, address=address)
            return self._refused(request, name, "Name or password is wrong.", 403, 0.0)
        site.tries.succeeded(name, address)
        token, _ = site.logins.begin(name, person.role, address, site.access.now_s())
        _log.info("login", name=name, role=person.role.value, address=address)
        answer = site.go("/")
        answer.set_cookie(
            site.access.cookie, token, max_age=int(LONGEST_S), path="/", httponly=True, samesite="strict",
            secure=site.access.secure,
        )  # fmt: skip
        return answer

    def _refused(self, request: Request, name: str, problem: str, status: int, wait_s: float) -> Response:
        answer = self._site.answer(request, "login.html", problem=problem, name=name, status=status)
        if wait_s > 0:
            answer.headers["retry-after"] = str(math.ceil(wait_s))
        return answer

    async def logout(self, request: Request) -> Response:
        """Log out."""
        site, login = self._site, visitor_of(request).login
        if login is not None:
            site.logins.end(login)
        answer = site.go("/login")
        answer.delete_cookie(site.access.cookie, path="/", httponly=True, samesite="strict", secure=site.access.secure)
        return answer

    async def logins(self, request: Request) -> Response:
        """Who is logged in, for the site."""
        site, now_s = self._site, self._site.access.now_s()
        rows = [
            {"handle": handle_of(one), "name": one.name, "role": one.role.value, "address": one.address,
             "since": now_s - one.begun_s, "used": now_s - one.used_s, "own": one is visitor_of(request).login}
            for one in site.logins.all(now_s)
        ]  # fmt: skip
        return site.answer(request, "logins.html", rows=rows)

    async def end_login(self, request: Request) -> Response:
        """End a login, such as that of a tablet that was left somewhere."""
        ended = self._site.logins.end_named(request.state.form.get("handle", ""))
        if ended is not None:
            _log.info("login_ended", name=ended.name, by=visitor_of(request).name)
        return self._site.go("/logins")
