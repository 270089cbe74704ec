"""A request acts once and only while it is fresh, by the controller's clock alone."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from ebbset.controller.messages.actions import Answer
from ebbset.controller.messages.events import BadInput, Requested
from ebbset.controller.messages.reasons import State
from ebbset.controller.recording.reader import read_recording
from ebbset.controller.service.request_freshness import RequestFreshness
from ebbset.models.contract import wire
from ebbset.models.contract.constants import LONGEST_REQUEST_AGE_S
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.wire import BadMessageError, Topic
from tests.support.brokers import Mosquitto
from tests.support.operators import armed, operator
from tests.support.served import hand_rig, serving, settings_for
from tests.support.sessions import PATIENT, auto_drop_order

RUN = "0123abcd"
S = 1_000_000


def request(
    ticket: str | None, *, action: RequestAction = RequestAction.ARM, correlation_id: str = "c-000001"
) -> Requested:
    return Requested(now_us=0, correlation_id=correlation_id, action=action, operator="coach", ticket=ticket)


def code_of(freshness: RequestFreshness, asked: Requested, now_us: int) -> str | None:
    objection = freshness.objection(asked, now_us)
    return None if objection is None else objection.code


@pytest.mark.parametrize(
    ("age_s", "code"),
    [(0, None), (LONGEST_REQUEST_AGE_S, None), (LONGEST_REQUEST_AGE_S + 1, "request_too_old"), (-1, "unknown_ticket")],
)
def test_the_age_of_a_ticket_goes_by_the_clock_that_made_it(age_s: int, code: str | None) -> None:
    freshness = RequestFreshness(RUN)
    now_us = 500 * S + 999_999
    ticket = freshness.ticket(now_us - age_s * S)
    assert code_of(freshness, request(ticket), now_us) == code


@pytest.mark.parametrize("ticket", [None, "", "anything", "fedc9876-500", f"{RUN}-", f"{RUN}-5e2", f"{RUN}--1"])
def test_a_ticket_of_another_run_or_of_nobody_is_refused_and_says_where_to_look(ticket: str | None) -> None:
    objection = RequestFreshness(RUN).objection(request(ticket), 500 * S)
    assert objection is not None
    assert objection.code == "unknown_ticket"
    assert "ctl/state; look there and ask again" in objection.message


def test_the_same_bytes_never_act_again_however_late_they_come() -> None:
    freshness = RequestFreshness(RUN)
    asked = request(freshness.ticket(500 * S))
    assert code_of(freshness, asked, 500 * S) is None
    for later_s in (0, 1, 5, 9, 10):
        assert code_of(freshness, asked, (500 + later_s) * S) == "repeated_request"
    for later_s in (12, 60, 86_400):
        assert code_of(freshness, asked, (500 + later_s) * S) == "request_too_old"


def test_nothing_slips_through_between_the_memory_and_the_age_limit() -> None:
    for part_us in range(0, S, 50_000):
        freshness = RequestFreshness(RUN)
        asked = request(freshness.ticket(500 * S + part_us))
        assert code_of(freshness, asked, 500 * S + part_us) is None
        for later_us in range(0, 13 * S, 50_000):
            assert code_of(freshness, asked, 500 * S + part_us + later_us) is not None


def test_the_memory_is_bounded_by_the_age_limit() -> None:
    freshness = RequestFreshness(RUN)
    for k in range(5_000):
        now_us = k * S
        assert code_of(freshness, request(freshness.ticket(now_us), correlation_id=f"c-{k:06d}"), now_us) is None
    assert len(freshness._answers) <= LONGEST_REQUEST_AGE_S + 2  # noqa: SLF001 - that nothing piles up shows nowhere else


def test_a_copy_gets_the_answer_of_the_first_once_there_is_one() -> None:
    freshness = RequestFreshness(RUN)
    asked = request(freshness.ticket(0))
    freshness.objection(asked, 0)
    again = freshness.objection(asked, 0)
    assert again is not None
    assert again.answer is None
    answer = Answer(
        correlation_id="c-000001", accepted=True, code="armed", message="m", nonce="nonce-0001", state=State.ARMED
    )
    freshness.note(answer)
    again = freshness.objection(asked, 0)
    assert again is not None
    assert again.answer == answer


@pytest.mark.parametrize("action", [RequestAction.STOP, RequestAction.RELEASE])
def test_stopping_needs_no_ticket_and_may_come_as_often_as_it_likes(action: RequestAction) -> None:
    freshness = RequestFreshness(RUN)
    assert [code_of(freshness, request(None, action=action), 0) for _ in range(3)] == [None] * 3
    wire.decode(Topic.REQUEST, json.dumps({"correlation_id": "c-000001", "action": action, "operator": "coach"}))


@pytest.mark.parametrize(
    ("members", "said"),
    [
        ({"action": "arm"}, "ticket is missing; allowed: the ticket in the newest ctl/state"),
        ({"action": "start", "ticket": f"{RUN}-1"}, "arming is missing; allowed: the nonce that the answer"),
        ({"action": "start", "arming": "nonce-0001"}, "ticket is missing"),
    ],
)
def test_a_request_without_what_it_needs_is_told_what(members: dict[str, str], said: str) -> None:
    with pytest.raises(BadMessageError, match=said):
        wire.decode(Topic.REQUEST, json.dumps({"correlation_id": "c-000001", "operator": "coach", **members}))


@pytest.mark.broker
async def test_what_was_handled_does_not_act_again_over_the_wire(broker: Mosquitto, tmp_path: Path) -> None:
    """The same bytes again: at once, after the link was lost, after the set; and a start for somebody else's arming."""
    rig = "again"
    order = auto_drop_order(safety=PATIENT).model_dump(mode="json")
    async with (
        serving(settings_for(broker, tmp_path, rig)) as served,
        hand_rig(broker.port, rig) as seen,
        operator(broker.port, rig) as person,
    ):
        await person.until_state("idle")
        await person.until(lambda: len(person.of("rig/frame")) > 3)
        first = await armed(person, order)
        arm = next(m for m in person.of("ops/request") if m["correlation_id"] == first["correlation_id"])
        await person.publish("ops/request", json.dumps(arm))
        copies = await person.until(
            lambda: [a for a in person.of("ctl/answer") if a["correlation_id"] == arm["correlation_id"]][1:]
        )
        assert copies == [first], "the answer to a copy is the answer to the first"
        assert (await person.ask("start"))["accepted"]
        start = next(m for m in person.of("ops/request") if m["action"] == "start")
        connections = served.link.connections
        served.link._break("cut by the test")  # noqa: SLF001 - nothing public cuts this one connection
        await person.until(lambda: served.link.connections > connections)
        await person.until_state("idle")
        for message in (arm, start):
            await person.publish("ops/request", json.dumps(message))
        assert (await person.ask("stop"))["code"] == "already_stopped", "neither copy armed or started anything"
        # The rig was not told that the set is over: until its lease runs out it refuses every other nonce.
        await person.until(lambda: any(event["kind"] == "lease_expired" for event in person.of("rig/event")))
        await armed(person, order)
        await person.publish("ops/request", json.dumps({**start, "correlation_id": "c-of-another"}))
        theirs = await person.until(
            lambda: next((a for a in person.of("ctl/answer") if a["correlation_id"] == "c-of-another"), None)
        )
        assert (theirs["accepted"], theirs["code"]) == (False, "another_arming")
        stale = await person.ask("start", ticket="fedc9876-500")
        assert (stale["accepted"], stale["code"]) == (False, "unknown_ticket")
        assert person.of("ctl/state")[-1]["state"] == "armed"
        await person.ask("release")
        await person.until_state("ended")
    assert len(seen["targets_n"]) <= 1, "one load was commanded, by the one start that was asked for"
    events: list[Any] = [item.event for path in served.recordings for item in read_recording(path).handled]
    told = [event.code for event in events if isinstance(event, BadInput)]
    assert set(told) >= {"repeated_request", "unknown_ticket"}, "the recordings show what was turned away"
