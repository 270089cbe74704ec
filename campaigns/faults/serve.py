"""The controller of the fault campaign: `service.serve` as it is, with a monotonic clock that can be made to jump.

A process of its own: ``python -m campaigns.faults.serve PORT NAME RECORDINGS PRESCRIPTION METRICS-PORT``. SIGUSR1 puts
the controller's clock ten seconds ahead, SIGUSR2 ten seconds back. Its metrics are served as those of a site are.
Nothing else differs from `ebbset serve`.
"""

from __future__ import annotations

import asyncio
import signal
import sys
import time
from pathlib import Path
from typing import Final

from ebbset.console.metrics.page import metrics_page
from ebbset.controller.link.settings import ServeSettings
from ebbset.controller.metrics.rig_metrics import RigMetrics
from ebbset.controller.service.log_context import logging_for
from ebbset.controller.service.serve import Served
from ebbset.controller.site.site_figures import SiteFigures
from ebbset.controller.site.site_settings import MetricsSettings

JUMP_NS: Final = 10_000_000_000
_true_ns: Final = time.monotonic_ns


class JumpingClock:
    """`time.monotonic_ns` with an offset."""

    def __init__(self) -> None:
        self.offset_ns = 0

    def jump(self, by_ns: int) -> None:
        """Move the clock by this many nanoseconds, negative for back."""
        self.offset_ns += by_ns

    def __call__(self) -> int:
        """The shifted time in nanoseconds."""
        return _true_ns() + self.offset_ns


async def run(settings: ServeSettings, metrics_port: int) -> int:
    """Serve until SIGTERM.

    Args:
        settings: of the rig.
        metrics_port: where metrics can be read meanwhile.
    """
    clock = JumpingClock()
    time.monotonic_ns = clock
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGTERM, stop.set)
    loop.add_signal_handler(signal.SIGUSR1, clock.jump, JUMP_NS)
    loop.add_signal_handler(signal.SIGUSR2, clock.jump, -JUMP_NS)
    metrics = RigMetrics()

    def figures() -> SiteFigures:
        return SiteFigures(rigs=(settings.rig,), readings={settings.rig: metrics.reading()})

    with logging_for(settings.rig), metrics_page(MetricsSettings(port=metrics_port), figures):
        served = Served(settings, observer=metrics.observe)
        metrics.watch(served)
        return await served.run(stop)


if __name__ == "__main__":
    port, rig, recordings, order, metrics_at = sys.argv[1:6]
    chosen = ServeSettings.of(
        rig=rig, broker={"port": int(port)}, recordings=Path(recordings), prescription=Path(order)
    )
    sys.exit(asyncio.run(run(chosen, int(metrics_at))))
