"""The views of lifters: who is in the history's store, and the history of each."""

from __future__ import annotations

import asyncio
import datetime
import os
from collections.abc import Callable
from pathlib import Path
from typing import Final, TypeVar

from markupsafe import Markup
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from ebbset.coaching.history.reading import history_of
from ebbset.coaching.history.rebuild import fill, history_files
from ebbset.coaching.history.rows.history_rows import LifterRow
from ebbset.coaching.history.session_files import JOURNAL_END, PLAN_END
from ebbset.coaching.history.store import HistoryStore
from ebbset.console.history_commands.history_page import render_history_body
from ebbset.console.page.site import Site
from ebbset.models.contract.problems import UnusableFileError

T = TypeVar("T")
PATIENCE_S: Final = 2.0
"""How long the list waits for what is new before it is shown without."""


class HistoryViews:
    """Views of lifters.

    Args:
        site: what the views share.
    """

    def __init__(self, site: Site) -> None:
        self._site = site
        self._one_at_a_time = asyncio.Lock()
        self._filling: asyncio.Task[list[str]] | None = None
        self._seen: dict[Path, tuple[int, int]] = {}

    async def lifters(self, request: Request) -> Response:
        """Every lifter in the store, while what is new in the home folder is added to it."""
        if self._filling is None or self._filling.done():
            self._filling = asyncio.create_task(asyncio.to_thread(self._fill))
        await asyncio.wait({self._filling}, timeout=PATIENCE_S)
        filled = self._filling.done()
        problems = self._told(self._filling) if filled else []
        found = await self._beside(_lifters, self._site.store)
        return self._site.answer(request, "lifters.html", lifters=found, problems=problems, filled=filled)

    def _told(self, filling: asyncio.Task[list[str]]) -> list[str]:
        try:
            return [one.replace(f"{self._site.home}{os.sep}", "") for one in filling.result()]
        except UnusableFileError as error:
            return [f"Nothing new was added: {error}"]

    def _fill(self) -> list[str]:
        """Add what is new since the last time; what it could not add, it tries again next time."""
        home = self._site.home
        home.mkdir(parents=True, exist_ok=True)
        seen = {path: (path.stat().st_mtime_ns, path.stat().st_size) for path in home.rglob("*") if _counts(path)}
        new = {path for path, signature in seen.items() if self._seen.get(path) != signature}
        if not new:
            return []
        # What happened in a session is in its journal, but the session goes by its plan.
        plans = {path.with_name(path.name.removesuffix(JOURNAL_END) + PLAN_END) for path in new if _is_journal(path)}
        with HistoryStore.open(self._site.store) as store:
            filled = fill(store, history_files([*(new | {plan for plan in plans if plan.is_file()})]))
        self._seen = seen
        return filled.remarks

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


def _is_journal(path: Path) -> bool:
    return path.name.endswith(JOURNAL_END)


def _counts(path: Path) -> bool:
    """Whether a store can be made from a file."""
    return path.is_file() and (path.suffix in (".mcap", ".toml") or _is_journal(path))


def _lifters(url: str) -> tuple[LifterRow, ...]:
    with HistoryStore.open(url) as store:
        return store.lifters()


def _history(url: str, lifter: str, now: datetime.datetime) -> Markup | None:
    with HistoryStore.open(url) as store:
        if lifter not in {one.lifter for one in store.lifters()}:
            return None
        history, rows = history_of(store, lifter, now.date())
    return render_history_body(history, rows, made_at=now)
