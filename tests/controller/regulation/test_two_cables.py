"""Two cables over a real Mosquitto with one weaker arm: drops as prescribed, and the left-right rule.

The rig is the virtual one, in real time as far as the machine runs this process: rig and controller read one clock,
which stands still while neither is run. Nothing about when or on which side its lifter stalls is scripted.
"""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from ebbset.controller.link.settings import BrokerSettings
from ebbset.controller.recording.reader import read_recording
from ebbset.controller.recording.replay import Verdict, replay
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.population import draw_lifter, person_rng
from ebbset.simulators.population.strength_test import one_rm_n
from ebbset.simulators.rig.virtual_rig import VirtualRig, VirtualRigSettings
from tests.support.brokers import Mosquitto
from tests.support.kinematic_rig import POLICIES
from tests.support.operators import armed, operator
from tests.support.served import serving, settings_for
from tests.support.sessions import PATIENT, PATIENT_STOP, auto_drop_order
from tests.support.unhurried_clock import UnhurriedClock

pytestmark = [pytest.mark.broker, pytest.mark.usefixtures("compiled_rig")]
RIG = RigParameters(n_cables=2)
UNEVEN = replace(draw_lifter(exercise("row"), person_rng(11, 0), fatigue_model="3cc_r"), asymmetry=0.15)
STALLS = {"stall_in_concentric", "stall_foreseen", "reversal", "failed_start"}


def has_dropped(decisions: list[dict[str, Any]]) -> bool:
    return any(d["action"] == "drop" for d in decisions)


def the_drop(result: dict[str, Any], decisions: list[dict[str, Any]]) -> dict[str, Any]:
    drops = [d for d in decisions if d["action"] == "drop"]
    assert len(drops) == 1, (result["reason"], decisions[-1])
    assert drops[0]["reason"] in STALLS
    return drops[0]


async def a_set(
    broker: Mosquitto, folder: Path, rig: str, cables: str, share: float, **stop: Any
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    start_n = share * one_rm_n(UNEVEN, RIG)
    order = auto_drop_order(
        exercise="row",
        safety=PATIENT,
        load={"start_n": start_n, "floor_n": 0.3 * start_n, "ramp_n_per_s": 900.0, "cables": cables},
        stop={"max_duration_s": 40.0, **PATIENT_STOP, **stop},
    )
    where = BrokerSettings.model_validate({"host": "127.0.0.1", "port": broker.port})
    rig_settings = VirtualRigSettings(rig=rig, lifter=UNEVEN, broker=where, parameters=RIG, ready_after_s=0.3)
    clock = UnhurriedClock()
    virtual = VirtualRig(rig_settings, clock_s=clock)
    stopped = asyncio.Event()
    running = asyncio.create_task(virtual.run(stopped))
    try:
        async with (
            serving(settings_for(broker, folder, rig), clock_s=clock) as served,
            operator(broker.port, rig) as person,
        ):
            await person.until_state("idle")
            await person.until(lambda: len(person.of("rig/frame")) > 3)
            await armed(person, order.model_dump(mode="json"))
            await person.until(lambda: person.of("rig/ack"))
            started = await person.ask("start")
            assert started["accepted"], started
            await person.until(lambda: has_dropped(person.of("ctl/decision")) or person.of("ctl/result"))
            if has_dropped(person.of("ctl/decision")):
                assert (await person.ask("stop"))["accepted"]
            [result] = await person.until(lambda: person.of("ctl/result"))
            await person.until_state("ended")
            decisions = person.of("ctl/decision")
    finally:
        stopped.set()
        await running
    recording = read_recording(served.recordings[0])
    assert replay(recording, POLICIES).verdict is Verdict.SAME
    return result, decisions


async def test_drops_stay_coupled_or_independent_and_the_left_right_rule_stops_the_set(
    broker: Mosquitto, tmp_path: Path
) -> None:
    coupled, alone, (result, decisions) = await asyncio.gather(
        a_set(broker, tmp_path, "coupled", "coupled", 0.85),
        a_set(broker, tmp_path, "alone", "independent", 0.85),
        a_set(broker, tmp_path, "sides", "independent", 0.75, max_left_right_difference=0.1, left_right_strikes=1),
    )
    drop = the_drop(*coupled)
    assert drop["to_n"] == pytest.approx([0.75 * load_n for load_n in drop["from_n"]], abs=0.1)
    drop = the_drop(*alone)
    other = 1 - drop["cable"]
    assert drop["to_n"][other] == drop["from_n"][other]
    assert drop["to_n"][drop["cable"]] == pytest.approx(0.75 * drop["from_n"][drop["cable"]], abs=0.1)
    assert drop["cable"] == 1, "the first cable is the stronger left arm's"
    assert result["reason"] == "left_right_difference", (result, decisions)
    told = {q["name"]: q["value"] for q in decisions[-1]["inputs"]}
    assert max(told["rom_difference"], told["velocity_difference"]) > 0.1
    for each, _ in (coupled, alone, (result, decisions)):
        assert each["guard_refusals"] == 0
