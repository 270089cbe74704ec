"""A session led over a real broker: its own sets only, one after another, resumed un-armed, over with its minutes."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from ebbset.coaching.sessions.journal import Journal, read_events
from ebbset.coaching.sessions.session_events import Armed, DayStrength, Resumed, SessionEnded, SetEnded
from ebbset.coaching.sessions.session_steps import SessionPlanFile, SessionStep
from ebbset.console.live.session_lead import LEADER, SessionLead
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.operator_messages import OperatorAnswer
from tests.support.brokers import Mosquitto
from tests.support.operators import PATIENCE_S, operator
from tests.support.served import hand_rig, serving, settings_for, until
from tests.support.session_plans import plan, step, straight_set
from tests.support.sessions import PATIENT, PATIENT_STOP

pytestmark = pytest.mark.broker


class Clock:
    """The system's clock, which a test can put forward over a rest."""

    def __init__(self) -> None:
        self.ahead_s = 0.0

    def __call__(self) -> float:
        return time.time() + self.ahead_s


def one_repetition(number: int, rig: str, *, limit_s: float = 100.0, repetitions: int = 1) -> SessionStep:
    stop = {**PATIENT_STOP, "max_repetitions": repetitions, "max_duration_s": limit_s}
    order = straight_set(start_n=200.0, stop=stop, safety=PATIENT)
    return step(number, rig=rig, prescription=order, may_shorten=True)


def two_sets(rig: str, name: str = "Tuesday", **changes: object) -> SessionPlanFile:
    made = plan(one_repetition(1, rig), one_repetition(2, rig))
    return made.model_copy(update={"name": name, **changes})


@contextlib.asynccontextmanager
async def leading(
    of: SessionPlanFile, journal: Path, broker: Mosquitto, clock: Clock, done: Callable[..., None] | None = None
) -> AsyncIterator[SessionLead]:
    held = Journal.open(journal)
    settings = BrokerSettings(host="127.0.0.1", port=broker.port)
    lead = SessionLead(of, held, settings, on_set_done=done, now_s=clock)
    running = asyncio.create_task(lead.run())
    try:
        yield lead
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        held.close()


async def asked(ask: Callable[[], object], lead: SessionLead) -> OperatorAnswer:
    """Ask, again while a busy machine keeps frames back."""
    async with asyncio.timeout(PATIENCE_S):
        while True:
            await until(lambda: not lead.obstacle)
            answer = await ask()  # type: ignore[misc]
            assert isinstance(answer, OperatorAnswer)
            if answer.accepted or answer.code not in ("no_telemetry", "no_answer", "rig_offline", "handle_not_docked"):
                return answer


async def armed(lead: SessionLead) -> None:
    answer = await asked(lambda: lead.arm("coach", True), lead)
    assert answer.accepted, answer


async def started(lead: SessionLead) -> None:
    await armed(lead)
    answer = await asked(lambda: lead.start("coach"), lead)
    assert answer.accepted, answer


async def test_two_lifters_alternate_on_one_rig_each_in_a_session_of_their_own(
    broker: Mosquitto, tmp_path: Path
) -> None:
    rig, clock = "shared", Clock()
    ended: list[tuple[SetEnded, SessionStep]] = []

    def done(event: SetEnded, which: SessionStep) -> None:
        ended.append((event, which))

    first, second = tmp_path / "first.journal.jsonl", tmp_path / "second.journal.jsonl"
    async with (
        serving(settings_for(broker, tmp_path, rig)),
        hand_rig(broker.port, rig),
        leading(two_sets(rig, "One"), first, broker, clock, done) as one,
        leading(two_sets(rig, "Another"), second, broker, clock) as other,
    ):
        refused = await asked(lambda: one.arm("coach", False), one)
        assert refused.code == "cautions_not_shown"
        assert (await one.start("coach")).code == "not_armed"
        await started(one)
        assert one.view().phase == "working"
        assert one.live is not None
        # The other lifter's session says that the rig is busy, and touches nothing.
        await until(lambda: "busy with somebody else's set" in other.obstacle)
        refusals = [await other.arm("coach", True), await other.stop("coach"), await other.release("coach")]
        assert [answer.code for answer in refusals] == ["rig_not_free", "not_armed", "not_armed"]
        await until(lambda: one.view().phase == "resting")
        assert other.view().phase == "ready"
        assert [(event.reason, event.repetitions, which.step) for event, which in ended] == [("repetitions_done", 1, 1)]
        # Now the other one's turn; the first one's rest goes on, and that set is none of its own.
        await started(other)
        await until(lambda: other.view().phase == "resting")
        assert one.view().step_number == 2
        assert 0.0 < one.view().rest_left_s < 90.0
        clock.ahead_s += 90.0
        await started(one)
        await until(lambda: one.view().phase == "over")
        other.skip()
        await until(lambda: other.view().phase == "over")
    events = read_events(first)
    nonces = [event.nonce for event in events if isinstance(event, Armed)]
    assert len(set(nonces)) == 2
    assert [event.nonce for event in events if isinstance(event, SetEnded)] == nonces
    assert [event.because for event in events if isinstance(event, SessionEnded)] == ["every set is done"]
    others = {event.nonce for event in read_events(second) if isinstance(event, Armed)}
    assert not others & set(nonces)
    estimated = [event for event in events if isinstance(event, SetEnded) and event.one_rm_n is not None]
    assert all((event.one_rm_low_n or 0) <= (event.one_rm_n or 0) <= (event.one_rm_high_n or 0) for event in estimated)


async def test_a_restarted_lead_stands_at_the_right_place_and_lets_go_of_its_arming(
    broker: Mosquitto, tmp_path: Path
) -> None:
    rig, clock, journal = "restart", Clock(), tmp_path / "a.journal.jsonl"
    of = two_sets(rig)
    async with (
        serving(settings_for(broker, tmp_path, rig)),
        hand_rig(broker.port, rig),
        operator(broker.port, rig) as watching,
    ):
        async with leading(of, journal, broker, clock) as lead:
            await armed(lead)
        async with leading(of, journal, broker, clock) as lead:
            assert lead.view().phase == "ready"
            assert lead.view().step_number == 1
            # Nothing but an unload is ever asked for without a person.
            await watching.until_state("ended", "idle")
            by_itself = [m["action"] for m in watching.of("ops/request") if m["operator"] == LEADER]
            assert by_itself == ["release"]
            await started(lead)
        # The set goes on without the lead, which hears of its end when it is there again.
        async with leading(of, journal, broker, clock) as lead:
            assert lead.view().phase in ("working", "resting")
            await until(lambda: lead.view().phase == "resting")
            assert lead.view().step_number == 2
            lead.end()
            await until(lambda: lead.view().phase == "over")
    events = read_events(journal)
    assert sum(isinstance(event, Resumed) for event in events) == 2
    assert events[-1] == SessionEnded(at_s=events[-1].at_s, because="ended by a person")


async def test_the_session_ends_with_its_minutes_and_stops_only_its_own_set(broker: Mosquitto, tmp_path: Path) -> None:
    rig, clock, journal = "minutes", Clock(), tmp_path / "a.journal.jsonl"
    of = plan(one_repetition(1, rig, repetitions=50), one_repetition(2, rig), minutes=5.0)
    async with (
        serving(settings_for(broker, tmp_path, rig)),
        hand_rig(broker.port, rig),
        leading(of, journal, broker, clock) as lead,
        operator(broker.port, rig) as watching,
    ):
        await armed(lead)
        clock.ahead_s += 230.0
        late = await lead.start("coach")
        assert late.code == "not_now"
        assert "arm it again" in late.message
        assert (await lead.release("coach")).accepted
        await until(lambda: lead.view().phase == "ready")
        order = lead.view().order
        assert order is not None
        assert order.stop.max_duration_s < 70.0
        await started(lead)
        await watching.until(lambda: watching.of("rig/frame")[-1]["applied_n"][0] > 100)
        clock.ahead_s += 70.0
        await until(lambda: lead.view().phase == "over")
        assert lead.view().ended_because == "the minutes are over"
        await watching.until_state("ended", "idle")
    ends = [event for event in read_events(journal) if isinstance(event, SetEnded)]
    assert [event.reason for event in ends] == ["release_requested", "stop_requested"]


async def test_without_a_broker_the_lead_says_so_and_keeps_trying(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "a.journal.jsonl")
    known = DayStrength(exercise="row", date="2026-11-01", one_rm_n=1, one_rm_low_n=1, one_rm_high_n=1)
    lead = SessionLead(
        two_sets("none"), journal, BrokerSettings(host="127.0.0.1", port=1), last_sets=(known,), now_s=Clock()
    )
    running = asyncio.create_task(lead.run())
    await until(lambda: lead.view().phase == "ready")
    assert "No connection to the broker at 127.0.0.1:1" in lead.obstacle
    assert (await lead.arm("coach", True)).code == "rig_not_free"
    lead.end()
    await running
    journal.close()
    begun = read_events(tmp_path / "a.journal.jsonl")[0]
    assert begun.kind == "begun"
    assert begun.last_sets == (known,)
