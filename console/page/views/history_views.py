"""The views of lifters: who is in the history's store, and the history of each."""

from __future__ import annotations

import asyncio
import datetime
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from markupsafe import Markup
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from ebbset.coaching.history.history_rows import LifterRow
from ebbset.coaching.history.reading import history_of
from ebbset.coaching.history.rebuild import fill, history_files
from ebbset.coaching.history.store import HistoryStore
from ebbset.console.history_commands.history_page import render_history_body
from ebbset.console.page.site import Site
from ebbset.models.contract.problems import UnusableFileError

T = TypeVar("T")


class HistoryViews:
    """Views of lifters.

    Args:
        site: what the views share.
    """

    def __init__(self, site: Site) -> None:
        self._site = site
        self._one_at_a_time = asyncio.Lock()

    async def lifters(self, request: Request) -> Response:
        """Every lifter in the store, once what is in the home folder was added to it."""
        found, problems = await self._beside(_lifters, self._site.store, self._site.home)
        return self._site.answer(request, "lifters.html", lifters=found, problems=problems)

    async def history(self, request: Request) -> Response:
        """The history of one lifter."""
        name, now = request.path_params["name"], datetime.datetime.fromtimestamp(self._site.wall_s())
        body = await self._beside(_history, self._site.store, name, now)
        if body is None:
            raise HTTPException(404, "The store has no lifter of that name.")
        return self._site.answer(request, "history.html", lifter=name, body=body)

    async def _beside(self, work: Callable[..., T], *given: object) -> T:
        """Work with the store beside the event loop, since a stop must not wait for a database."""
        async with self._one_at_a_time:
            try:
                return await asyncio.to_thread(work, *given)
            except UnusableFileError as error:
                raise HTTPException(503, f"The history cannot be read: {error}") from None


def _lifters(url: str, home: Path) -> tuple[tuple[LifterRow, ...], list[str]]:
    home.mkdir(parents=True, exist_ok=True)
    with HistoryStore.open(url) as store:
        filled = fill(store, history_files([home]))
        return store.lifters(), filled.remarks


def _history(url: str, lifter: str, now: datetime.datetime) -> Markup | None:
    with HistoryStore.open(url) as store:
        if lifter not in {one.lifter for one in store.lifters()}:
            return None
        history, rows = history_of(store, lifter, now.date())
    return render_history_body(history, rows, made_at=now)
