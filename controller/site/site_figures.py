"""What a supervisor knows of its site, as plain values. Never here: where they come from, and who shows them."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any


@dataclass(slots=True)
class WorkerFigures:
    """One worker: whether it reports, how late its loop was, s, and how often it was begun again, by cause."""

    up: bool = False
    lag_s: float = 0.0
    restarts: Counter[str] = field(default_factory=Counter)


@dataclass(slots=True)
class SiteFigures:
    """All that is known of a site at one moment; ``readings`` holds those of rigs that a live worker serves."""

    rigs: tuple[str, ...] = ()
    workers: dict[str, WorkerFigures] = field(default_factory=dict)
    readings: dict[str, dict[str, Any]] = field(default_factory=dict)
    settings_refused: int = 0

    @property
    def healthy(self) -> bool:
        """Every worker reports and every rig of the settings is served."""
        return all(worker.up for worker in self.workers.values()) and set(self.rigs) <= self.readings.keys()
