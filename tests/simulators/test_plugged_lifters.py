"""Lifters of any structure at a rig: the plug, families by name, and the same controller on all of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ebbset.console.app import run as run_command
from ebbset.models.contract.prescription import Prescription
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.closed_loop.simulated_set import LoopSettings
from ebbset.simulators.evaluation.ground_truth import true_set
from ebbset.simulators.lifter.habits import Habits
from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.lifter.muscle_lifter import MuscleLifter
from ebbset.simulators.plant.plugged_plant import LifterError, PluggedPlant
from ebbset.simulators.plant.rig_parameters import strong_rig
from ebbset.simulators.population.families import COMPILED, DrawnPerson, FamilyError, family, family_names, plant_for
from ebbset.simulators.population.strength_test import one_rm_n

RIG = strong_rig(5_000.0)
HERE = "tests.simulators.test_plugged_lifters:draw"


class Plain(MuscleLifter):
    """The least lifter that tires: a straight force-velocity line and one number for what is left."""

    def __init__(self, rng: np.random.Generator, habits: Habits) -> None:
        super().__init__("drag", bottom_m=0.2, rom_m=0.5, moving_mass_kg=3.0, rng=rng, habits=habits)
        self.left = 1.0

    def capacity(self) -> float:
        """What is left."""
        return self.left

    def greatest_pull_n(self, share: float, velocity_m_s: float) -> float:
        """A line with a sticking region at 0.35."""
        shape = 1.0 - velocity_m_s / 1.6 if velocity_m_s > 0.0 else min(1.0 - 1.5 * velocity_m_s, 1.4)
        return 900.0 * self.left * max(shape, 0.0) * (1.0 - 0.15 * math.exp(-(((share - 0.35) / 0.15) ** 2)))

    def tire(self, dt_s: float, effort: float, share: float, velocity_m_s: float) -> None:  # noqa: ARG002 - all given
        """Lose in proportion to effort."""
        self.left = max(self.left * (1.0 - 0.02 * dt_s * effort), 0.05)

    def rest(self, duration_s: float) -> None:
        """Recover with a time constant of 90 s."""
        self.left = 1.0 - (1.0 - self.left) * math.exp(-duration_s / 90.0)


def draw(_exercise: str | None, rng: np.random.Generator) -> Plain:
    """One person of this family."""
    return Plain(rng, Habits(patience_s=float(rng.uniform(0.8, 1.6))))


def lifting(load_n: float = 500.0, *, seed: int = 1, cables: int = 1, asymmetry: float = 0.0) -> PluggedPlant:
    """Somebody who has just taken the handle out of the dock."""
    person = draw(None, np.random.default_rng(seed))
    person._asymmetry = asymmetry  # noqa: SLF001 - the family has none of its own
    plant = PluggedPlant(replace(RIG, n_cables=cables), person, np.random.default_rng(seed))
    plant.command((load_n / cables,) * cables, 2_000.0)
    plant.advance(500)
    plant.start()
    return plant


def test_a_lifter_of_another_structure_does_a_set_to_failure_and_puts_the_handle_down() -> None:
    plant = lifting()
    while not plant.done and plant.time_s < 90.0:
        plant.advance(50)
    truth = plant.truth
    assert plant.docked
    assert truth.repetitions >= 4
    assert truth.attempts > truth.repetitions
    whole = [record for record in truth.records if record.completed]
    assert all(0.19 < record.start_m < 0.22 and record.end_m > 0.65 for record in whole)
    assert whole[0].mean_velocity_m_s > 1.3 * whole[-1].mean_velocity_m_s
    failed = [record for record in truth.records if not record.completed]
    # It fails where it is weakest: at 35 % of the range.
    assert all(record.end_m < 0.2 + 0.6 * 0.5 for record in failed)


def test_a_fork_lives_the_same_future_and_leaves_the_original_alone() -> None:
    plant, alone = lifting(), lifting()
    plant.advance(4_000)
    alone.advance(4_000)
    branch = plant.fork()
    branch.advance(6_000)
    plant.advance(6_000)
    alone.advance(6_000)
    for one in (branch, alone):
        assert one.state.to_bytes() == plant.state.to_bytes()
        assert one.capacity == plant.capacity
        assert one.truth.records == plant.truth.records


def test_rest_brings_strength_back_and_only_in_the_dock() -> None:
    plant = lifting()
    while not plant.done:
        plant.advance(50)
    tired = plant.capacity
    plant.rest(120.0)
    assert plant.capacity > tired + 0.1
    plant.start()
    plant.advance(500)
    with pytest.raises(ValueError, match="docked"):
        plant.rest(1.0)


def test_two_unequal_sides_each_pull_their_own_handle() -> None:
    plant = lifting(cables=2, asymmetry=0.1)
    lag = 0.0
    while plant.time_s < 30.0 and plant.truth.repetitions < 3:
        plant.advance(10)
        left, right = plant.state.cables[:, 0]
        lag = max(lag, left - right)
    assert plant.truth.repetitions == 3
    assert lag > 0.005


@pytest.mark.parametrize("steps_per_sample", [1, 2, 7])
def test_samples_are_the_same_however_many_are_asked_for_at_once(steps_per_sample: int) -> None:
    one_by_one, together = lifting(cables=2, asymmetry=0.1), lifting(cables=2, asymmetry=0.1)
    out, row = np.zeros((11, 2, 4)), np.zeros((1, 2, 4))
    for _ in range(30_000 // (11 * steps_per_sample)):
        together.run_frame(11, steps_per_sample, out)
        for sample in out:
            one_by_one.run_frame(1, steps_per_sample, row)
            assert np.array_equal(row[0], sample)
    assert together.truth == one_by_one.truth
    assert together.truth.repetitions > 2


@pytest.mark.parametrize("answer", [(math.nan,), (1.0, 2.0), (1e6,)])
def test_a_pull_that_the_protocol_does_not_allow_is_named(answer: tuple[float, ...]) -> None:
    class Odd(Plain):
        def step(self, *_: float | Sequence[float]) -> Sequence[float]:
            """Answer nonsense."""
            return answer

    plant = PluggedPlant(RIG, Odd(np.random.default_rng(0), Habits()), np.random.default_rng(0))
    plant.start()
    with pytest.raises(LifterError, match=r"step\(\) of Odd gave .* allowed: 1 finite"):
        plant.advance(10)


def test_the_1rm_of_any_family_is_where_attempts_stop_coming_through() -> None:
    person = draw(None, np.random.default_rng(3))
    best_n = one_rm_n(person, RIG)
    # The weakest place gives 765 N at standstill, and the attempt itself tires.
    assert 0.85 * 765.0 < best_n < 765.0
    assert person.capacity() == 1.0


def test_families_are_found_by_name_and_by_factory() -> None:
    assert family_names()[0] == COMPILED
    assert len(family_names()) == len(set(family_names()))
    for name in (*family_names(), HERE):
        person = DrawnPerson(name, None, 5, 2).drawn()
        again = DrawnPerson(name, None, 5, 2).drawn()
        plants = [plant_for(one, RIG, np.random.default_rng(0)) for one in (person, again)]
        for plant in plants:
            plant.command((200.0,), 2_000.0)
            plant.start()
            plant.advance(2_000)
        assert plants[0].state.to_bytes() == plants[1].state.to_bytes()


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("nobody", "allowed: compiled_muscle.*module:factory"),
        ("no_such_module_here:draw", "do not load: ModuleNotFoundError"),
        ("math:pi", "allowed: a function of exercise and rng"),
    ],
)
def test_a_family_that_cannot_be_used_says_why(name: str, message: str) -> None:
    with pytest.raises(FamilyError, match=message):
        family(name)


@pytest.mark.parametrize(
    ("factory", "message"),
    [
        ("builtins:max", "could not be drawn"),
        ("builtins:isinstance", "could not be drawn"),
        ("tests.simulators.test_plugged_lifters:no_lifter", "made a dict without exercise, bottom_m"),
        ("tests.simulators.test_plugged_lifters:too_long", "rom_m is 9.0; allowed: 0.05 to 1.5"),
    ],
)
def test_what_is_no_lifter_is_refused_before_it_lifts(factory: str, message: str) -> None:
    with pytest.raises(FamilyError, match=message):
        family(factory).draw(None, np.random.default_rng(0))


def no_lifter(_exercise: str | None, _rng: np.random.Generator) -> object:
    """Make something else."""
    return {}


def too_long(exercise: str | None, rng: np.random.Generator) -> Plain:
    """Make somebody with an impossible range."""
    person = draw(exercise, rng)
    person.rom_m = 9.0
    return person


def order(**changes: object) -> Prescription:
    """A drop set of an exercise that nobody has described."""
    document: dict[str, object] = {
        "name": "Anybody",
        "exercise": "drag",
        "exercise_is_new": True,
        "load": {"start_n": 520.0, "floor_n": 150.0},
        "drop": {"policy": "fixed_fraction", "parameters": {"fraction": 0.2}},
        "stop": {"max_drops": 2, "max_duration_s": 90.0},
    }
    return Prescription.model_validate({**document, **changes})


def test_the_controller_runs_a_set_of_a_lifter_it_was_never_fitted_on() -> None:
    person = draw(None, np.random.default_rng(7))
    runs = [run_set(order(), person, RIG, seed=4, settings=LoopSettings(check_replay=True)) for _ in range(2)]
    assert not runs[0].violations
    assert runs[0].result is not None
    assert runs[0].result.drops >= 1
    assert runs[0].completed >= 4
    assert [d.nonce for d in runs[0].decisions] == [d.nonce for d in runs[1].decisions]
    assert runs[0].loads == runs[1].loads


def test_a_set_of_known_truth_branches_every_attempt_of_any_family() -> None:
    item = true_set(np.random.default_rng([2, 1]), "as_drawn", None, HERE)
    assert item.family == HERE
    assert item.exercise == "drag"
    stalls = [attempt for attempt in item.attempts if attempt.stalled]
    through = [attempt for attempt in item.attempts if not attempt.stalled]
    assert stalls
    assert through
    assert all(attempt.motion_ended_s <= attempt.failed_s for attempt in stalls)
    assert item.capacity[-1] < 0.95
    speeds = [velocity for _, velocity in item.tested_m_s]
    assert speeds == sorted(speeds, reverse=True)


def test_simulate_takes_a_family_and_any_exercise(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "set.toml"
    file.write_text(
        'name = "Anybody"\nexercise = "drag"\nexercise_is_new = true\n[load]\nstart_n = 500.0\nfloor_n = 100.0\n'
        '[drop]\npolicy = "fixed_fraction"\nparameters = { fraction = 0.2 }\n[stop]\nmax_duration_s = 40.0\n'
    )
    assert run_command(["simulate", str(file), "--lifters", HERE, "--json"]) == 0
    assert '"repetitions"' in capsys.readouterr().out
    assert run_command(["simulate", str(file), "--lifters", "nobody"]) == 2
    assert "allowed: compiled_muscle" in capsys.readouterr().err


def test_every_phase_but_the_rigs_own_is_one_a_lifter_may_be_in() -> None:
    plant, seen = lifting(), set()
    while not plant.done:
        plant.advance(5)
        seen.add(plant.phase)
    assert {Phase.PICKING_UP, Phase.BOTTOM, Phase.CONCENTRIC, Phase.TOP, Phase.ECCENTRIC, Phase.FAILED} <= seen
    assert Phase.EXTERNAL not in seen
