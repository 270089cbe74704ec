"""The shell as a whole: a file for each set, a full disk refused at arming, parts that die, an orderly end."""

from __future__ import annotations

import asyncio
import dataclasses
import json
import time
from pathlib import Path
from typing import Any

import paho.mqtt.publish as publish
import pytest
from structlog.testing import capture_logs

from ebbset.controller.link.inbox import BOUNDS, SLOW_US, Stream
from ebbset.controller.messages.actions import SendArm, SendLoad, StateChanged
from ebbset.controller.messages.events import GuardRefused, Requested, Tick
from ebbset.controller.messages.reasons import State
from ebbset.controller.recording.reader import read_recording
from ebbset.controller.recording.replay import Verdict, replay
from ebbset.controller.recording.writer import Recorder
from ebbset.controller.regulation.set_controller import SetController
from ebbset.controller.service import recording_rotation
from ebbset.controller.service.serve import Served
from ebbset.controller.service.shutdown import cancel_until_done
from ebbset.models.contract.problems import BadDocumentError
from tests.support.brokers import Mosquitto
from tests.support.kinematic_rig import POLICIES, profile_of
from tests.support.operators import PATIENCE_S, arm_and_start, armed, operator
from tests.support.served import hand_rig, serving, settings_for, until
from tests.support.sessions import PATIENT, auto_drop_order

pytestmark = pytest.mark.broker


def reproduced(path: Path) -> Any:
    recording = read_recording(path)
    report = replay(recording, POLICIES)
    assert report.verdict is Verdict.SAME, f"{path.name}: {report.difference} {report.notes}"
    return recording


async def test_each_set_has_a_file_of_its_own_that_replays(broker: Mosquitto, tmp_path: Path) -> None:
    rig = "two-sets"
    settings = settings_for(broker, tmp_path, rig)
    async with (
        serving(settings, facts={"study_hash": "abc"}) as served,
        hand_rig(broker.port, rig),
        operator(broker.port, rig) as person,
    ):
        await arm_and_start(person)
        await person.ask("stop")
        await person.until_state("ended")
        # A request that the core refuses begins no file.
        refused = await person.ask("arm", prescription=auto_drop_order(safety=PATIENT).model_dump(mode="json"))
        assert refused["code"] == "cautions_not_shown"
        order = auto_drop_order(safety=PATIENT).model_dump(mode="json")
        second = await person.ask("arm", cautions_shown=True, prescription=order)
        assert second["accepted"], second
        await person.ask("release")
        await person.until_state("ended")
    recordings = [reproduced(path) for path in served.recordings]
    armed = [
        [output.nonce for item in recording.handled for output in item.outputs if isinstance(output, SendArm)]
        for recording in recordings
    ]
    nonces = [nonce for file in armed for nonce in file]
    assert len(nonces) == len(set(nonces)) == 2
    assert all(len(file) <= 1 for file in armed)
    assert armed[-1] == [second["nonce"]]
    metadata = recordings[0].metadata
    # The monotonic clock that this machine's other programs read too, a while before now.
    assert 0.0 <= time.monotonic() - float(metadata["machine_clock_at_zero_s"]) < 3_600.0
    assert {"rig", "wall_clock_at_zero", "ebbset", "policy.fixed_fraction", "study_hash"} <= metadata.keys()
    assert "simulated" not in metadata, "the rig written by hand announces nothing of the kind"


async def test_prescription_and_profile_come_from_the_files_when_the_request_brings_none(
    broker: Mosquitto, tmp_path: Path
) -> None:
    rig = "own-files"
    (tmp_path / "set.toml").write_text(auto_drop_order(safety=PATIENT).to_toml())
    (tmp_path / "lifter.toml").write_text(profile_of("row").to_toml())
    settings = settings_for(broker, tmp_path, rig, prescription=tmp_path / "set.toml", profile=tmp_path / "lifter.toml")
    async with serving(settings) as served, hand_rig(broker.port, rig), operator(broker.port, rig) as person:
        await person.until_state("idle")
        await person.until(lambda: len(person.of("rig/frame")) > 3)
        assert (await person.ask("arm", cautions_shown=True))["accepted"]
        assert (await person.ask("release"))["accepted"]
        await person.until_state("ended")
        other = auto_drop_order(exercise="curl").model_dump(mode="json")
        answer = await person.ask("arm", cautions_shown=True, prescription=other)
        assert answer["accepted"], "a profile of another exercise in the files must not stand in its way"
    requests = [
        item.event
        for path in served.recordings
        for item in read_recording(path).handled
        if isinstance(item.event, Requested) and item.event.action == "arm"
    ]
    assert requests[0].prescription == auto_drop_order(safety=PATIENT)
    assert requests[0].profile == profile_of("row")
    assert requests[1].profile is None
    assert requests[0].fresh_nonce != requests[1].fresh_nonce


async def test_a_set_begins_as_tired_as_the_set_before_left_that_person_and_nobody_else(
    broker: Mosquitto, tmp_path: Path
) -> None:
    rig = "tired"
    prescription = auto_drop_order(safety=PATIENT)
    (tmp_path / "set.toml").write_text(prescription.to_toml())
    (tmp_path / "lifter.toml").write_text(profile_of("row").to_toml())
    settings = settings_for(broker, tmp_path, rig, prescription=tmp_path / "set.toml", profile=tmp_path / "lifter.toml")
    somebody_else = profile_of("row").model_copy(update={"lifter": "L2"}).model_dump(mode="json")
    async with serving(settings) as served, hand_rig(broker.port, rig), operator(broker.port, rig) as person:
        await person.until_state("idle")
        await person.until(lambda: len(person.of("rig/frame")) > 3)
        assert (await person.ask("arm", cautions_shown=True))["accepted"]
        assert (await person.ask("start"))["accepted"]
        await person.until(lambda: person.of("ctl/repetition"))
        await person.ask("stop")
        await person.until_state("ended")
        order = prescription.model_dump(mode="json")
        for members in ({}, {"prescription": order, "profile": somebody_else}):
            answer = await person.ask("arm", cautions_shown=True, **members)
            assert answer["accepted"], answer
            await person.ask("release")
            await person.until_state("ended")
    recordings = [reproduced(path) for path in served.recordings]
    armed = [
        item.event
        for recording in recordings
        for item in recording.handled
        if isinstance(item.event, Requested) and item.event.action == "arm"
    ]
    assert [request.earlier is not None for request in armed] == [False, True, False]
    earlier = armed[1].earlier
    assert earlier is not None
    assert (earlier.lifter, earlier.exercise) == (profile_of("row").lifter, "row")
    spent = [
        output.budget_spent
        for item in recordings[1].handled
        for output in item.outputs
        if isinstance(output, StateChanged) and output.state is State.ARMED
    ]
    assert spent
    assert spent[0] is not None
    assert 0.0 < spent[0] < 0.2
    first = profile_of("row").lifter
    assert not [item.event for item in recordings[2].handled if repr(first) in repr(item.event)]


async def test_a_recording_that_fails_mid_set_disturbs_nothing_and_the_next_arming_is_refused(
    broker: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = "full-disk"
    with capture_logs() as logs:
        async with (
            serving(settings_for(broker, tmp_path, rig)) as served,
            hand_rig(broker.port, rig) as seen,
            operator(broker.port, rig) as person,
        ):
            await arm_and_start(person)
            # Linux's /dev/full takes nothing: the disk is full from here on.
            served.rotation.recorder.close()
            served.rotation.recorder = Recorder(Path("/dev/full"), {})
            await person.until(lambda: len(person.of("ctl/repetition")) >= 1)
            assert person.of("ctl/state")[-1]["state"] == "working"
            assert served.rotation.recorder.failure is not None
            told = await person.until(
                lambda: next((m for m in person.of("ctl/state")[-1:] if m["recording_failure"]), None)
            )
            assert "No space left" in told["recording_failure"]
            await person.ask("stop")
            await person.until_state("ended")
            monkeypatch.setattr(recording_rotation, "LEAST_FREE_BYTES", 2**62)
            order = auto_drop_order(safety=PATIENT).model_dump(mode="json")
            refused = await person.ask("arm", cautions_shown=True, prescription=order)
            assert not refused["accepted"]
            assert refused["code"] == "recording_failed"
            assert "bytes are free" in refused["message"]
            monkeypatch.setattr(recording_rotation, "LEAST_FREE_BYTES", 1)
            assert (await person.ask("arm", cautions_shown=True, prescription=order))["accepted"]
            await person.ask("release")
            await person.until_state("ended")
            assert person.of("ctl/state")[-1]["recording_failure"] is None, "the new file is whole"
    assert [entry["event"] for entry in logs].count("recording_failed") == 1
    assert seen["refused"] == []
    assert seen["lease_expiries"] == 0
    reproduced(served.recordings[-1])


async def test_where_nothing_can_be_recorded_serving_does_not_begin(broker: Mosquitto, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file where the folder should be")
    with pytest.raises(BadDocumentError, match=r"recordings is .*taken.*; allowed: a folder that can be written"):
        Served(settings_for(broker, tmp_path, "taken"))


async def test_stopped_in_order_mid_set_it_ends_the_set_and_says_so(broker: Mosquitto, tmp_path: Path) -> None:
    rig = "orderly"
    async with hand_rig(broker.port, rig) as seen, operator(broker.port, rig) as person:
        async with serving(settings_for(broker, tmp_path, rig)) as served:
            await arm_and_start(person)
        await person.until_state("offline")
        [result] = person.of("ctl/result")
        assert result["reason"] == "stop_requested"
    assert seen["lease_expiries"] == 0, "unloaded and released, not timed out"
    assert not seen["bound"]
    reproduced(served.recordings[0])


@pytest.mark.parametrize("part", ["core", "ticker", "link"])
async def test_when_a_part_dies_the_rig_unloads_and_the_run_fails(
    broker: Mosquitto, tmp_path: Path, part: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = f"dying-{part}"

    def die(*_: Any, **__: Any) -> Any:
        raise RuntimeError("a defect")

    with capture_logs() as logs:
        async with hand_rig(broker.port, rig) as seen, operator(broker.port, rig) as person:
            async with serving(settings_for(broker, tmp_path, rig), expect=1) as served:
                await arm_and_start(person)
                if part == "core":
                    monkeypatch.setattr(served, "_handle_one", die)
                elif part == "ticker":
                    monkeypatch.setattr(served.inbox, "tick", die)
                else:
                    broken = served.link._broken  # noqa: SLF001 - no public way makes the link fail by a defect
                    assert broken is not None
                    broken.set_exception(RuntimeError("a defect"))
                await person.until(lambda: person.of("rig/frame")[-1]["applied_n"] == [0.0])
            await person.until_state("offline")
    died = [entry for entry in logs if entry["event"] == "part_died"]
    assert [entry["part"] for entry in died] == [part]
    assert "a defect" in died[0]["error"]
    assert seen["refused"] == []
    # The lease was not left to do it: the last command on the wire takes the load off.
    assert person.of("ctl/command")[-1]["kind"] == "unload"
    assert read_recording(served.recordings[0]).handled


async def test_a_stop_overtakes_a_flood_of_telemetry_that_came_while_the_core_was_busy(
    broker: Mosquitto, tmp_path: Path
) -> None:
    rig, flood = "flood", 100
    root = f"ebbset/v1/{rig}/"
    waiting: list[tuple[str, bytes, int, bool]] = []
    handled: list[Any] = []
    dropped: list[int] = []

    def busy(event: Any, _outputs: Any) -> None:
        handled.append(event)
        dropped.append(served.inbox.dropped["telemetry_full"])
        if waiting:
            handled.clear()
            dropped.clear()
            # Holds up the core, and with it the reading of its socket, until the broker has confirmed every message
            # in turn: the flood, and behind it the stop, are in the socket when the core goes on, however fast it is.
            publish.multiple([*waiting], port=broker.port)
            waiting.clear()

    async with (
        serving(settings_for(broker, tmp_path, rig), observer=busy) as served,
        hand_rig(broker.port, rig),
        operator(broker.port, rig) as person,
    ):
        await person.until(lambda: person.of("rig/frame"))
        frame = json.dumps(person.of("rig/frame")[-1]).encode()
        stop = {"correlation_id": "stop-in-a-flood", "action": "stop", "operator": "coach"}
        before = served.inbox.dropped["telemetry_full"]
        waiting += [(f"{root}rig/frame", frame, 1, False)] * flood
        waiting.append((f"{root}ops/request", json.dumps(stop).encode(), 1, False))
        [answer] = await person.until(
            lambda: [m for m in person.of("ctl/answer") if m["correlation_id"] == "stop-in-a-flood"]
        )
        assert answer["code"] == "already_stopped"
        first = handled[0]
        assert isinstance(first, Requested), f"{first} was handled before the stop"
        assert first.correlation_id == "stop-in-a-flood"
        # Of the flood no more waits than the mailbox takes; the rest was left out, and counted.
        assert dropped[0] - before >= flood - BOUNDS[Stream.TELEMETRY]


async def test_a_stop_voids_an_arming_that_was_asked_before_it_and_not_handled_yet(
    broker: Mosquitto, tmp_path: Path
) -> None:
    rig = "overtaken"
    root = f"ebbset/v1/{rig}/"
    waiting: list[tuple[str, bytes, int, bool]] = []

    def busy(_event: Any, _outputs: Any) -> None:
        if waiting:
            # The core is held up until the broker has confirmed them all, so that they wait for it at once, and for
            # longer than an event usually takes, however fast the machine: only then does it look for a stop first.
            publish.multiple([*waiting], port=broker.port)
            time.sleep(2.0 * SLOW_US / 1e6)
            waiting.clear()

    async with (
        serving(settings_for(broker, tmp_path, rig), observer=busy) as served,
        hand_rig(broker.port, rig),
        operator(broker.port, rig) as person,
    ):
        await person.until_state("idle")
        await person.until(lambda: len(person.of("rig/frame")) > 3)
        order = auto_drop_order(safety=PATIENT).model_dump(mode="json")
        ticket = person.of("ctl/state")[-1]["ticket"]
        arm = {"action": "arm", "ticket": ticket, "cautions_shown": True, "prescription": order}
        asked = [
            {"correlation_id": name, "operator": "coach", **what}
            for name, what in (("the-arming", arm), ("the-stop", {"action": "stop"}), ("the-arming", arm))
        ]
        waiting += [(f"{root}ops/request", json.dumps(request).encode(), 1, False) for request in asked]
        answers = await person.until(lambda: len(found := person.of("ctl/answer")) >= 3 and found)
        told = [(answer["correlation_id"], answer["accepted"], answer["code"]) for answer in answers]
        void = ("the-arming", False, "overtaken_by_stop")
        # A copy of the arming, sent after the stop, gets the answer of the first and does not act either.
        assert told == [void, ("the-stop", True, "already_stopped"), void]
        assert served.controller.state == "idle"
        # Whoever still wants the set asks anew.
        await armed(person, order)
        await person.ask("release")
        await person.until_state("ended")
    assert len(served.recordings) == 1
    reproduced(served.recordings[0])


async def test_an_observer_that_fails_ends_itself_and_not_the_set(broker: Mosquitto, tmp_path: Path) -> None:
    def fail(_event: Any, _outputs: Any) -> None:
        raise ValueError("no screen")

    with capture_logs() as logs:
        async with (
            serving(settings_for(broker, tmp_path, "observed"), observer=fail) as served,
            operator(broker.port, "observed") as person,
        ):
            await until(lambda: any(entry["event"] == "observer_failed" for entry in logs))
            # Asked after the failure, and still answered.
            assert (await person.ask("stop"))["code"] == "already_stopped"
            assert served.link.up
    assert [e["error"] for e in logs if e["event"] == "observer_failed"] == ["ValueError: no screen"]


async def test_ticks_come_at_absolute_times_and_slower_un_armed(broker: Mosquitto, tmp_path: Path) -> None:
    seen: list[int] = []

    def note(event: Any, _outputs: Any) -> None:
        if isinstance(event, Tick):
            seen.append(event.now_us)
            # Waits of 100 ms after each tick was handled would make ten periods last 1.3 s at least.
            time.sleep(0.03)

    async with serving(settings_for(broker, tmp_path, "ticks"), observer=note):
        # A loaded machine disturbs some stretches of ten periods, but not all.
        await until(lambda: any(abs(b - a - 1_000_000) < 100_000 for a, b in zip(seen, seen[10:], strict=False)), 60.0)


async def test_a_command_that_breaks_the_contract_is_not_sent_and_ends_the_set_as_a_defect(
    broker: Mosquitto, tmp_path: Path
) -> None:
    rig = "defect"

    class Spoilt(SetController):
        __slots__ = ()

        def handle(self, event: Any) -> Any:
            outputs = super().handle(event)
            return tuple(
                dataclasses.replace(o, target_n=(float("nan"),)) if isinstance(o, SendLoad) else o for o in outputs
            )

    async with (
        hand_rig(broker.port, rig) as seen,
        operator(broker.port, rig) as person,
        serving(settings_for(broker, tmp_path, rig)) as served,
    ):
        served.controller = Spoilt(served.policies)
        await person.until_state("idle")
        await person.until(lambda: len(person.of("rig/frame")) > 3)
        order = auto_drop_order(safety=PATIENT).model_dump(mode="json")
        assert (await person.ask("arm", cautions_shown=True, prescription=order))["accepted"]
        await person.until(lambda: person.of("rig/ack"))
        await person.ask("start")
        [result] = await person.until(lambda: person.of("ctl/result"))
        assert result["reason"] == "guard_refused"
        assert result["guard_refusals"] == 1
        await person.until_state("ended")
        kinds = [command["kind"] for command in person.of("ctl/command")]
    assert "load" not in kinds
    assert kinds[-1] == "release"
    assert seen["targets_n"] == []
    events = [item.event for item in read_recording(served.recordings[0]).handled]
    [refusal] = [event for event in events if isinstance(event, GuardRefused)]
    assert refusal.rule == "wire_contract"
    assert "target_n[0] is nan" in refusal.detail


async def test_a_part_that_takes_a_cancellation_for_something_else_is_cancelled_again() -> None:
    told = 0

    async def deaf() -> None:
        nonlocal told
        while told < 2:
            try:
                await asyncio.sleep(60)
            except asyncio.CancelledError:
                told += 1

    task = asyncio.create_task(deaf())
    await asyncio.sleep(0)
    await asyncio.wait_for(cancel_until_done([task]), PATIENCE_S)
    assert task.done()
    assert told == 2
