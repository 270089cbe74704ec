"""The views of what was done: recordings with their reports."""

from __future__ import annotations

import asyncio
import datetime

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from ebbset.console.exits import CommandError
from ebbset.console.page.site import Site
from ebbset.console.page.views.recordings import Recordings, report_of
from ebbset.models.contract.problems import UnusableFileError


class AfterwardsViews:
    """Views of what was done.

    Args:
        site: what the views share.
    """

    def __init__(self, site: Site) -> None:
        self._site = site
        self._recordings = Recordings(site.recordings)
        self._one_at_a_time = asyncio.Lock()

    async def recordings(self, request: Request) -> Response:
        """The newest recordings."""
        # Beside the event loop, since a stop must not wait for a disk.
        async with self._one_at_a_time:
            found = await asyncio.to_thread(self._recordings.newest)
        return self._site.answer(request, "recordings.html", recordings=found)

    async def report(self, request: Request) -> Response:
        """The report of one recording."""
        site, name = self._site, request.path_params["name"]
        path = self._recordings.path_of(name)
        if path is None:
            raise HTTPException(404, "There is no recording of that name in the folder.")
        made_at = datetime.datetime.fromtimestamp(site.wall_s()).astimezone()
        async with self._one_at_a_time:
            try:
                body = await asyncio.to_thread(report_of, path, made_at)
            except (CommandError, UnusableFileError) as error:
                raise HTTPException(404, str(error).removeprefix(f"{path}: ")) from None
        return site.answer(request, "report.html", name=name, body=body)
