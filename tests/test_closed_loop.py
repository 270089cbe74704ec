"""Whole sets in memory: lifter, rig and the real controller. What must stay true stays true, bit for bit."""

from __future__ import annotations

import pytest

from ebbset.controller.reasons import State
from ebbset.models.prescription import Prescription
from ebbset.simulators.closed_loop import LoopSettings, SetNotRunError, SimulatedSet, run_set
from ebbset.simulators.exercises import exercise
from ebbset.simulators.lifter import LifterParameters
from ebbset.simulators.population import draw_lifter, one_rm_n, person_rng
from ebbset.simulators.rig_parameters import RigParameters

RIG = RigParameters()


def person(number: int, name: str = "row") -> LifterParameters:
    return draw_lifter(exercise(name), person_rng(11, number), fatigue_model="3cc_r")


def ordered(lifter: LifterParameters, share: float = 0.75, **changes: object) -> Prescription:
    one_rm = one_rm_n(lifter, RIG)
    return Prescription.model_validate(
        {
            "name": "Simulated",
            "exercise": lifter.exercise,
            "load": {"start_n": share * one_rm, "floor_n": 0.35 * one_rm},
            **changes,
        }
    )


def run(lifter: LifterParameters, prescription: Prescription, **more: object) -> SimulatedSet:
    outcome = run_set(prescription, lifter, RIG, settings=LoopSettings(check_replay=True), **{"seed": 3, **more})  # type: ignore[arg-type]
    assert outcome.violations == []
    return outcome


def test_a_set_regulates_itself_to_a_named_end() -> None:
    lifter = person(0)
    outcome = run(lifter, ordered(lifter))
    assert outcome.state is State.ENDED
    assert outcome.result is not None
    assert outcome.loads[-1][1] == (0.0,)


def test_a_refused_arming_is_told() -> None:
    lifter = person(0)
    with pytest.raises(SetNotRunError, match=r"arm refused: .*start_n.*allowed"):
        run_set(
            ordered(lifter).model_copy(update={"load": ordered(lifter).load.model_copy(update={"start_n": 4_000.0})}),
            lifter,
            RIG,
            seed=1,
        )
