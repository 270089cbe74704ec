"""The environment: an episode is a simulated set, a step a stall, an action how far the load drops, or the end.

Lifter, rig, sensors, link and controller are those of the closed loop, with floor, ramp, budget and stop rules applied
after the action as after every policy. What is seen is in `observations`, what it is worth in `rewards`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final, Literal

import gymnasium
import numpy as np

from ebbset.controller.messages.actions import Output, SetResult
from ebbset.controller.policies.policy import DropView
from ebbset.controller.regulation.set_controller import SetController
from ebbset.models.contract.field_types import LOAD_N
from ebbset.models.contract.prescription import Prescription
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.closed_loop.simulated_set import SetNotRunError, SimulatedSet
from ebbset.simulators.environment.lifters import STRONG_RIG, Case, checked_families, lifter_of
from ebbset.simulators.environment.observations import HIGH, LOW, FloatArray, observation_of
from ebbset.simulators.environment.paused_set import PausedSet, asking
from ebbset.simulators.environment.rewards import REWARDS, Stretch, weights_of
from ebbset.simulators.load_scaling import started_at
from ebbset.simulators.plant.plant_base import PlantBase
from ebbset.simulators.plant.truth import RepetitionTruth
from ebbset.simulators.population.families import COMPILED

ActionKind = Literal["fraction", "load"]
KINDS: Final[Mapping[str, float]] = {"fraction": 1.0, "load": float(LOAD_N[1])}
"""What the first entry of an action may be, and its greatest value: a part of the load, or newtons."""
ENDS_FROM: Final = 0.5
START_SHARE: Final = 0.75
_MOST_DRAWN: Final = 200
_MOST_NUMBER: Final = 2**31 - 1


def default_prescription() -> Prescription:
    """The set of an episode where none is given: loads are scaled to each lifter; figures are our judgement."""
    return Prescription.model_validate(
        {
            "name": "Environment",
            "exercise": "row",
            "load": {"start_n": 400.0, "floor_n": 100.0},
            "budget": {"capacity_loss": 0.4},
            "stop": {"max_drops": 8, "max_duration_s": 180.0},
        }
    )


class DropSetEnvironment(gymnasium.Env[FloatArray, FloatArray]):
    """One simulated set an episode, from stall to stall.

    An observation is what a drop policy sees at a stall (`observations.ENTRIES`). An action is ``(drop, end)``: with
    ``end`` above 0.5 the person stops the set; else ``drop`` is the part of the load to take off, or with
    ``action="load"`` the load to go to in newtons, which loses no bit of a policy's proposal. Sets in which nobody
    stalls hold no decision: the next lifter is drawn, and ``info["passed_over"]`` counts them.

    Args:
        prescription: the set, in one bout; its drop policy is not used. None: `default_prescription`.
        families: where lifters come from, each equally likely.
        rewards: a name of `rewards.REWARDS`, or a weight by name.
        repetitions_wanted: between two stalls, for the reward of that name.
        start_share: first load over the lifter's own 1RM; all loads scale with it.
        action: what the first entry of an action is.
        population_seed: of all lifters; person ``n`` of a family is always the same.

    Attributes:
        case: the lifter and the seed of the episode.
        outcome: what the set came to; None while it runs.

    Raises:
        ValueError: an argument outside what is allowed.
        FamilyError: a family cannot be used.
    """

    def __init__(
        self,
        *,
        prescription: Prescription | None = None,
        families: Sequence[str] = (COMPILED,),
        rewards: str | Mapping[str, float] = "worth_within_budget",
        repetitions_wanted: float = 3.0,
        start_share: float = START_SHARE,
        action: ActionKind = "fraction",
        population_seed: int = 1,
    ) -> None:
        self.prescription = default_prescription() if prescription is None else prescription
        if len(self.prescription.bouts) != 1:
            raise ValueError(f"prescription has {len(self.prescription.bouts)} bouts; allowed: 1")
        if action not in KINDS:
            raise ValueError(f"action is {action!r}; allowed: {', '.join(KINDS)}")
        if not 0.2 <= start_share <= 1.0:
            raise ValueError(f"start_share is {start_share!r}; allowed: 0.2 to 1")
        if not 1.0 <= repetitions_wanted <= 50.0:
            raise ValueError(f"repetitions_wanted is {repetitions_wanted!r}; allowed: 1 to 50")
        self._families = checked_families(families, self.prescription)
        self._weights = weights_of(rewards)
        self._wanted = float(repetitions_wanted)
        self._start_share = start_share
        self._kind: ActionKind = action
        self._population_seed = population_seed
        self.observation_space = gymnasium.spaces.Box(LOW, HIGH, dtype=np.float64)
        self.action_space = gymnasium.spaces.Box(np.zeros(2), np.array([KINDS[action], 1.0]), dtype=np.float64)
        self.case: Case | None = None
        self.outcome: SimulatedSet | None = None
        self._episode: _Episode | None = None

    def reset(
        self, *, seed: int | None = None, options: dict[str, Any] | None = None
    ) -> tuple[FloatArray, dict[str, Any]]:
        """Begin a set and run it to its first stall.

        Args:
            seed: of all that is drawn from now on.
            options: ``family``, ``person`` and ``set_seed``, any of which is then not drawn.

        Returns:
            The observation, and who lifts.

        Raises:
            ValueError: an unknown option, or a fixed episode that cannot be run or in which nobody stalls.
        """
        super().reset(seed=seed)
        fixed = dict(options or {})
        allowed = Case.__dataclass_fields__
        if not fixed.keys() <= allowed.keys():
            raise ValueError(f"options are {sorted(fixed)}; allowed: {', '.join(allowed)}")
        self.close()
        for passed_over in range(1 if fixed.keys() == allowed.keys() else _MOST_DRAWN):
            case = self._drawn_case(fixed)
            episode = _Episode(case, self.prescription, self._start_share, self._population_seed)
            try:
                view = episode.begin()
            except SetNotRunError as error:
                why = str(error)
                continue
            if view is not None:
                self.case, self.outcome, self._episode = case, None, episode
                before = self._told(episode.stretch(view))
                info = {**self._info(episode), "passed_over": passed_over, "before_first_stall": before}
                return observation_of(view), info
            why = "nobody stalled in it"
        raise ValueError(f"no episode could be begun with options {fixed}: {why}; allowed: sets with a stall")

    def step(self, action: FloatArray) -> tuple[FloatArray, float, bool, bool, dict[str, Any]]:
        """Answer the stall and run to the next one, or to the end of the set.

        After the end the observation is the last one again. A set is truncated only if it was given up at the
        simulator's own time limit.

        Args:
            action: ``(drop, end)``, in the action space.

        Returns:
            Observation, reward, whether the set has ended, whether it was given up, and each named reward.

        Raises:
            ValueError: an action outside the action space.
            RuntimeError: no set is under way; `reset` begins one.
        """
        episode = self._episode
        if episode is None or self.outcome is not None:
            raise RuntimeError("no set is under way; allowed: step after reset, until a set has ended")
        given = np.asarray(action, dtype=np.float64)
        if given.shape != (2,) or not self.action_space.contains(given):
            raise ValueError(f"action is {action!r}; allowed: (0 to {KINDS[self._kind]:g}, 0 to 1)")
        last = episode.view
        view = None
        if given[1] > ENDS_FROM:
            episode.stop()
        else:
            view = episode.answer(last.load_n * (1.0 - given[0]) if self._kind == "fraction" else float(given[0]))
        self.outcome = episode.outcome
        told = self._told(episode.stretch(view))
        reward = sum(self._weights[name] * told[name] for name in self._weights)
        ended = self.outcome is not None
        given_up = self.outcome is not None and self.outcome.result is None
        info = {**self._info(episode), "rewards": told}
        return observation_of(last if view is None else view), reward, ended and not given_up, given_up, info

    def close(self) -> None:
        """Leave the set under way, if there is one."""
        if self._episode is not None:
            self._episode.abandon()
            self._episode = None

    def _drawn_case(self, fixed: Mapping[str, Any]) -> Case:
        # All three are drawn each time, so that fixing one does not change the others.
        name = self._families[int(self.np_random.integers(len(self._families)))]
        person, set_seed = (int(number) for number in self.np_random.integers(_MOST_NUMBER, size=2))
        return Case(**{"family": name, "person": person, "set_seed": set_seed, **fixed})

    def _told(self, stretch: Stretch) -> dict[str, float]:
        return {name: reward.of(stretch, self._wanted) for name, reward in REWARDS.items()}

    def _info(self, episode: _Episode) -> dict[str, Any]:
        case, result = episode.case, None if episode.outcome is None else episode.outcome.result
        return {
            "family": case.family,
            "person": case.person,
            "set_seed": case.set_seed,
            "one_rm_n": episode.one_rm_n,
            "ended_by": "" if result is None else result.reason.value,
        }


class _Episode:
    """One set under way, with what a reward needs to know of each stretch of it.

    Args:
        case: lifter and seed.
        prescription: the set, before it is scaled to the lifter.
        start_share: first load over the lifter's 1RM.
        population_seed: of all lifters.
    """

    def __init__(self, case: Case, prescription: Prescription, start_share: float, population_seed: int) -> None:
        self.case = case
        lifter, self.one_rm_n = lifter_of(case, prescription.exercise, population_seed)
        self._order = asking(started_at(prescription, start_share * self.one_rm_n))
        self._plant: PlantBase | None = None
        self._result_s: float | None = None
        self._set = PausedSet(self._runs(lifter))
        self._view: DropView | None = None
        self._seen = 0
        self._began_s = 0.0
        self._fatigue = 0.0

    @property
    def outcome(self) -> SimulatedSet | None:
        """What the set came to; None while it runs."""
        return self._set.outcome

    @property
    def view(self) -> DropView:
        """What is known at the stall where the set stands."""
        assert self._view is not None, "asked before the first stall"
        return self._view

    def begin(self) -> DropView | None:
        """Run to the first stall; None: there was none."""
        return self._stands_at(self._set.begin())

    def answer(self, load_n: float) -> DropView | None:
        """Propose a load in newtons, and run to the next stall; None: the set is over."""
        return self._stands_at(self._set.answer(load_n))

    def stop(self) -> None:
        """Have the person stop the set, and run it to its end."""
        self._set.stop(self.view)

    def abandon(self) -> None:
        """Leave the set as it is."""
        self._set.abandon()

    def stretch(self, view: DropView | None) -> Stretch:
        """What has happened since the last stall, up to this one, or to the end if it is None."""
        plant = self._plant
        assert plant is not None, "a set that was run has a plant"
        records = self._cut(plant.truth.records[self._seen :])
        ended_s = plant.time_s if view is not None or self._result_s is None else self._result_s
        found = Stretch(
            attempts=records,
            began_s=self._began_s or (records[0].start_s if records else ended_s),
            ended_s=ended_s,
            at_stall=view is not None or (bool(records) and not records[-1].completed),
            fatigue=self._fatigue,
            load_n=self._last_load_n() if view is None else view.load_n,
            one_rm_n=self.one_rm_n,
            budget=self._order.budget.capacity_loss,
        )
        self._seen += len(records)
        self._began_s, self._fatigue = ended_s, 1.0 - plant.capacity
        return found

    def _stands_at(self, view: DropView | None) -> DropView | None:
        if view is not None:
            self._view = view
        return view

    def _cut(self, records: tuple[RepetitionTruth, ...]) -> tuple[RepetitionTruth, ...]:
        """Attempts up to the end of the set: one that was under way then failed, though the unloading helped it."""
        until_s = self._result_s
        if until_s is None:
            return records
        return tuple(
            one if one.end_s <= until_s else replace(one, completed=False) for one in records if one.start_s < until_s
        )

    def _last_load_n(self) -> float:
        loads = [max(target_n) for _, target_n in self.outcome.loads] if self.outcome is not None else []
        return next((load_n for load_n in reversed(loads) if load_n > 0.0), self._order.load.start_n)

    def _runs(self, lifter: Any) -> Callable[[Callable[[], SetController], Callable[[], bool]], SimulatedSet]:
        def run(make: Callable[[], SetController], stop_when: Callable[[], bool]) -> SimulatedSet:
            return run_set(
                self._order,
                lifter,
                STRONG_RIG,
                seed=self.case.set_seed,
                controller_factory=make,
                probe=self._watch,
                stop_when=stop_when,
            )

        return run

    def _watch(self, plant: PlantBase, outputs: tuple[Output, ...]) -> None:
        self._plant = plant
        if any(isinstance(output, SetResult) for output in outputs):
            self._result_s = plant.time_s
