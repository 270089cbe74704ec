"""The page as an ASGI application, asked without sockets: whole answers, streams, and a site that needs no broker."""

from __future__ import annotations

import asyncio
import json
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from starlette.types import ASGIApp, Message

from ebbset.console.page.access.gate import Access
from ebbset.console.page.access.logins import Logins
from ebbset.console.page.access.once import Once
from ebbset.console.page.access.people import PeopleFile, Role
from ebbset.console.page.app import application
from ebbset.console.page.rigs.asks import Asks
from ebbset.console.page.rigs.orders import KnownOrders
from ebbset.console.page.rigs.rig_hub import RigHub
from ebbset.console.page.rigs.streams import Streams
from ebbset.console.page.session_desk import SessionDesk
from ebbset.console.page.site import Site
from ebbset.controller.link.settings import BrokerSettings
from tests.support.brokers import free_port

WALL_S = 1_790_000_000.0


@dataclass
class Clock:
    """A clock that a test moves."""

    now_s: float = 1_000.0

    def __call__(self) -> float:
        return self.now_s


@dataclass
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode()

    def hidden(self, name: str, action: str | None = None) -> str:
        """The value of a hidden field, of the form with an action if that is given."""
        text = self.text
        if action is not None:
            text = text[text.index(f'action="{action}"') :]
        found = re.search(rf'name="{name}" value="([^"]*)"', text)
        assert found is not None, f"no {name} in {text[:2000]}"
        return found[1]


@dataclass
class Caller:
    """Somebody with a browser: keeps cookies, sends what browsers send."""

    app: ASGIApp
    host: str = "127.0.0.1:8765"
    scheme: str = "http"
    cookies: dict[str, str] = field(default_factory=dict)
    address: str = "192.0.2.7"

    def scope(self, method: str, path: str, headers: dict[str, str]) -> dict[str, Any]:
        path, _, query = path.partition("?")
        sent = {"host": self.host, **headers}
        if self.cookies and "cookie" not in sent:
            sent["cookie"] = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        return {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": method,
            "path": path,
            "raw_path": path.encode(),
            "query_string": query.encode(),
            "scheme": self.scheme,
            "headers": [(name.lower().encode(), value.encode()) for name, value in sent.items()],
            "client": (self.address, 50_000),
            "server": ("127.0.0.1", 8765),
            "root_path": "",
        }

    async def call(self, method: str, path: str, *, headers: dict[str, str] | None = None, body: bytes = b"") -> Answer:
        sent: list[Message] = []
        asked = [{"type": "http.request", "body": body, "more_body": False}]

        async def receive() -> Message:
            return asked.pop() if asked else {"type": "http.disconnect"}

        async def send(message: Message) -> None:
            sent.append(message)

        await self.app(self.scope(method, path, headers or {}), receive, send)
        start = sent[0]
        found = {name.decode(): value.decode() for name, value in start["headers"]}
        if "set-cookie" in found:
            name, _, value = found["set-cookie"].partition(";")[0].partition("=")
            self.cookies[name] = value
        return Answer(start["status"], found, b"".join(one.get("body", b"") for one in sent[1:]))

    async def get(self, path: str, **headers: str) -> Answer:
        return await self.call("GET", path, headers=headers)

    async def post(self, path: str, form: dict[str, str], **headers: str) -> Answer:
        kind = {"content-type": "application/x-www-form-urlencoded", "origin": f"{self.scheme}://{self.host}"}
        given = {name.replace("_", "-"): value for name, value in headers.items()}
        return await self.call("POST", path, headers={**kind, **given}, body=urlencode(form).encode())

    async def stream(self, path: str, messages: int, pushing: Any = None) -> list[dict[str, Any]]:
        """The first messages of a stream; ``pushing`` is called after each, to make the next one come."""
        got: list[dict[str, Any]] = []
        self.raw = b""
        gone = asyncio.Event()

        async def receive() -> Message:
            await gone.wait()
            return {"type": "http.disconnect"}

        async def send(message: Message) -> None:
            self.raw += message.get("body", b"")
            for line in message.get("body", b"").decode().splitlines():
                if line.startswith("data: {"):
                    got.append(json.loads(line.removeprefix("data: ")))
                    if len(got) >= messages:
                        gone.set()
                    elif pushing is not None:
                        pushing()

        async with asyncio.timeout(30):
            await self.app(self.scope("GET", path, {}), receive, send)
        return got


def site_of(
    home: Path, clock: Clock, *, people: bool = False, secure: bool = False, names: frozenset[str] = frozenset()
) -> Site:
    """What the views share, with a hub whose broker is not there."""
    orders = KnownOrders(home)
    hub = RigHub(BrokerSettings(port=free_port()), orders, now_s=clock)
    access = Access(
        people=PeopleFile(home / "page-users.toml") if people else None,
        names=names,
        secure=secure,
        local_name="tester",
        now_s=clock,
    )
    return Site(
        home=home,
        recordings=home / "recordings",
        store=f"sqlite:///{home / 'history.sqlite'}",
        hub=hub,
        orders=orders,
        streams=Streams(hub),
        asks=Asks(hub),
        desk=SessionDesk(home, hub, lambda: WALL_S + clock.now_s),
        access=access,
        logins=Logins(),
        once=Once(clock),
        wall_s=lambda: WALL_S,
    )


def caller_of(site: Site, **more: Any) -> Caller:
    return Caller(application(site), **more)


def logged_in(site: Site, role: Role, name: str | None = None, **more: Any) -> Caller:
    """Somebody with a login of that role; the file of people must hold the name."""
    assert site.access.people is not None
    token, _ = site.logins.begin(name or role.value, role, "192.0.2.7", site.access.now_s())
    return caller_of(site, cookies={site.access.cookie: token}, **more)
