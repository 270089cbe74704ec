"""The page served for real, in a thread with an event loop of its own, so that a test may block as a browser's does."""

from __future__ import annotations

import asyncio
import contextlib
import ssl
import threading
import urllib.error
import urllib.request
from collections.abc import Coroutine, Iterator
from pathlib import Path
from typing import Any, TypeVar

from ebbset.console.page.server import Page, access_for, bound
from ebbset.controller.link.settings import BrokerSettings

PATIENCE_S = 60.0
T = TypeVar("T")


class ServedPage:
    """A page that runs until `close`."""

    def __init__(self, home: Path, broker_port: int, *, bind: str = "127.0.0.1", port: int = 0, **access: Any) -> None:
        guarded = access_for(
            bind,
            home=home,
            names=access.get("names", frozenset()),
            local_name="tester",
            certificate=access.get("certificate"),
            key=access.get("key"),
            login=access.get("login", False),
        )
        self._listening = bound(bind, port)
        self._up = threading.Event()
        self._failed: list[BaseException] = []

        def make() -> Page:
            return Page(
                BrokerSettings(port=broker_port),
                home=home,
                store=f"sqlite:///{home / 'history.sqlite'}",
                access=guarded,
                listening=self._listening,
                certificate=access.get("certificate"),
                key=access.get("key"),
            )

        self._make = make
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        assert self._up.wait(PATIENCE_S), self._failed

    def _run(self) -> None:
        async def serve() -> None:
            self.page = self._make()
            self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
            self._up.set()
            await self.page.run(self._stop)

        try:
            asyncio.run(serve())
        except BaseException as error:
            self._failed.append(error)
            raise

    def call(self, asked: Coroutine[Any, Any, T]) -> T:
        """Run something in the page's own loop, and wait for it."""
        return asyncio.run_coroutine_threadsafe(asked, self._loop).result(PATIENCE_S)

    @property
    def address(self) -> str:
        return self.page.address.rstrip("/")

    def get(self, path: str, context: ssl.SSLContext | None = None) -> tuple[int, str]:
        try:
            with urllib.request.urlopen(self.address + path, timeout=PATIENCE_S, context=context) as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as error:
            return error.code, error.read().decode()

    def close(self) -> None:
        if not self._thread.is_alive():
            return
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive(), "the page did not end"


@contextlib.contextmanager
def served_page(home: Path, broker_port: int, **more: Any) -> Iterator[ServedPage]:
    """A page for the time of a ``with``."""
    page = ServedPage(home, broker_port, **more)
    try:
        yield page
    finally:
        page.close()
