"""The figures of a rig: what an observer counts of a whole set, and that no rig can make the figures grow."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from ebbset.controller.messages.actions import Decision, Output, RepetitionRecord, SendArm, SendLoad, SetResult
from ebbset.controller.messages.events import Acknowledged, BadInput, Event, LinkDown, LinkUp, RigLost, Samples
from ebbset.controller.metrics import definitions as d
from ebbset.controller.metrics.rig_metrics import OTHER, HistogramCounts, RigMetrics
from tests.support.sessions import auto_drop_session

ROOT = Path(__file__).parents[3]


def values(metrics: RigMetrics, metric: d.Metric) -> dict[tuple[str, ...], float]:
    return {tuple(labels): value for name, labels, value in metrics.reading()["values"] if name == metric.name}


@pytest.fixture(scope="module")
def session() -> list[tuple[Event, tuple[Output, ...]]]:
    return list(auto_drop_session())


def test_a_set_is_counted_as_the_core_put_it_out(session: list[tuple[Event, tuple[Output, ...]]]) -> None:
    metrics = RigMetrics()
    for event, outputs in session:
        metrics.observe(event, outputs)
    flat = [output for _, outputs in session for output in outputs]
    results = [output for output in flat if isinstance(output, SetResult)]
    assert len(results) == 1
    assert results[0].drops >= 1
    assert values(metrics, d.SETS_ENDED) == {(results[0].reason.value,): 1}
    assert values(metrics, d.SETS_ARMED) == {(): sum(isinstance(output, SendArm) for output in flat)}
    assert values(metrics, d.DROPS) == {(): results[0].drops}
    assert values(metrics, d.REPETITIONS) == {(): sum(isinstance(output, RepetitionRecord) for output in flat)}
    assert values(metrics, d.GUARD_REFUSALS) == {(): 0}
    assert sum(isinstance(output, Decision) for output in flat) > results[0].drops


def test_every_load_that_a_frame_led_to_is_timed_and_every_renewal_shows_its_margin(
    session: list[tuple[Event, tuple[Output, ...]]],
) -> None:
    metrics = RigMetrics()
    for event, outputs in session:
        metrics.observe(event, outputs)
    loads = [(event, output) for event, outputs in session for output in outputs if isinstance(output, SendLoad)]
    histograms = metrics.reading()["histograms"]
    counts, total = histograms[d.SAMPLE_TO_COMMAND.name]
    assert sum(counts) == sum(isinstance(event, Samples) for event, _ in loads) > 0
    assert total == 0.0  # nobody was watched, so a command goes out at the time of its frame
    counts, _ = histograms[d.LEASE_MARGIN.name]
    assert sum(counts) == len(loads) - 1
    assert counts[0] == 0  # a lease that ran out


def test_a_lease_that_ran_out_before_its_renewal_shows_in_the_first_bucket(
    session: list[tuple[Event, tuple[Output, ...]]],
) -> None:
    metrics = RigMetrics()
    load = next(o for _, outputs in session for o in outputs if isinstance(o, SendLoad))
    frame = next(event for event, _ in session if isinstance(event, Samples))
    for now_us in (1_000_000, 1_000_000 + load.lease_ms * 1_000 + 1):
        metrics.observe(replace(frame, now_us=now_us), (load,))
    assert metrics.reading()["histograms"][d.LEASE_MARGIN.name][0][0] == 1


def test_a_reason_that_a_rig_made_up_counts_as_other() -> None:
    metrics = RigMetrics()
    for made_up in ("because", "because of that", "repeated_sequence"):
        metrics.observe(acknowledgement(refusal=made_up, accepted=False), ())
    assert values(metrics, d.COMMANDS_REFUSED) == {(OTHER,): 2, ("repeated_sequence",): 1}


def test_link_and_rig_come_and_go() -> None:
    metrics = RigMetrics()
    metrics.observe(LinkUp(now_us=1), ())
    assert values(metrics, d.LINK_UP) == {(): 1}
    metrics.observe(RigLost(now_us=2), ())
    metrics.observe(LinkDown(now_us=3), ())
    metrics.observe(BadInput(now_us=4, topic="rig/frame", code="not_json", detail=""), ())
    assert values(metrics, d.LINK_UP) == {(): 0}
    assert values(metrics, d.LINK_LOSSES) == {(): 1}
    assert values(metrics, d.RIG_LOSSES) == {(): 1}
    assert values(metrics, d.INPUTS_REFUSED) == {("not_json",): 1}


class _Recorder:
    def __init__(self, lost: int, failure: str | None = None) -> None:
        self.waiting, self.lag_s, self.lost, self.failure = 3, 0.25, lost, failure


class _Service:
    command_sent_us = 5_000
    broke_off = True

    def __init__(self, recorder: _Recorder) -> None:
        self.recorder: Any = recorder
        self.dropped = Counter(telemetry_full=4)
        self.state: Any = "working"


def test_queues_and_recorder_are_read_when_asked_and_a_new_file_forgets_no_loss() -> None:
    metrics, service = RigMetrics(), _Service(_Recorder(lost=2))
    metrics.watch(service)
    assert values(metrics, d.DROPPED) == {("telemetry_full",): 4}
    assert values(metrics, d.RECORDER_LOST) == {(): 2}
    assert values(metrics, d.RECORDER_LAG) == {(): 0.25}
    assert values(metrics, d.BROKE_OFF) == {(): 1}
    assert values(metrics, d.RIG_RESTARTS) == {(): 0}
    service.recorder = _Recorder(lost=1, failure="the disk is full")
    assert values(metrics, d.RECORDER_LOST) == {(): 3}
    assert values(metrics, d.RECORDING_FAILED) == {(): 1}
    metrics.watch(service)
    assert values(metrics, d.RIG_RESTARTS) == {(): 1}


def test_a_value_on_a_bound_belongs_below_it_as_prometheus_counts() -> None:
    counts = HistogramCounts((0.1, 0.2))
    for value in (0.1, 0.15, 0.2, 0.3):
        counts.add(value)
    assert counts.counts == [1, 2, 1]


def test_names_follow_the_conventions_and_stand_once() -> None:
    names = [metric.name for metric in d.METRICS]
    assert len(set(names)) == len(names)
    for metric in d.METRICS:
        assert (metric.kind is d.MetricKind.COUNTER) == metric.name.endswith("_total"), metric.name
        assert (metric.kind is d.MetricKind.HISTOGRAM) == bool(metric.buckets), metric.name
        assert list(metric.buckets) == sorted(metric.buckets)
    every = {value.name for name, value in vars(d).items() if isinstance(value, d.Metric) and not name.startswith("_")}
    assert every == set(names)


def test_the_page_of_metrics_is_not_stale() -> None:
    assert (ROOT / "docs" / "metrics.md").read_text() == d.as_markdown(), "run make docs"


def acknowledgement(**told: Any) -> Acknowledged:
    common = {"now_us": 1, "boot_id": "boot-0001", "nonce": "nonce-0001", "command_seq": 1, "t_us": 1}
    return Acknowledged(**{**common, "applied_n": (0.0,), "docked": True, **told})
