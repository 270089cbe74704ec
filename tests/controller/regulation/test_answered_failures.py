"""One failed repetition leads to one drop, and a load on its way down is given the time that its way takes."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from ebbset.controller.messages.reasons import Reason, State
from tests.support.kinematic_rig import KinematicRig
from tests.support.regulated import begun, order, state_of

Moves = list[tuple[float, tuple[float, ...]]]
FAILED_ATTEMPT: Moves = [
    *((seconds, (velocity,)) for seconds, velocity in ((0.4, 0.5), (0.15, 0.35), (0.15, 0.22), (0.15, 0.12))),
    (0.28, (0.02,)),
    (0.9, (-0.35,)),
    (0.1, (0.0,)),
]
"""Runs out of strength instead of braking, which would be a partial repetition, and comes down again."""


@dataclass
class ScriptedRig(KinematicRig):
    """After it was taken its handles do what a script says: so many seconds at these velocities."""

    def play(self, moves: Moves) -> None:
        self.phase = "scripted"
        self.moves = list(moves)
        while self.moves and state_of(self) is State.WORKING:
            self.frame()

    def step(self, dt: float) -> None:
        super().step(dt)
        if self.phase != "scripted" or not self.moves:
            return
        seconds, self.v[:] = self.moves[0]
        self.x = [max(x + v * dt, 0.05) for x, v in zip(self.x, self.v, strict=True)]
        self.moves[0] = (seconds - dt, self.moves[0][1])
        if seconds <= dt:
            self.moves.pop(0)


def scripted(cables: int, **sections: dict[str, object]) -> ScriptedRig:
    stall = {"rule": "dwell", "dwell_s": 0.35}
    rig = ScriptedRig(order(**{"stall": stall, **sections}), cables=cables)
    rig.begin()
    rig.resting = True
    rig.run(20 if rig.prescription.load.ramp_n_per_s < 100 else 3)
    return rig


def both(velocity_m_s: float, cables: int) -> tuple[float, ...]:
    return (velocity_m_s,) * cables


def whole(cables: int) -> Moves:
    return [
        (0.3, both(0.0, cables)),
        (1.0, both(0.5, cables)),
        (0.3, both(0.0, cables)),
        (1.25, both(-0.4, cables)),
        (0.3, both(0.0, cables)),
    ]


def test_the_turn_of_the_other_of_two_coupled_cables_is_no_second_failure() -> None:
    rig = scripted(2)
    rig.play(2 * whole(2) + [(0.5, (0.5, 0.5)), (0.9, (0.0, 0.08)), (0.8, (-0.3, -0.3)), (0.5, (0.0, 0.0))])
    assert [decision.to_n for decision in rig.decisions("drop")] == [(300.0, 300.0)]
    assert state_of(rig) is State.WORKING


def test_with_independent_cables_it_is_a_failure_of_its_own() -> None:
    rig = scripted(2, load={"cables": "independent"})
    rig.play(2 * whole(2) + [(0.5, (0.5, 0.5)), (0.9, (0.0, 0.08)), (0.8, (-0.3, -0.3)), (0.5, (0.0, 0.0))])
    assert [decision.cable for decision in rig.decisions("drop")] == [0, 1]


def test_turning_back_again_while_a_slow_ramp_takes_the_load_down_drops_once() -> None:
    rig = scripted(1, load={"ramp_n_per_s": 20.0})
    rig.play(2 * whole(1) + 3 * FAILED_ATTEMPT)
    drops = rig.decisions("drop")
    assert [decision.reason for decision in drops] == [Reason.REVERSAL]
    assert state_of(rig) is State.WORKING


@pytest.mark.parametrize("late_s", [0.0, 2.0])
def test_a_rig_whose_load_is_still_on_its_way_down_is_not_said_to_disagree(late_s: float) -> None:
    """A second drop before the first was reached: the load has further to go than the difference of the targets."""
    rig = scripted(1, load={"ramp_n_per_s": 40.0})
    rig.play(2 * whole(1) + FAILED_ATTEMPT)
    assert len(rig.decisions("drop")) == 1
    rig.ramp = 0.0
    rig.play([(2.6, (0.0,))])
    rig.play(FAILED_ATTEMPT)
    assert len(rig.decisions("drop")) == 2
    rig.ramp = 40.0
    rig.play([(late_s + 0.5, (0.0,))])
    assert state_of(rig) is State.WORKING


def test_a_small_drop_on_one_side_leaves_the_other_its_own_time() -> None:
    rig = begun(order(load={"cables": "independent", "ramp_n_per_s": 100.0}, stop={"max_pause_s": 60.0}), cables=2)
    rig.run(6.0)
    armed = rig.controller._regulator._at.armed  # type: ignore[union-attr]  # noqa: SLF001 - two drops at one moment
    armed.drop(0, 200.0, t_us=rig.rig_us, now_us=rig.now_us, applied_n=(400.0, 400.0))
    rig.enter("held")
    rig.target = [200.0, 400.0]
    rig.run(0.1)
    armed.drop(1, 390.0, t_us=rig.rig_us, now_us=rig.now_us, applied_n=(390.0, 400.0))
    rig.target = [200.0, 390.0]
    rig.run(1.5)
    assert state_of(rig) is State.WORKING
    rig.run(2.0)
    assert state_of(rig) is State.WORKING
    assert rig.applied == [200.0, 390.0]
