"""The page as an ASGI application: the table of routes, each with who may use it, behind the gate."""

from __future__ import annotations

import traceback
from typing import Final

import structlog
from starlette.exceptions import HTTPException
from starlette.middleware.exceptions import ExceptionMiddleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route, Router
from starlette.types import ASGIApp

from ebbset.console.page.access.gate import Gate
from ebbset.console.page.access.people import Role
from ebbset.console.page.site import Site
from ebbset.console.page.views.afterwards_views import AfterwardsViews
from ebbset.console.page.views.history_views import HistoryViews
from ebbset.console.page.views.live_views import LiveViews
from ebbset.console.page.views.people_views import PeopleViews
from ebbset.console.page.views.session_views import SessionViews

_YEAR_S: Final = 31_536_000
_log = structlog.get_logger(__name__)


def routes_of(site: Site) -> list[tuple[Route, Role | None]]:
    """Every route with the least role that may use it; None: anybody who reaches the page.

    Args:
        site: what the views share.
    """
    live, people, after = LiveViews(site), PeopleViews(site), AfterwardsViews(site)
    sessions, histories = SessionViews(site), HistoryViews(site)

    async def static(request: Request) -> Response:
        found = site.static.get(request.path_params["name"])
        if found is None:
            raise HTTPException(404, "There is nothing at this address.")
        kind, body, digest = found
        keep = f"max-age={_YEAR_S}, immutable" if request.url.query == digest else "no-cache"
        return Response(body, media_type=kind, headers={"cache-control": keep})

    looks, coaches, runs = Role.OBSERVER, Role.COACH, Role.SITE
    table: list[tuple[str, object, str, Role | None]] = [
        ("/static/{name}", static, "GET", None),
        ("/login", people.login_form, "GET", None),
        ("/login", people.login, "POST", None),
        ("/logout", people.logout, "POST", looks),
        ("/", live.room, "GET", looks),
        ("/stream", live.stream, "GET", looks),
        ("/stream/{rig}", live.stream, "GET", looks),
        ("/stop", live.stop_all, "POST", looks),
        ("/stopping", live.stopping_all, "GET", looks),
        ("/rig/{rig}/lifter", live.lifter, "GET", looks),
        ("/rig/{rig}/coach", live.coach, "GET", looks),
        ("/rig/{rig}/stop", live.stop, "POST", looks),
        ("/rig/{rig}/stopping", live.stopping, "GET", looks),
        ("/rig/{rig}/arm", live.arming, "GET", coaches),
        ("/rig/{rig}/arm", live.arm, "POST", coaches),
        ("/rig/{rig}/start", live.start, "POST", coaches),
        ("/rig/{rig}/release", live.release, "POST", coaches),
        ("/recordings", after.recordings, "GET", coaches),
        ("/recordings/{name}", after.report, "GET", coaches),
        ("/sessions", sessions.sessions, "GET", coaches),
        ("/sessions/{name}", sessions.session, "GET", coaches),
        ("/sessions/{name}/lead", sessions.lead, "POST", coaches),
        ("/sessions/{name}/leave", sessions.leave, "POST", coaches),
        ("/sessions/{name}/arm", sessions.arming, "GET", coaches),
        ("/sessions/{name}/arm", sessions.arm, "POST", coaches),
        ("/sessions/{name}/start", sessions.start, "POST", coaches),
        ("/sessions/{name}/skip", sessions.skip, "POST", coaches),
        ("/sessions/{name}/repeat", sessions.repeat, "POST", coaches),
        ("/sessions/{name}/end", sessions.end, "POST", coaches),
        ("/lifters", histories.lifters, "GET", coaches),
        ("/lifters/{name}", histories.history, "GET", coaches),
        ("/logins", people.logins, "GET", runs),
        ("/logins/end", people.end_login, "POST", runs),
    ]
    return [
        (Route(path, view, methods=[method], name=f"{method} {path}"), needs)  # type: ignore[arg-type]
        for path, view, method, needs in table
    ]


def application(site: Site) -> ASGIApp:
    """The whole page.

    Args:
        site: what the views share.
    """
    table = routes_of(site)
    routes = [route for route, _ in table]

    async def refuse(request: Request, status: int, why: str) -> Response:
        return site.answer(request, "refused.html", status=status, why=why)

    async def not_there(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        return await refuse(request, error.status_code, error.detail)

    async def defect(request: Request, error: Exception) -> Response:
        _log.error("defect", path=request.url.path, traceback="".join(traceback.format_exception(error)))
        return await refuse(request, 500, "A defect of this page; its log says which. A stop still works below.")

    inner = ExceptionMiddleware(Router(routes=routes), handlers={HTTPException: not_there, Exception: defect})
    needs = {route.name: role for route, role in table}
    return Gate(inner, routes, needs, site.access, site.logins, refuse)
