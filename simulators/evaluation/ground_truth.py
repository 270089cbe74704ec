"""Sets whose truth is known: every attempt is branched, so that it is known whether it would have come through.

What lives here: the simulator run without a controller, with drops placed by someone who sees the future, and the clean
traces that this gives. What never does: detectors, estimates, scores. A stall is an attempt that the branch without a
drop never brings through; motion has ended for good at the last instant at which the handle of that branch was as
fast as the stall velocity.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from ebbset.models.contract.prescription import StallSection
from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.behaviour import mean_capacity
from ebbset.simulators.lifter.exercises import EXERCISES, exercise
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.population.population import draw_lifter, on_day, one_rm_n
from ebbset.simulators.rig.plant import Plant
from ebbset.simulators.rig.rig_parameters import RigParameters

FloatArray = npt.NDArray[np.float64]
Behaviour = Literal[
    "maximal",
    "sticking_region",
    "deliberate_pause",
    "talk",
    "rest_at_bottom",
    "submaximal",
    "reserve",
    "partial",
    "jerking",
    "release",
]
BEHAVIOURS: Final[tuple[Behaviour, ...]] = (
    "maximal",
    "sticking_region",
    "deliberate_pause",
    "talk",
    "rest_at_bottom",
    "submaximal",
    "reserve",
    "partial",
    "jerking",
    "release",
)
RIG: Final = RigParameters(max_load_n=6000.0)
STILL_M_S: Final = 0.05
RAMP_N_PER_S: Final = 400.0
LONGEST_SET_S: Final = 100.0
MOST_DROPS: Final = 3
RUNAWAY_M_S: Final = -StallSection().release_velocity_m_s


@dataclass(frozen=True, slots=True)
class Attempt:
    """One stretch of effort at one load, from the start of an ascent (or a drop in it) to its end.

    Attributes:
        start_s: the lifter begins to push.
        end_s: through, given in, or dropped.
        stalled: the branch without a drop never comes through.
        motion_ended_s: stalled: last instant with the handle as fast as ``STILL_M_S`` (the start, if it never was).
        gave_in_s: stalled: when the branch gives in.
        slowest_m_s: lowest true velocity of the branch between 8 and 90 % of the range before it ended.
        load_n: load.
        end_share: position at its end, share of the range.
        continued: it goes on after a drop in mid-ascent.
    """

    start_s: float
    end_s: float
    stalled: bool
    motion_ended_s: float
    gave_in_s: float
    slowest_m_s: float
    load_n: float
    end_share: float
    continued: bool


@dataclass(frozen=True, slots=True)
class TrueSet:
    """One simulated set at 1 kHz without any sensor, and what happened in it.

    Attributes:
        behaviour: how the lifter behaved.
        lifter: who.
        one_rm_n: fresh 1RM on this rig.
        t_s: shape (n,), time of each sample.
        position_m: shape (n,).
        velocity_m_s: shape (n,).
        tension_n: shape (n,).
        applied_n: shape (n,), load that the rig was commanded to.
        docked: shape (n,).
        capacity: shape (n // 5,), true share of fresh capacity left at every fifth sample.
        attempts: oldest first.
        drops: (time, new load, seconds until it has settled).
        released_s: when the handle was let go, if it was.
        loose_s: from when it was loose: let go, or faster toward the rig than anybody lowers it, if it ever was.
    """

    behaviour: Behaviour
    lifter: LifterParameters
    one_rm_n: float
    t_s: FloatArray
    position_m: FloatArray
    velocity_m_s: FloatArray
    tension_n: FloatArray
    applied_n: FloatArray
    docked: npt.NDArray[np.bool_]
    capacity: FloatArray
    attempts: tuple[Attempt, ...]
    drops: tuple[tuple[float, float, float], ...]
    released_s: float | None
    loose_s: float | None


def behave(lifter: LifterParameters, behaviour: Behaviour, rng: np.random.Generator) -> LifterParameters:
    """The same person behaving in a certain way."""
    changes: dict[str, float | int | str] = {"give_in": "slow_lowering"}
    if behaviour == "talk":
        changes |= {"talk_after_reps": int(rng.integers(1, 4)), "talk_s": float(rng.uniform(3.0, 20.0))}
    elif behaviour == "rest_at_bottom":
        changes |= {"pause_bottom_s": float(rng.uniform(0.8, 2.5)), "pause_growth": 1.0}
    elif behaviour == "submaximal":
        changes |= {"concentric_velocity_m_s": float(rng.uniform(0.2, 0.5))}
    elif behaviour == "reserve":
        changes |= {"reserve_held": float(rng.uniform(0.08, 0.3))}
    elif behaviour == "partial":
        changes |= {"partial_tendency": float(rng.uniform(0.5, 1.0))}
    elif behaviour == "jerking":
        changes |= {"jerk": float(rng.uniform(0.05, 0.15))}
    elif behaviour == "release":
        changes |= {"give_in": "sudden_release"}
    return replace(lifter, **changes)  # type: ignore[arg-type]


def _branch(plant: Plant, pause: Pause | None) -> tuple[bool, float, float, float]:
    """Run a copy to the end of its ascent; came through, motion ended, ascent ended, slowest."""
    fork = plant.fork()
    out = np.zeros((5, 1, 4))
    began_s = moved_s = fork.time_s
    slowest = math.inf
    start, rom = fork.lifter.start_m, fork.lifter.rom_m
    pause = None if pause is None else replace(pause)
    while fork.phase == lay.Phase.CONCENTRIC and fork.time_s < began_s + 60.0:
        if pause is not None:
            pause.apply(fork)
        fork.run_frame(5, 1, out)
        for t, x, v, _ in out[:, 0]:
            if v >= STILL_M_S and x > start - 0.02:
                moved_s = t
            if 0.08 * rom < x - start < 0.9 * rom and v < slowest:
                slowest = v
    through = fork.phase in (lay.Phase.TOP, lay.Phase.TALKING)
    return through, moved_s, fork.time_s, slowest


@dataclass(slots=True)
class Pause:
    """A pause on purpose in mid-ascent: the lifter holds the handle where it is and then goes on."""

    at_share: float
    seconds: float
    until_s: float = -1.0
    over: bool = False

    def apply(self, plant: Plant) -> None:
        """Before each frame of an ascent; aims the lifter at the place where he pauses."""
        if self.over:
            return
        row, g = plant.state.cables[0], plant.state.lifter
        x = float(row[lay.C_X])
        if self.until_s < 0.0:
            brake = float(row[lay.C_V]) ** 2 / 18.0
            if x + brake - plant.lifter.start_m >= self.at_share * plant.lifter.rom_m and row[lay.C_V] > 0.05:
                self.until_s = plant.time_s + self.seconds
                row[lay.C_GOAL] = x + brake
        elif plant.time_s >= self.until_s:
            row[lay.C_GOAL] = g[lay.G_TOP_GOAL]
            self.over = True
        if not self.over and self.until_s >= 0.0:
            g[lay.G_GRIND] = 0.0


def _loose_s(t_s: FloatArray, velocity_m_s: FloatArray, let_go_s: float | None) -> float | None:
    """A load may overwhelm a lifter before the hands open, and one who has done enough may drop the handle."""
    runs = np.flatnonzero(velocity_m_s < RUNAWAY_M_S)
    if not len(runs):
        return let_go_s
    ran_s = float(t_s[runs[0]])
    return ran_s if let_go_s is None else min(let_go_s, ran_s)


def true_set(rng: np.random.Generator, behaviour: Behaviour, exercise_name: str | None = None) -> TrueSet:
    """Draw a person, a load and a set, run it and branch every attempt."""
    name = exercise_name or EXERCISES[int(rng.integers(len(EXERCISES)))]
    lifter = behave(on_day(draw_lifter(exercise(name), rng), rng), behaviour, rng)
    best_n = one_rm_n(lifter, RIG)
    part = float(rng.uniform(0.86, 0.97) if behaviour == "sticking_region" else rng.uniform(0.6, 0.92))
    load_n = part * best_n
    plant = Plant(RIG, lifter, rng)
    # as a set begins on a rig: the load rises while the handle is docked, and is taken up from there
    plant.command((load_n,), 2000.0)
    ready_s = load_n / 2000.0 + 0.5
    begun = False
    rows: list[FloatArray] = []
    applied: list[float] = []
    docked: list[bool] = []
    capacity: list[float] = []
    attempts: list[Attempt] = []
    drops: list[tuple[float, float, float]] = []
    out = np.zeros((5, 1, 4))
    phase = plant.phase
    judged: tuple[bool, float, float, float] | None = None
    began_s = drop_s = 0.0
    continued = False
    released_s: float | None = None
    pause: Pause | None = None

    def share() -> float:
        return float((plant.state.cables[0, lay.C_X] - lifter.start_m) / lifter.rom_m)

    def close(end_s: float) -> None:
        if judged is not None:
            through, moved_s, ended_s, slowest = judged
            attempts.append(Attempt(began_s, end_s, not through, moved_s, ended_s, slowest, load_n, share(), continued))

    while not plant.done and plant.time_s < LONGEST_SET_S and len(attempts) < 40:
        if not begun and plant.time_s >= ready_s:
            begun = True
            plant.start()
        if pause is not None and phase == lay.Phase.CONCENTRIC:
            pause.apply(plant)
        plant.run_frame(5, 1, out)
        rows.append(out[:, 0].copy())
        applied.append(plant.applied_n[0])
        docked.append(plant.docked)
        capacity.append(float(mean_capacity(plant.state.parameters, plant.state.cables)))
        before, phase = phase, plant.phase
        now_s = plant.time_s
        if phase == lay.Phase.CONCENTRIC and before != lay.Phase.CONCENTRIC:
            pause = None
            if behaviour == "deliberate_pause" and rng.random() < 0.6:
                pause = Pause(float(rng.uniform(0.15, 0.7)), float(rng.uniform(0.4, 1.5)))
            began_s, continued = now_s, False
            judged = _branch(plant, pause)
            # somebody who sees the future drops in mid-grind, or only after the lifter has given in
            drop_s = judged[1] + float(rng.uniform(0.5, 1.2)) if rng.random() < 0.5 else judged[2] + 0.3
        elif before == lay.Phase.CONCENTRIC and phase != lay.Phase.CONCENTRIC:
            close(now_s)
            if phase == lay.Phase.RELEASED:
                released_s = now_s
                judged = None
            elif judged is not None and not judged[0]:
                drop_s = max(drop_s, now_s + 0.3)
            else:
                judged = None
        if judged is not None and not judged[0] and now_s >= drop_s and len(drops) < MOST_DROPS:
            lower_n = load_n * float(rng.uniform(0.7, 0.92))
            settle_s = (load_n - lower_n) / RAMP_N_PER_S + 0.15
            if phase == lay.Phase.CONCENTRIC:
                close(now_s)
            load_n = lower_n
            plant.command((load_n,), RAMP_N_PER_S)
            drops.append((now_s, load_n, settle_s))
            began_s, continued = now_s, True
            judged = _branch(plant, None) if phase == lay.Phase.CONCENTRIC else None
            drop_s = judged[1] + float(rng.uniform(0.6, 1.2)) if judged is not None else math.inf
    for _ in range(200):
        if released_s is None or plant.docked:
            break
        plant.run_frame(5, 1, out)
        rows.append(out[:, 0].copy())
        applied.append(plant.applied_n[0])
        docked.append(plant.docked)
        capacity.append(float(mean_capacity(plant.state.parameters, plant.state.cables)))
    data = np.concatenate(rows)
    return TrueSet(
        behaviour=behaviour,
        lifter=lifter,
        one_rm_n=best_n,
        t_s=data[:, 0],
        position_m=data[:, 1],
        velocity_m_s=data[:, 2],
        tension_n=data[:, 3],
        applied_n=np.repeat(applied, 5),
        docked=np.repeat(docked, 5),
        capacity=np.array(capacity),
        attempts=tuple(attempts),
        drops=tuple(drops),
        released_s=released_s,
        loose_s=_loose_s(data[:, 0], data[:, 2], released_s),
    )
