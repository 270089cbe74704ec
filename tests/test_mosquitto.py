"""Whole sets over a real Mosquitto, with rigs that were written from the published contract alone."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from brokers import Mosquitto
from kinematic_rig import POLICIES
from operators import operator
from served import HERE, hand_rig, serving, settings_for
from sessions import auto_drop_order

from ebbset.controller.recording import read_recording
from ebbset.controller.replay import Verdict, replay

pytestmark = pytest.mark.broker


def test_the_hand_written_rig_knows_nothing_of_the_project() -> None:
    for name in ("hand_rig.py", "plain_lifter.py"):
        text = (HERE / name).read_text()
        imports = [line for line in text.splitlines() if line.startswith(("import ", "from "))]
        assert imports
        assert not any("ebbset" in line for line in imports)


async def a_whole_set(broker: Mosquitto, folder: Path, rig: str, telemetry: str, protocol: str) -> None:
    order = auto_drop_order(
        load={"start_n": 400.0, "floor_n": 150.0, "ramp_n_per_s": 400.0}, stop={"max_drops": 2, "max_repetitions": 30}
    )
    settings = settings_for(broker, folder, rig, protocol)
    async with serving(settings) as served, operator(broker.port, rig) as person:
        async with hand_rig(broker.port, rig, telemetry, protocol) as seen:
            await person.until_state("idle")
            await person.until(lambda: telemetry == "repetitions" or len(person.of("rig/frame")) > 3)
            refused = await person.ask("arm", prescription=order.model_dump(mode="json"))
            assert refused["code"] == "cautions_not_shown"
            armed = await person.ask("arm", cautions_shown=True, prescription=order.model_dump(mode="json"))
            assert armed["accepted"], armed
            await person.until(lambda: person.of("rig/ack"))
            started = await person.ask("start")
            assert started["accepted"], started
            await person.until(lambda: person.of("ctl/result"), timeout_s=60)
            await person.until_state("ended")
        [result] = person.of("ctl/result")
        drops = [d for d in person.of("ctl/decision") if d["action"] == "drop"]
        reports = person.of("ctl/repetition")
    assert result["reason"] == "drops_spent", result
    assert result["drops"] == len(drops) == 2
    # The rig's own notes: every load was one the contract allows, each drop a quarter off, and the end is unloaded.
    assert seen["refused"] == []
    assert seen["targets_n"] == pytest.approx([400.0, 300.0, 225.0])
    assert seen["applied_n"] == 0.0
    assert not seen["bound"]
    assert seen["retained_commands"] == 0
    if protocol == "5":
        assert seen["v5_user_properties"]
        assert seen["v5_expiry_s"] == 1
    # Drops rest on what the lifter did: stalls, each at a load above what the lifter could then lift.
    stalls = {"stall_in_concentric", "stall_foreseen", "reversal", "failed_start", "reported_failure"}
    assert {d["reason"] for d in drops} <= stalls
    completed = [r for r in reports if r["outcome"] == "completed"]
    assert len(completed) == result["repetitions"] >= 2
    assert abs(len(completed) - seen["outcomes"].count("completed")) <= 1
    # One set, one file, and it replays to the last bit.
    [path] = served.recordings
    recording = read_recording(path)
    assert recording.whole
    report = replay(recording, POLICIES)
    assert report.verdict is Verdict.SAME, str(report.difference)


async def test_hand_written_rigs_are_regulated_with_frames_and_with_summaries_alone(
    broker: Mosquitto, tmp_path: Path
) -> None:
    """Frames on 3.1.1 and on 5, summaries on 5 and on 3.1.1, at the same time over one broker."""
    async with asyncio.TaskGroup() as group:
        group.create_task(a_whole_set(broker, tmp_path, "hand-f3", "frames", "3.1.1"))
        group.create_task(a_whole_set(broker, tmp_path, "hand-f5", "frames", "5"))
        group.create_task(a_whole_set(broker, tmp_path, "hand-r3", "repetitions", "3.1.1"))
        group.create_task(a_whole_set(broker, tmp_path, "hand-r5", "repetitions", "5"))
