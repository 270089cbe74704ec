"""Running the page: where it may be bound, the server, and an orderly end."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
import ssl
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import structlog
import uvicorn

from ebbset.console.exits import CommandError, Exit
from ebbset.console.page.access.gate import Access
from ebbset.console.page.access.logins import Logins
from ebbset.console.page.access.once import Once
from ebbset.console.page.access.people import PeopleFile, read_people
from ebbset.console.page.app import application
from ebbset.console.page.rigs.asks import Asks
from ebbset.console.page.rigs.orders import KnownOrders
from ebbset.console.page.rigs.rig_hub import RigHub
from ebbset.console.page.rigs.streams import Streams
from ebbset.console.page.session_desk import SessionDesk
from ebbset.console.page.site import Site
from ebbset.controller.link.settings import BrokerSettings

PEOPLE_FILE: Final = "page-users.toml"
DEFAULT_PORT: Final = 8765
ENDS_S: Final = 2
_MOST_CONNECTIONS: Final = 400
_BACKLOG: Final = 128
_LOOK_AGAIN_S: Final = 2.0
_log = structlog.get_logger(__name__)


class _Server(uvicorn.Server):
    """A server that leaves signals to the program that runs it."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take none."""
        yield


def is_loopback(bind: str) -> bool:
    """Whether an address is reached from this machine only.

    Args:
        bind: address or name to bind to.
    """
    if bind == "localhost":
        return True
    try:
        return ipaddress.ip_address(bind).is_loopback
    except ValueError:
        return False


def access_for(
    bind: str,
    *,
    home: Path,
    names: frozenset[str],
    local_name: str,
    certificate: Path | None,
    key: Path | None,
    login: bool = False,
) -> Access:
    """How a page that is bound to an address is guarded.

    Args:
        bind: address to bind to.
        home: folder with the people who may log in.
        names: host names under which it may be opened.
        local_name: operator's name on a page without logins.
        certificate: certificate chain, PEM.
        key: its private key, PEM.
        login: ask for a login on this machine too.

    Raises:
        CommandError: it would be reached from elsewhere without TLS, or nobody could log in.
    """
    people = PeopleFile(home / PEOPLE_FILE)
    secure = certificate is not None and key is not None
    if (certificate is None) != (key is None):
        lacking = "--key" if key is None else "--certificate"
        raise CommandError(f"{lacking} is missing; allowed: --certificate and --key together, or neither", Exit.USAGE)
    if is_loopback(bind) and not login:
        return Access(people=None, names=names, secure=secure, local_name=local_name, now_s=time.monotonic)
    if not is_loopback(bind) and not secure:
        raise CommandError(
            f"bind is {bind!r}, which others can reach; allowed: 127.0.0.1 or ::1, or any address with --certificate "
            "and --key, since passwords and stops would else be read and changed on the way",
            Exit.USAGE,
        )
    if not read_people(home / PEOPLE_FILE).people:
        raise CommandError(
            f"{home / PEOPLE_FILE} lists nobody, so nobody could log in; allowed: at least one person "
            "(ebbset page user add NAME --role coach)",
            Exit.USAGE,
        )
    return Access(people=people, names=names, secure=secure, local_name=local_name, now_s=time.monotonic)


def bound(bind: str, port: int) -> socket.socket:
    """A socket that listens there.

    Args:
        bind: address or name to bind to.
        port: 0 for a free one.

    Raises:
        CommandError: the address or the port cannot be used.
    """
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            bind, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        listening = socket.socket(family, kind, protocol)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        # At once, so that a browser that opens the page while it starts waits instead of being refused.
        listening.listen(_BACKLOG)
    except OSError as error:
        raise CommandError(
            f"bind is {bind!r}, port {port}: {error.strerror}; allowed: an address of this machine and a port that is "
            "free",
            Exit.USAGE,
        ) from None
    return listening


class Page:
    """One run of the page.

    Args:
        broker: the broker of the rigs.
        home: home folder.
        store: URL of the history's store.
        access: how it is guarded.
        recordings: folder of recordings; None for the one in the home folder.
        listening: socket that it answers at.
        certificate: certificate chain, PEM.
        key: its private key, PEM.

    Raises:
        CommandError: certificate and key cannot be used.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        *,
        home: Path,
        store: str,
        access: Access,
        listening: socket.socket,
        recordings: Path | None = None,
        certificate: Path | None = None,
        key: Path | None = None,
    ) -> None:
        orders = KnownOrders(home)
        hub = RigHub(broker, orders)
        self.site = Site(
            home=home,
            store=store,
            recordings=home / "recordings" if recordings is None else recordings,
            hub=hub,
            orders=orders,
            streams=Streams(hub),
            asks=Asks(hub),
            desk=SessionDesk(home, hub, time.time),
            access=access,
            logins=Logins(),
            once=Once(time.monotonic),
            wall_s=time.time,
        )
        if certificate is not None and key is not None:
            _check_certificate(certificate, key)
        self._listening = listening
        self._server = _Server(
            uvicorn.Config(
                application(self.site),
                log_config=None,
                access_log=False,
                lifespan="off",
                http="h11",
                ws="none",
                loop="none",
                proxy_headers=False,
                server_header=False,
                limit_concurrency=_MOST_CONNECTIONS,
                timeout_graceful_shutdown=ENDS_S,
                ssl_certfile=certificate,
                ssl_keyfile=key,
            )
        )

    @property
    def address(self) -> str:
        """Where it is opened in a browser on this machine."""
        host, port = self._listening.getsockname()[:2]
        host = "127.0.0.1" if host == "0.0.0.0" else host
        shown = f"[{host}]" if ":" in host else host
        return f"{'https' if self.site.access.secure else 'http'}://{shown}:{port}/"

    async def run(self, stop: asyncio.Event) -> None:
        """Serve until told to stop.

        Args:
            stop: set to end.
        """
        site = self.site
        site.orders.prescriptions()
        beside = [
            asyncio.create_task(site.hub.run(), name="rigs"),
            asyncio.create_task(site.streams.beat(), name="streams"),
            asyncio.create_task(self._look_for_orders(), name="orders"),
            asyncio.create_task(site.desk.run(), name="sessions"),
        ]
        serving = asyncio.create_task(self._server.serve(sockets=[self._listening]), name="server")
        stopped = asyncio.create_task(stop.wait())
        try:
            done, _ = await asyncio.wait({serving, stopped, *beside}, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            site.streams.closing.set()
            self._server.should_exit = True
            stopped.cancel()
            await asyncio.gather(serving, return_exceptions=True)
            await site.asks.close()
            await site.desk.close()
            for task in beside:
                task.cancel()
            await asyncio.gather(*beside, return_exceptions=True)

    async def _look_for_orders(self) -> None:
        """What a study hides must be known before somebody opens a view of a set that was armed elsewhere."""
        while True:
            await asyncio.sleep(_LOOK_AGAIN_S)
            self.site.orders.prescriptions()


def _check_certificate(certificate: Path, key: Path) -> None:
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key)
    except (OSError, ssl.SSLError) as error:
        raise CommandError(
            f"certificate {certificate} with key {key}: {error.strerror or error}; allowed: a chain and its private "
            "key, both PEM",
            Exit.BAD_INPUT,
        ) from None
