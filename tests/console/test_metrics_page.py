"""The page of metrics and health, read over HTTP and with the parser of Prometheus itself."""

from __future__ import annotations

import json
import re
import urllib.error
import urllib.request
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from ebbset.console.metrics.page import metrics_page
from ebbset.controller.messages.events import LinkUp
from ebbset.controller.metrics import definitions as d
from ebbset.controller.metrics.rig_metrics import RigMetrics
from ebbset.controller.site.site_figures import SiteFigures, WorkerFigures
from ebbset.controller.site.site_settings import MetricsSettings
from ebbset.models.contract.problems import BadDocumentError
from tests.support.brokers import free_port
from tests.support.sessions import auto_drop_session

EXAMPLES = Path(__file__).parents[2] / "examples" / "prometheus"


def ask(port: int, path: str) -> tuple[int, str]:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=30) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode()


def figures() -> SiteFigures:
    north = RigMetrics()
    north.observe(LinkUp(now_us=0), ())
    for event, outputs in auto_drop_session():
        north.observe(event, outputs)
    workers = {"0": WorkerFigures(True, 0.002, Counter(died=2)), "1": WorkerFigures(False)}
    # As it comes from a worker: through JSON.
    readings = {"north": json.loads(json.dumps(north.reading()))}
    return SiteFigures(rigs=("north", "south"), workers=workers, readings=readings, settings_refused=1)


def samples(text: str) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
    found: dict[tuple[str, frozenset[tuple[str, str]]], float] = {}
    for family in text_string_to_metric_families(text):
        for sample in family.samples:
            key = sample.name, frozenset(sample.labels.items())
            assert key not in found, f"{key} stands twice"
            found[key] = sample.value
    return found


def test_the_parser_of_prometheus_reads_every_metric_with_its_kind_labels_and_meaning() -> None:
    told = figures()
    with metrics_page(MetricsSettings(port=free_port()), lambda: told) as port:
        status, text = ask(port, "/metrics")
    assert status == 200
    families = {family.name: family for family in text_string_to_metric_families(text)}
    for metric in d.METRICS:
        family = families[metric.name.removesuffix("_total")]
        assert (family.type, family.documentation) == (metric.kind.value, metric.meaning)
        for sample in family.samples:
            assert set(sample.labels) - {"le"} == set(metric.labels), sample
    found = samples(text)
    assert found["ebbset_sets_armed_total", frozenset({("rig", "north")})] == 1
    assert found["ebbset_rigs", frozenset()] == 2
    assert found["ebbset_rigs_served", frozenset()] == 1
    assert found["ebbset_worker_up", frozenset({("worker", "1")})] == 0
    assert found["ebbset_worker_restarts_total", frozenset({("worker", "0"), ("cause", "died")})] == 2
    assert found["ebbset_settings_refused_total", frozenset()] == 1


def test_a_histogram_is_cumulative_and_its_last_bucket_is_its_count() -> None:
    told = figures()
    with metrics_page(MetricsSettings(port=free_port()), lambda: told) as port:
        found = samples(ask(port, "/metrics")[1])
    for metric in (d.SAMPLE_TO_COMMAND, d.LEASE_MARGIN):
        buckets = [
            found[f"{metric.name}_bucket", frozenset({("rig", "north"), ("le", bound)})]
            for bound in [*map(str, map(float, metric.buckets)), "+Inf"]
        ]
        assert buckets == sorted(buckets)
        assert buckets[-1] == found[f"{metric.name}_count", frozenset({("rig", "north")})] > 0


def test_health_says_what_is_wrong_and_for_a_supervisor_says_it_by_status() -> None:
    told = figures()
    with metrics_page(MetricsSettings(port=free_port()), lambda: told) as port:
        status, text = ask(port, "/health")
        health: dict[str, Any] = json.loads(text)
        assert (status, health["healthy"]) == (503, False)
        assert health["rigs"]["north"] == {"served": True, "link_up": True, "rig_online": True, "set_armed": False}
        assert health["rigs"]["south"]["served"] is False
        assert health["workers"] == {"0": {"up": True, "restarts": 2}, "1": {"up": False, "restarts": 0}}
        told.rigs, told.workers = ("north",), {"0": WorkerFigures(True)}
        assert ask(port, "/health")[0] == 200
        assert ask(port, "/")[0] == 404


def test_a_port_that_is_taken_is_told_as_a_wrong_setting() -> None:
    with metrics_page(MetricsSettings(port=free_port()), SiteFigures) as port:
        second = metrics_page(MetricsSettings(port=port), SiteFigures)
        with pytest.raises(BadDocumentError, match=f"metrics is 127.0.0.1:{port}; allowed: .* a free port"):
            second.__enter__()


def named(text: str) -> set[str]:
    return {re.sub(r"_(bucket|count|sum)$", "", name) for name in re.findall(r"\bebbset_\w+", text)}


def test_alert_rules_and_dashboard_ask_for_metrics_that_exist_and_for_labels_that_they_have() -> None:
    known = {metric.name: metric for metric in d.METRICS}
    rules = (EXAMPLES / "alerts.yml").read_text()
    dashboard = json.loads((EXAMPLES / "dashboard.json").read_text())
    asked = [target["expr"] for panel in dashboard["panels"] for target in panel["targets"]]
    for expression in [*re.findall(r"expr: (?:>-\n)?(.+?)\n        (?:for|labels)", rules, re.DOTALL), *asked]:
        names = named(expression)
        assert names - {"ebbset_site"} or "up{" in expression, expression
        assert names <= known.keys(), expression
        for name, label in re.findall(r"\b(ebbset_\w+?)(?:_bucket|_count)?\{(\w+)=", expression):
            assert label in known[name].labels or label == "le", expression
    assert {"ebbset_worker_restarts_total", "ebbset_guard_refusals_total", "ebbset_free_disk_bytes"} <= named(rules)


def test_reasons_in_alert_rules_exist() -> None:
    from ebbset.controller.messages.reasons import Reason

    rules = (EXAMPLES / "alerts.yml").read_text()
    asked = {reason for group in re.findall(r'reason=~"([^"]+)"', rules) for reason in group.split("|")}
    assert asked
    assert asked <= {reason.value for reason in Reason}
