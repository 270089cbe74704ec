"""Reports of sites in a store: each once, in any order; what is none is refused; a lifter's go with the lifter."""

from __future__ import annotations

import json
from pathlib import Path
from random import Random

import pytest

from ebbset.coaching.collecting.site_reports import BadReportError, read_report
from ebbset.coaching.history.rows.report_rows import SiteReport
from ebbset.coaching.history.store import HistoryStore
from tests.support.site_messages import health, set_messages

MESSAGES = [message for k in range(3) for message in set_messages("hall", f"rig{k}", f"nonce{k:08d}")]


def read(messages: list[tuple[str, bytes]], at_s: float = 100.0) -> list[SiteReport]:
    return [read_report(topic, payload, at_s) for topic, payload in messages]


def test_reports_in_any_order_and_any_number_leave_the_same_rows(store: HistoryStore) -> None:
    assert store.add_reports(read(MESSAGES)) == len(MESSAGES)
    before = store.dump()
    assert len(before["reports"]) == len(MESSAGES)
    assert len(before["reported_sets"]) == 3
    shuffled = [*MESSAGES, *MESSAGES]
    Random(1).shuffle(shuffled)
    for at in range(0, len(shuffled), 7):
        assert store.add_reports(read(shuffled[at : at + 7], at_s=200.0)) == 0
    assert store.dump() == before


def test_of_a_sites_health_the_newest_is_kept_whatever_comes_last(store: HistoryStore) -> None:
    for at_s, healthy in ((20.0, False), (10.0, True)):
        store.add_reports(read([health("hall", at_s, healthy=healthy)]))
    store.add_reports(read([health("hall", 15.0), health("annex", 5.0), health("annex", 6.0), health("annex", 4.0)]))
    assert [row[:3] for row in store.dump()["site_health"]] == [("annex", 6.0, True), ("hall", 20.0, False)]


def test_what_a_set_was_is_in_its_row(store: HistoryStore) -> None:
    topic, payload = MESSAGES[-1]
    told = json.loads(payload)
    assert topic == "sites/hall/ebbset/v1/rig2/ctl/result"
    store.add_reports(read([(topic, payload)]))
    (row,) = store.dump()["reported_sets"]
    assert row[:3] == (told["nonce"], "hall", "rig2")
    assert row[5:9] == (told["reason"], told["repetitions"], told["drops"], told["bouts"])


@pytest.mark.parametrize(
    ("topic", "payload", "why"),
    [
        ("sites/hall/ebbset/v1/north/ctl/state", b"{}", "topic is"),
        ("sites/../ebbset/v1/north/ctl/result", b"{}", "topic is"),
        ("sites/hall/ebbset/v1/north/ctl/result", b"\xff", "not_json"),
        ("sites/hall/ebbset/v1/north/ctl/result", b"{}", "missing_field"),
        ("sites/hall/health", b'{"at_s": 1.0}', "healthy"),
        ("sites/hall/health", b'{"at_s": NaN, "healthy": true}', "health of hall"),
        ("sites/hall/health", b" " * 300_000, "allowed: up to"),
    ],
)
def test_what_is_no_report_is_refused_with_a_reason(topic: str, payload: bytes, why: str) -> None:
    with pytest.raises(BadReportError, match=why):
        read_report(topic, payload, 1.0)


@pytest.mark.parametrize(("name", "value"), [("prescription", "a\0b"), ("repetitions", 2**70), ("reason", "\0")])
def test_what_no_database_takes_is_refused(name: str, value: object) -> None:
    topic, payload = MESSAGES[-1]
    with pytest.raises(BadReportError, match=f"{name} is"):
        read_report(topic, json.dumps(json.loads(payload) | {name: value}).encode(), 1.0)


def test_a_lifters_reports_go_with_the_lifter(store: HistoryStore, site: Path) -> None:
    for path in sorted(site.rglob("*.mcap")):
        store.add_recording(path)
    lifter = store.lifters()[0].lifter
    mine = {one.nonce for one in store.sets_of(lifter, blinded=True)}
    others = {row[0] for row in store.dump()["sets"]} - mine
    assert mine
    assert others
    for nonce in sorted(mine | others):
        store.add_reports(read(set_messages("hall", "north", nonce)))
    rows = store.rows_of(lifter)
    assert len(rows["reported_sets"]) == len(mine)
    store.forget(lifter)
    left = store.dump()
    assert {row[0] for row in left["reported_sets"]} == others
    assert {row[4] for row in left["reports"]} == others
