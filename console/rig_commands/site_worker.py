"""The program of one worker of a site, which `ebbset serve` starts as a module. Never here: what it does."""

from __future__ import annotations

import asyncio

from ebbset.console import logs
from ebbset.controller.site.worker import run_worker

if __name__ == "__main__":
    logs.configure()
    asyncio.run(run_worker())
