"""The program of one worker of a site, which `ebbset serve` starts as a module. Never here: what it does."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from ebbset.console import logs
from ebbset.controller.site.worker import run_worker


def loop_factory() -> Callable[[], asyncio.AbstractEventLoop] | None:
    """The event loop that costs less for each message, where the extra is installed; Python's own otherwise."""
    try:
        import uvloop
    except ModuleNotFoundError:
        return None
    return uvloop.new_event_loop


if __name__ == "__main__":
    logs.configure()
    with asyncio.Runner(loop_factory=loop_factory()) as runner:
        runner.run(run_worker())
