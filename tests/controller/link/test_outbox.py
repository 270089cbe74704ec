"""What a set came to is told before anybody is answered, and nothing waits without bound."""

from __future__ import annotations

from collections import Counter

from structlog.testing import capture_logs

from ebbset.controller.link.outbox import MAX_ANSWERS, MAX_REPORTS, Outbox
from ebbset.models.contract.wire import Topic


def sent(outbox: Outbox) -> list[str]:
    """Everything that waits, in the order in which it goes out."""
    found = []
    while (report := outbox.next()) is not None:
        found.append(report.payload.decode())
        outbox.done(report)
    return found


def test_decision_result_and_state_go_before_answers_that_came_first() -> None:
    outbox = Outbox("north", Counter())
    for k in range(5):
        outbox.put(Topic.ANSWER, f"answer {k}".encode())
    outbox.put(Topic.STATE, b"working")
    outbox.put(Topic.DECISION, b"end")
    outbox.put(Topic.STATE, b"ended")
    outbox.put(Topic.REPETITION_REPORT, b"repetition")
    outbox.put(Topic.RESULT, b"result")
    assert sent(outbox) == ["end", "repetition", "result", "ended", *(f"answer {k}" for k in range(5))]


def test_a_report_that_a_lost_connection_did_not_send_waits_for_the_next() -> None:
    outbox = Outbox("north", Counter())
    outbox.put(Topic.STATE, b"working")
    first = outbox.next()
    assert first is not None
    assert (first.qos, first.retain, first.topic) == (0, True, "ebbset/v1/north/ctl/state")
    assert outbox.next() is first
    outbox.put(Topic.STATE, b"ended")
    outbox.done(first)
    assert sent(outbox) == ["ended"], "a newer one is not forgotten with the older"


def test_a_flood_of_answers_drops_answers_only_and_the_oldest() -> None:
    dropped: Counter[str] = Counter()
    outbox = Outbox("north", dropped)
    outbox.put(Topic.RESULT, b"result")
    with capture_logs() as logs:
        for k in range(1_000):
            outbox.put(Topic.ANSWER, str(k).encode())
    assert sent(outbox) == ["result", *(str(k) for k in range(1_000 - MAX_ANSWERS, 1_000))]
    assert dropped == {"answer": 1_000 - MAX_ANSWERS}
    assert 5 <= len(logs) <= 12
    for _ in range(MAX_REPORTS + 3):
        outbox.put(Topic.DECISION, b"d")
    assert dropped["report"] == 3
