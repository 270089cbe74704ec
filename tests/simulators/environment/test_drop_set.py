"""The environment passes Gymnasium's checker, is the closed loop to the bit, and repeats itself from a seed."""

from __future__ import annotations

import math
import threading
import warnings
from dataclasses import fields
from typing import Any

import gymnasium
import numpy as np
import pytest
from gymnasium.utils.env_checker import check_env

from ebbset.controller.policies.built_in import FixedFraction, FixedStep, ForceAtStall
from ebbset.controller.policies.policy import DropPolicy
from ebbset.controller.policies.repetitions_wanted import RepetitionsWanted
from ebbset.models.contract.prescription import Bout, DropSection
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.environment import ID, DropSetEnvironment, default_prescription, play
from ebbset.simulators.environment.lifters import STRONG_RIG, Case, lifter_of
from ebbset.simulators.environment.rewards import REWARDS
from ebbset.simulators.load_scaling import started_at
from ebbset.simulators.population.families import COMPILED, FamilyError

NAME = "ebbset.simulators.environment:" + ID


def test_it_is_registered_and_passes_gymnasiums_checker_without_a_warning() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        made = gymnasium.make(NAME)
        check_env(made.unwrapped)
    made.close()


POLICIES: list[tuple[str, int, DropPolicy]] = [
    (COMPILED, 11, FixedFraction(0.2)),
    (COMPILED, 12, ForceAtStall(0.8)),
    (COMPILED, 13, FixedStep(37.0)),
    (COMPILED, 14, RepetitionsWanted(3.0)),
    (COMPILED, 15, RepetitionsWanted(2.0)),
    ("velocity_line", 1, RepetitionsWanted(3.0)),
    ("published_statistics", 2, ForceAtStall(0.9)),
    ("motor_units", 3, FixedFraction(0.25)),
]


@pytest.mark.parametrize(("family", "number", "policy"), POLICIES)
def test_a_policy_that_sees_only_observations_gives_the_loads_of_the_closed_loop_to_the_bit(
    family: str, number: int, policy: DropPolicy
) -> None:
    environment = DropSetEnvironment(families=(family,), action="load", population_seed=5)
    played, _ = play(environment, policy, seed=number)
    case = environment.case
    assert case is not None
    lifter, strength_n = lifter_of(case, "row", 5)
    order = started_at(default_prescription(), 0.75 * strength_n)
    parameters: dict[str, float | int | str | bool] = {
        field.name: getattr(policy, field.name)
        for field in fields(policy)  # type: ignore[arg-type]
    }
    order = order.model_copy(update={"drop": DropSection(policy=policy.name, parameters=parameters)})
    looped = run_set(order, lifter, STRONG_RIG, seed=case.set_seed)
    assert len([target_n for _, target_n in looped.loads if target_n[0] > 0.0]) >= 2
    assert played.loads == looped.loads
    assert played.true_repetitions == looped.true_repetitions
    assert played.result is not None
    assert looped.result is not None
    assert (played.result.reason, played.duration_s) == (looped.result.reason, looped.duration_s)


def rolled(environment: gymnasium.Env[Any, Any], seed: int, drop: float) -> list[tuple[bytes, float]]:
    observation, _ = environment.reset(seed=seed)
    found, over = [(observation.tobytes(), 0.0)], False
    while not over:
        observation, reward, ended, given_up, _ = environment.step(np.array([drop, 0.0]))
        found.append((observation.tobytes(), float(reward)))
        over = ended or given_up
    return found


def test_the_same_seed_gives_the_same_episode_and_another_seed_another() -> None:
    environment = DropSetEnvironment()
    first = rolled(environment, 4, 0.15)
    assert rolled(DropSetEnvironment(), 4, 0.15) == first
    assert rolled(environment, 5, 0.15) != first


def test_a_fraction_taken_off_is_the_built_in_fraction() -> None:
    environment = DropSetEnvironment()
    rolled(environment, 4, 0.15)
    by_fraction = environment.outcome
    by_load, _ = play(DropSetEnvironment(action="load"), FixedFraction(0.15), seed=4)
    assert by_fraction is not None
    assert by_fraction.loads == by_load.loads


def test_an_end_stops_the_set_within_a_frame_as_a_person_would() -> None:
    environment = DropSetEnvironment()
    environment.reset(seed=3)
    _, _, ended, given_up, info = environment.step(np.array([0.3, 1.0]))
    assert (ended, given_up, info["ended_by"]) == (True, False, "stop_requested")
    done = environment.outcome
    assert done is not None
    # At most the least drop (1 %, or 2 N) for the frame until the stop arrives, whatever drop stood beside the end.
    loads = [target_n[0] for _, target_n in done.loads]
    assert loads[-1] == 0.0
    assert min(load_n for load_n in loads if load_n > 0.0) >= 0.98 * loads[0]
    assert info["rewards"]["worth"] < 1.0
    with pytest.raises(RuntimeError, match="no set is under way"):
        environment.step(np.array([0.2, 0.0]))


def test_a_set_that_is_left_leaves_no_thread_behind() -> None:
    environment = DropSetEnvironment()
    before = threading.active_count()
    for seed in (3, 4):
        environment.reset(seed=seed)
    assert threading.active_count() == before + 1
    environment.close()
    assert threading.active_count() == before


def test_environments_side_by_side_give_what_each_gives_alone() -> None:
    together = gymnasium.make_vec(NAME, num_envs=2, vectorization_mode="sync")
    first, _ = together.reset(seed=[3, 4])  # type: ignore[arg-type]  # a list is allowed, its type says not
    second, reward, _, _, _ = together.step(np.array([[0.1, 0.0], [0.1, 0.0]]))
    together.close()
    for place, seed in enumerate((3, 4)):
        alone = DropSetEnvironment()
        observation, _ = alone.reset(seed=seed)
        assert observation.tobytes() == first[place].tobytes()
        observation, value, *_ = alone.step(np.array([0.1, 0.0]))
        assert (observation.tobytes(), value) == (second[place].tobytes(), reward[place])
        alone.close()


def test_rewards_are_weighted_by_name() -> None:
    environment = DropSetEnvironment(rewards={"worth": 1.0, "time": 0.5}, repetitions_wanted=4)
    _, told = environment.reset(seed=3)
    assert told["before_first_stall"].keys() == REWARDS.keys()
    _, reward, _, _, info = environment.step(np.array([0.1, 0.0]))
    assert reward == info["rewards"]["worth"] + 0.5 * info["rewards"]["time"]
    assert info["rewards"]["time"] < 0.0 < info["rewards"]["worth"]
    environment.close()


def test_an_episode_can_be_fixed() -> None:
    environment = DropSetEnvironment(families=(COMPILED, "velocity_line"))
    fixed = {"family": COMPILED, "person": 7, "set_seed": 2}
    first, info = environment.reset(seed=1, options=fixed)
    assert environment.case == Case(COMPILED, 7, 2)
    assert {name: info[name] for name in fixed} == fixed
    again, _ = environment.reset(seed=99, options=fixed)
    assert again.tobytes() == first.tobytes()
    environment.close()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"rewards": "growth"}, "rewards are ['growth']; allowed: one or more of worth, worth_within_budget"),
        ({"rewards": {"worth": math.nan}}, "the weight of worth is nan; allowed: a finite number"),
        ({"action": "kilograms"}, "action is 'kilograms'; allowed: fraction, load"),
        ({"start_share": 1.5}, "start_share is 1.5; allowed: 0.2 to 1"),
        ({"repetitions_wanted": 0}, "repetitions_wanted is 0; allowed: 1 to 50"),
        ({"families": ()}, "families is (); allowed: a sequence of one or more names"),
        (
            {"prescription": default_prescription().model_copy(update={"bouts": (Bout(), Bout(rest_before_s=60.0))})},
            "prescription has 2 bouts; allowed: 1",
        ),
    ],
)
def test_arguments_that_cannot_be_are_refused_by_name(arguments: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError) as refused:  # noqa: PT011 -- the whole sentence is compared
        DropSetEnvironment(**arguments)
    assert said in str(refused.value)


def test_actions_options_and_families_that_cannot_be_are_refused_by_name() -> None:
    with pytest.raises(FamilyError, match="nobody"):
        DropSetEnvironment(families=("nobody",))
    environment = DropSetEnvironment()
    with pytest.raises(ValueError, match=r"options are \['who'\]; allowed: family, person, set_seed"):
        environment.reset(options={"who": 1})
    environment.reset(seed=3)
    for wrong in ([1.2, 0.0], [math.nan, 0.0], [0.1], [[0.1, 0.0]]):
        with pytest.raises(ValueError, match=r"allowed: \(0 to 1, 0 to 1\)"):
            environment.step(np.array(wrong))
    environment.close()
    with pytest.raises(ValueError, match="allowed: one made with action='load'"):
        play(environment, FixedFraction(0.2), seed=3)


def test_a_fixed_set_without_a_stall_is_refused_and_a_drawn_one_passed_over() -> None:
    short = default_prescription()
    short = short.model_copy(update={"stop": short.stop.model_copy(update={"max_duration_s": 31.0})})
    environment = DropSetEnvironment(prescription=short)
    _, info = environment.reset(seed=1)
    assert info["passed_over"] > 0
    fixed = {"family": COMPILED, "person": 7, "set_seed": 2}
    with pytest.raises(ValueError, match="nobody stalled in it"):
        environment.reset(options=fixed)
    environment.close()
