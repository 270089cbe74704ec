"""Whether a fault can be seen in the metrics of the controllers that met it, read with the parser of Prometheus.

Every fault must show, or nobody who watches a site would hear of it. Never here: which fault shows where; that stands
beside the fault in `scenarios`.
"""

from __future__ import annotations

import asyncio
import urllib.request
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from prometheus_client.parser import text_string_to_metric_families

from ebbset.controller.metrics.definitions import SETS_ENDED, Metric

PATIENCE_S = 10.0


@dataclass(frozen=True, slots=True)
class Sighting:
    """A metric that a fault must raise.

    Attributes:
        metric: which.
        labels: values that some of its labels have.
        least: the least value, summed over the controllers of the site.
    """

    metric: Metric
    labels: Mapping[str, str] = field(default_factory=dict)
    least: float = 1.0

    def __str__(self) -> str:
        labels = ", ".join(f"{name}={value}" for name, value in self.labels.items())
        return f"{self.metric.name}{{{labels}}}"


def ended_as(reason: str) -> Sighting:
    """A set that ended for a reason."""
    return Sighting(SETS_ENDED, {"reason": reason})


def value_of(sighting: Sighting, texts: Iterable[str]) -> float:
    """The sum of the samples that fit.

    Args:
        sighting: metric and labels.
        texts: what the controllers answered to ``/metrics``.
    """
    return sum(
        sample.value
        for text in texts
        for family in text_string_to_metric_families(text)
        for sample in family.samples
        if sample.name == sighting.metric.name and sighting.labels.items() <= sample.labels.items()
    )


def unseen(sightings: Iterable[Sighting], texts: list[str]) -> list[str]:
    """A problem for each sighting that the metrics do not show.

    Args:
        sightings: what must be seen.
        texts: what the controllers answered to ``/metrics``.
    """
    return [
        f"{sighting} is {value:g} in the metrics; expected at least {sighting.least:g}"
        for sighting in sightings
        if (value := value_of(sighting, texts)) < sighting.least
    ]


async def scrape(ports: Iterable[int]) -> list[str]:
    """What each of these ports answers to ``/metrics``; one where nobody listens any more is left out.

    Args:
        ports: on this machine.
    """

    def one(port: int) -> str:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=PATIENCE_S) as answer:
                return str(answer.read().decode())
        except OSError:
            return ""

    return list(await asyncio.gather(*(asyncio.to_thread(one, port) for port in ports)))
