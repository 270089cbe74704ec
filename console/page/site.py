"""One run of the page: what all its views share, and how a view becomes an answer."""

from __future__ import annotations

import datetime
import hashlib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from ebbset.console.page.access.gate import Access, Visitor, visitor_of
from ebbset.console.page.access.logins import Logins
from ebbset.console.page.access.once import Once
from ebbset.console.page.access.people import Role
from ebbset.console.page.access.tries import Tries
from ebbset.console.page.rigs.asks import Asks
from ebbset.console.page.rigs.orders import KnownOrders
from ebbset.console.page.rigs.rig_hub import RigHub
from ebbset.console.page.rigs.rig_watch import RigWatch
from ebbset.console.page.rigs.shown_rig import ShownRig, aged
from ebbset.console.page.rigs.streams import Streams
from ebbset.console.page.session_desk import SessionDesk
from ebbset.console.report.html_pieces import template_text as report_file
from ebbset.models.contract import formatting
from ebbset.models.contract.field_types import RIG_PATTERN
from ebbset.models.contract.study_mark import Audience

_PAGE: Final = files("ebbset.console.page")


def _file(folder: str, name: str) -> str:
    return (_PAGE / folder / name).read_text(encoding="utf-8")


STATIC: Final[Mapping[str, tuple[str, Callable[[], str]]]] = {
    "page.css": (
        "text/css",
        lambda: "\n".join((report_file("palette.css"), report_file("marks.css"), _file("static", "page.css"))),
    ),
    "report.css": ("text/css", lambda: report_file("report.css")),
    "page.js": ("text/javascript", lambda: _file("static", "page.js")),
}
"""Files that a browser may ask for: type, and how each is made."""


@dataclass(slots=False, kw_only=True)
class Site:
    """What the views of one run share.

    Attributes:
        home: the home folder.
        store: URL of the history's store.
        recordings: folder of recordings.
        hub: the rigs.
        orders: prescriptions and profiles that the page knows.
        streams: live data.
        asks: what people asked for.
        desk: the sessions.
        access: how the page is guarded.
        logins: who is logged in.
        once: forms that act once.
        tries: failed tries to log in.
        wall_s: seconds since 1970, for what people read.
    """

    home: Path
    store: str
    recordings: Path
    hub: RigHub
    orders: KnownOrders
    streams: Streams
    asks: Asks
    desk: SessionDesk
    access: Access
    logins: Logins
    wall_s: Callable[[], float]
    once: Once
    tries: Tries = field(default_factory=Tries)

    @cached_property
    def static(self) -> dict[str, tuple[str, bytes, str]]:
        """Files for the browser by name: type, content, and a digest that stands in their addresses."""
        made = {name: (kind, make().encode()) for name, (kind, make) in STATIC.items()}
        return {name: (kind, body, hashlib.sha256(body).hexdigest()[:16]) for name, (kind, body) in made.items()}

    @cached_property
    def _templates(self) -> Environment:
        environment = Environment(
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            loader=FunctionLoader(lambda name: _file("templates", name)),
        )
        environment.filters.update(aged=aged, plural=formatting.plural)
        environment.globals["static"] = lambda name: f"/static/{name}?{self.static[name][2]}"
        return environment

    def answer(
        self, request: Request, template: str, *, status: int = 200, rig: RigWatch | None = None, **about: Any
    ) -> HTMLResponse:
        """Fill a template.

        Args:
            request: the request that it answers.
            template: its name.
            status: HTTP status.
            rig: the rig that the view is of; its stop then stands on it, else the stop of all rigs.
            about: further variables.
        """
        visitor = visitor_of(request)
        now = datetime.datetime.fromtimestamp(self.wall_s()).astimezone()
        text = self._templates.get_template(template).render(
            visitor=visitor,
            inside=self.access.people is None or visitor.login is not None,
            logins=self.access.people is not None,
            may_coach=visitor.role.covers(Role.COACH),
            may_site=visitor.role.covers(Role.SITE),
            path=request.url.path,
            new_once=self.once.new,
            run=self.streams.run,
            connected=self.hub.connected,
            now=f"{now:%H:%M:%S}",
            rig=rig,
            stop_rig=None if rig is None else rig.rig,
            **about,
        )
        return HTMLResponse(formatting.visible(text), status)

    def go(self, path: str) -> RedirectResponse:
        """Answer a form with the address of the page that shows what became of it.

        Args:
            path: within this page.
        """
        return RedirectResponse(path, 303)

    def watch(self, request: Request) -> RigWatch:
        """The rig that the address names.

        Raises:
            HTTPException: nothing was ever heard of it.
        """
        watch = self.hub.watches.get(request.path_params["rig"])
        if watch is None:
            raise HTTPException(404, "No rig of that name was heard at this broker.")
        return watch

    def shown(self, watch: RigWatch, audience: Audience | None) -> ShownRig:
        """A rig as an audience may see it now.

        Args:
            watch: the rig.
            audience: who looks; None: anybody.
        """
        # So that what a study hides is known for a set that was armed from this folder.
        self.orders.prescriptions()
        return ShownRig.of(watch, audience, self.hub.now_s(), connected=self.hub.connected)

    def rigs(self) -> list[RigWatch]:
        """All rigs by name."""
        return [self.hub.watches[name] for name in sorted(self.hub.watches)]


def audience_of(view: str, visitor: Visitor) -> Audience | None:
    """Who is taken to look at a view: the lifter at the lifter's, an assessor at the coach's, anybody elsewhere.

    Args:
        view: name of the view.
        visitor: who asked for it; somebody who may only look counts as anybody.
    """
    if view == "lifter":
        return "lifter"
    return "assessor" if view == "coach" and visitor.role.covers(Role.COACH) else None


def rig_name(text: str) -> str:
    """A rig's name from an address, checked by the contract's own rule.

    Args:
        text: from the address.

    Raises:
        HTTPException: no rig can have that name.
    """
    if not re.match(RIG_PATTERN, text) or len(text) > 64:
        raise HTTPException(404, "No rig can have that name.")
    return text


def svg(drawing: Any) -> Markup | None:
    """A drawing as part of a page; None for none.

    Args:
        drawing: a `Drawing`, or None.
    """
    return None if drawing is None else Markup(drawing.svg())
