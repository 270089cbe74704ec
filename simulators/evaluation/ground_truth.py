"""Sets with known truth: every attempt is branched, to find out whether it would have been completed.

The simulator runs without a controller, drops are placed by someone who sees the future, and the traces are free of
noise. Such a drop may come before the lifter would have given in, so how the attempt would have gone on without it is
kept beside the set: nobody is judged late for a drop that somebody else made. A stall is an attempt that does not come
through in the branch without a drop; motion has ended for good at the last instant at which the handle of that branch
was as fast as the stall velocity. No detector or estimate is known here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from ebbset.models.contract.prescription import StallSection
from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.plant_base import PlantBase
from ebbset.simulators.plant.rig_parameters import strong_rig
from ebbset.simulators.population.families import COMPILED, AnyLifter, family, plant_for
from ebbset.simulators.population.strength_test import lift_once, one_rm_n

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
    "as_drawn",
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
OWN_BEHAVIOURS: Final = tuple(one for one in BEHAVIOURS if one != "as_drawn")
"""What the compiled lifter can be told to do; every other lifter behaves as it was drawn."""
RIG: Final = strong_rig(8000.0)
"""Strong enough for anybody, with a motor and a drum to match."""
TEST_PARTS: Final = (0.45, 0.6, 0.75, 0.85, 0.92)
STILL_M_S: Final = 0.05
RAMP_N_PER_S: Final = 400.0
LONGEST_SET_S: Final = 100.0
MOST_DROPS: Final = 3
LONGEST_UNAIDED_S: Final = 10.0
RUNAWAY_M_S: Final = -StallSection().release_velocity_m_s


@dataclass(frozen=True, slots=True)
class Attempt:
    """One stretch of effort at one load, from the start of an ascent (or a drop in it) to its end.

    Attributes:
        start_s: the lifter begins to push.
        end_s: through, given in, or dropped.
        stalled: the branch without a drop never comes through.
        motion_ended_s: stalled: last instant with the handle as fast as ``STILL_M_S`` (the start, if it never was).
        failed_s: stalled: when the lifter of the branch gives up, seconds.
        slowest_m_s: lowest true velocity of the branch between 8 and 90 % of the range before it ended.
        load_n: load.
        end_share: position at its end, share of the range.
        continued: it goes on after a drop in mid-ascent.
    """

    start_s: float
    end_s: float
    stalled: bool
    motion_ended_s: float
    failed_s: float
    slowest_m_s: float
    load_n: float
    end_share: float
    continued: bool


@dataclass(frozen=True, slots=True)
class Unaided:
    """How a stalled attempt goes on in the branch without the drop that ended it in mid-ascent.

    Attributes:
        attempt: its number in the set.
        drop: number of the drop.
        samples: shape (n, 4), at 1 kHz from the drop until the lifter gives in: t_s, position_m, velocity_m_s,
            tension_n; the load stays what it was.
    """

    attempt: int
    drop: int
    samples: FloatArray


@dataclass(frozen=True, slots=True)
class TrueSet:
    """One simulated set at 1 kHz without any sensor, and what happened in it.

    Attributes:
        behaviour: how the lifter behaved; "as_drawn" when the family decides.
        family: where the lifter comes from.
        exercise: what was lifted.
        one_rm_n: fresh 1RM on this rig.
        tested_m_s: (load over 1RM, mean velocity) of single fresh attempts at ``TEST_PARTS`` that came through.
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
        unaided: oldest first.
    """

    behaviour: Behaviour
    family: str
    exercise: str
    one_rm_n: float
    tested_m_s: tuple[tuple[float, float], ...]
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
    unaided: tuple[Unaided, ...] = ()


def behave(lifter: LifterParameters, behaviour: Behaviour, rng: np.random.Generator) -> LifterParameters:
    """The same person behaving in a certain way.

    Args:
        lifter: the person.
        behaviour: the way.
        rng: draws how strongly it shows.
    """
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


@dataclass(frozen=True, slots=True)
class _Branch:
    """How an ascent would go on without a drop.

    Attributes:
        through: it comes through.
        motion_ended_s: last instant with the handle as fast as ``STILL_M_S``.
        ended_s: end of the ascent.
        slowest_m_s: lowest velocity between 8 and 90 % of the range.
    """

    through: bool
    motion_ended_s: float
    ended_s: float
    slowest_m_s: float


def _branch(plant: PlantBase, pause: Pause | None) -> _Branch:
    """Run a copy of the plant to the end of its ascent."""
    fork = plant.fork()
    out = np.zeros((5, 1, 4))
    began_s = moved_s = fork.time_s
    slowest = math.inf
    start, rom = fork.bottom_m, fork.rom_m
    pause = None if pause is None else replace(pause)
    while fork.phase == lay.Phase.CONCENTRIC and fork.time_s < began_s + 60.0:
        if pause is not None and isinstance(fork, Plant):
            pause.apply(fork)
        fork.run_frame(5, 1, out)
        for t, x, v, _ in out[:, 0]:
            if v >= STILL_M_S and x > start - 0.02:
                moved_s = t
            if 0.08 * rom < x - start < 0.9 * rom and v < slowest:
                slowest = v
    through = fork.phase in (lay.Phase.TOP, lay.Phase.TALKING)
    return _Branch(through, moved_s, fork.time_s, slowest)


def _without_drop(plant: PlantBase, pause: Pause | None) -> FloatArray:
    """Samples of a copy of the plant to the end of its ascent, shape (n, 4)."""
    fork = plant.fork()
    out = np.zeros((5, 1, 4))
    rows: list[FloatArray] = []
    until_s = fork.time_s + LONGEST_UNAIDED_S
    pause = None if pause is None else replace(pause)
    while fork.phase == lay.Phase.CONCENTRIC and fork.time_s < until_s:
        if pause is not None and isinstance(fork, Plant):
            pause.apply(fork)
        fork.run_frame(5, 1, out)
        rows.append(out[:, 0].copy())
    return np.concatenate(rows) if rows else np.zeros((0, 4))


@dataclass(slots=True)
class Pause:
    """A pause on purpose in mid-ascent: the lifter holds the handle where it is and then goes on."""

    at_share: float
    seconds: float
    until_s: float = -1.0
    over: bool = False

    def apply(self, plant: Plant) -> None:
        """Before each frame of an ascent; aims the lifter at the place of the pause."""
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


class _SetRun:
    """One set while it runs: the clean trace, and every attempt with its branch.

    Args:
        plant: fresh, handle docked.
        behaviour: how the lifter behaves.
        load_n: load at the start, N.
        rng: decides about pauses on purpose and about drops.
    """

    def __init__(self, plant: PlantBase, behaviour: Behaviour, load_n: float, rng: np.random.Generator) -> None:
        # As a set begins on a rig: the load rises while the handle is docked, and is taken up from there.
        plant.command((load_n,), 2000.0)
        self._ready_s = load_n / 2000.0 + 0.5
        self._begun = False
        self._plant = plant
        self._behaviour = behaviour
        self._rng = rng
        self._load_n = load_n
        self._rows: list[FloatArray] = []
        self._applied: list[float] = []
        self._docked: list[bool] = []
        self._capacity: list[float] = []
        self._attempts: list[Attempt] = []
        self._drops: list[tuple[float, float, float]] = []
        self._unaided: list[Unaided] = []
        self._out = np.zeros((5, 1, 4))
        self._phase = plant.phase
        self._judged: _Branch | None = None
        self._began_s = self._drop_s = 0.0
        self._continued = False
        self._released_s: float | None = None
        self._pause: Pause | None = None

    def run(self) -> None:
        """Go on until the lifter ends the set, and after a release until the handle is home or a second has passed."""
        plant = self._plant
        while not plant.done and plant.time_s < LONGEST_SET_S and len(self._attempts) < 40:
            self._step()
        for _ in range(200):
            if self._released_s is None or plant.docked:
                break
            self._frame()

    def true_set(self, family_name: str, one_rm_n: float, tested_m_s: tuple[tuple[float, float], ...]) -> TrueSet:
        """What happened, of a lifter of this family with this fresh 1RM (N) and these tested velocities."""
        data = np.concatenate(self._rows)
        return TrueSet(
            behaviour=self._behaviour,
            family=family_name,
            exercise=self._plant.exercise,
            one_rm_n=one_rm_n,
            tested_m_s=tested_m_s,
            t_s=data[:, 0],
            position_m=data[:, 1],
            velocity_m_s=data[:, 2],
            tension_n=data[:, 3],
            applied_n=np.repeat(self._applied, 5),
            docked=np.repeat(self._docked, 5),
            capacity=np.array(self._capacity),
            attempts=tuple(self._attempts),
            drops=tuple(self._drops),
            released_s=self._released_s,
            loose_s=_loose_s(data[:, 0], data[:, 2], self._released_s),
            unaided=tuple(self._unaided),
        )

    def _frame(self) -> None:
        """Advance by five samples and keep them."""
        plant = self._plant
        plant.run_frame(5, 1, self._out)
        self._rows.append(self._out[:, 0].copy())
        self._applied.append(plant.applied_n[0])
        self._docked.append(plant.docked)
        self._capacity.append(plant.capacity)

    def _step(self) -> None:
        plant = self._plant
        if not self._begun and plant.time_s >= self._ready_s:
            self._begun = True
            plant.start()
        if self._pause is not None and self._phase == lay.Phase.CONCENTRIC and isinstance(plant, Plant):
            self._pause.apply(plant)
        self._frame()
        before, self._phase = self._phase, plant.phase
        now_s = plant.time_s
        if self._phase == lay.Phase.CONCENTRIC and before != lay.Phase.CONCENTRIC:
            self._begin_attempt(now_s)
        elif before == lay.Phase.CONCENTRIC and self._phase != lay.Phase.CONCENTRIC:
            self._end_attempt(now_s)
        stalled = self._judged is not None and not self._judged.through
        if stalled and now_s >= self._drop_s and len(self._drops) < MOST_DROPS:
            self._drop(now_s)

    def _begin_attempt(self, now_s: float) -> None:
        rng = self._rng
        self._pause = None
        if self._behaviour == "deliberate_pause" and rng.random() < 0.6:
            self._pause = Pause(float(rng.uniform(0.15, 0.7)), float(rng.uniform(0.4, 1.5)))
        self._began_s, self._continued = now_s, False
        self._judged = branch = _branch(self._plant, self._pause)
        # Somebody who sees the future drops in mid-grind, or only after the lifter has given in.
        if rng.random() < 0.5:
            self._drop_s = branch.motion_ended_s + float(rng.uniform(0.5, 1.2))
        else:
            self._drop_s = branch.ended_s + 0.3

    def _end_attempt(self, now_s: float) -> None:
        self._close_attempt(now_s)
        if self._phase == lay.Phase.RELEASED:
            self._released_s = now_s
            self._judged = None
        elif self._judged is not None and not self._judged.through:
            self._drop_s = max(self._drop_s, now_s + 0.3)
        else:
            self._judged = None

    def _drop(self, now_s: float) -> None:
        plant, rng = self._plant, self._rng
        lower_n = self._load_n * float(rng.uniform(0.7, 0.92))
        settle_s = (self._load_n - lower_n) / RAMP_N_PER_S + 0.15
        lifting = self._phase == lay.Phase.CONCENTRIC
        if lifting:
            self._close_attempt(now_s)
            samples = _without_drop(plant, self._pause)
            self._unaided.append(Unaided(len(self._attempts) - 1, len(self._drops), samples))
        self._load_n = lower_n
        plant.command((lower_n,), RAMP_N_PER_S)
        self._drops.append((now_s, lower_n, settle_s))
        self._began_s, self._continued = now_s, True
        self._judged, self._drop_s = None, math.inf
        if lifting:
            self._judged = _branch(plant, None)
            self._drop_s = self._judged.motion_ended_s + float(rng.uniform(0.6, 1.2))

    def _close_attempt(self, end_s: float) -> None:
        branch, plant = self._judged, self._plant
        if branch is not None:
            share = float((plant.state.cables[0, lay.C_X] - plant.bottom_m) / plant.rom_m)
            self._attempts.append(
                Attempt(
                    start_s=self._began_s,
                    end_s=end_s,
                    stalled=not branch.through,
                    motion_ended_s=branch.motion_ended_s,
                    failed_s=branch.ended_s,
                    slowest_m_s=branch.slowest_m_s,
                    load_n=self._load_n,
                    end_share=share,
                    continued=self._continued,
                )
            )


def set_of(
    person: AnyLifter,
    behaviour: Behaviour,
    load_n: float,
    rng: np.random.Generator,
    family_name: str,
    one_rm: float,
    tested_m_s: tuple[tuple[float, float], ...] = (),
) -> TrueSet:
    """One set of a person at a load, run and branched.

    Args:
        person: of any family.
        behaviour: how the lifter behaves.
        load_n: load at the start, N.
        rng: source of all randomness of this set.
        family_name: where the lifter comes from.
        one_rm: fresh 1RM on this rig, N.
        tested_m_s: as in `tested_velocities`.
    """
    run = _SetRun(plant_for(person, RIG, rng), behaviour, load_n, rng)
    run.run()
    return run.true_set(family_name, one_rm, tested_m_s)


def true_set(
    rng: np.random.Generator, behaviour: Behaviour, exercise_name: str | None = None, family_name: str = COMPILED
) -> TrueSet:
    """Draw a person, a load and a set, run it and branch every attempt.

    Args:
        rng: source of all randomness of this set.
        behaviour: how the lifter behaves; "as_drawn" for every family but the compiled one.
        exercise_name: what is lifted; drawn when None.
        family_name: where the lifter comes from.

    Raises:
        FamilyError: the family cannot be used.
    """
    person = family(family_name).draw(exercise_name, rng)
    if isinstance(person, LifterParameters):
        person = behave(person, behaviour, rng)
    best_n = one_rm_n(person, RIG)
    part = float(rng.uniform(0.86, 0.97) if behaviour == "sticking_region" else rng.uniform(0.6, 0.92))
    return set_of(person, behaviour, part * best_n, rng, family_name, best_n, tested_velocities(person, best_n))


def tested_velocities(person: AnyLifter, one_rm: float) -> tuple[tuple[float, float], ...]:
    """(load over 1RM, mean velocity in m/s) of single fresh attempts, as far as they came through.

    Args:
        person: of any family.
        one_rm: fresh 1RM, N.
    """
    out: list[tuple[float, float]] = []
    for part in TEST_PARTS:
        records = lift_once(person, RIG, part * one_rm).truth.records
        if records and records[0].completed:
            out.append((part, records[0].mean_velocity_m_s))
    return tuple(out)
