"""The figures of a site as metrics for Prometheus. Never here: counting, and the page on which they are shown."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import accumulate
from typing import Final

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, HistogramMetricFamily, Metric
from prometheus_client.registry import Collector

from ebbset.controller.metrics import definitions as d
from ebbset.controller.site.site_figures import SiteFigures


class SiteCollector(Collector):
    """Gives the figures of this moment in the order of the definitions.

    Args:
        figures: the figures now; called from the thread that answers.
    """

    def __init__(self, figures: Callable[[], SiteFigures]) -> None:
        self._figures = figures

    def collect(self) -> Iterable[Metric]:
        """One family for each metric, empty where there is nothing to tell."""
        figures = self._figures()
        histograms = {m.name: _histogram(m) for m in d.METRICS if m.kind is d.MetricKind.HISTOGRAM}
        families = {m.name: _plain(m) for m in d.METRICS if m.kind is not d.MetricKind.HISTOGRAM}
        for rig, reading in sorted(figures.readings.items()):
            for name, labels, value in reading["values"]:
                families[name].add_metric([rig, *labels], value)
            for name, (counts, total) in reading["histograms"].items():
                buckets: list[tuple[str, float]] = list(zip(_BOUNDS[name], accumulate(counts), strict=True))
                histograms[name].add_metric([rig], buckets, total)
        families[d.RIGS.name].add_metric([], len(figures.rigs))
        families[d.RIGS_SERVED.name].add_metric([], len(figures.readings.keys() & set(figures.rigs)))
        families[d.SETTINGS_REFUSED.name].add_metric([], figures.settings_refused)
        for worker, told in figures.workers.items():
            families[d.WORKER_UP.name].add_metric([worker], int(told.up))
            families[d.LOOP_LAG.name].add_metric([worker], told.lag_s)
            for cause in ("died", "hung"):
                families[d.WORKER_RESTARTS.name].add_metric([worker, cause], told.restarts[cause])
        return [histograms[m.name] if m.name in histograms else families[m.name] for m in d.METRICS]


_BOUNDS: Final = {m.name: [*(str(float(bound)) for bound in m.buckets), "+Inf"] for m in d.METRICS}


def _plain(metric: d.Metric) -> CounterMetricFamily | GaugeMetricFamily:
    if metric.kind is d.MetricKind.COUNTER:
        return CounterMetricFamily(metric.name, metric.meaning, labels=metric.labels)
    return GaugeMetricFamily(metric.name, metric.meaning, labels=metric.labels)


def _histogram(metric: d.Metric) -> HistogramMetricFamily:
    return HistogramMetricFamily(metric.name, metric.meaning, labels=metric.labels)
