"""A prescription on simulated lifters: one row a set, one row a repetition, tidy, the same for the same seed.

Everything here is simulated. True values, which nobody could measure on people, stand in columns that begin with
``true_``; all others are what the controller saw and decided.
"""

from __future__ import annotations

import csv
import dataclasses
import datetime
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import IO, Any, Final

import numpy as np

from ebbset.console.exits import CommandError, Exit
from ebbset.console.parallel import ordered_map
from ebbset.controller.actions import Output
from ebbset.controller.events import Event
from ebbset.controller.recorder import RecordingWriter
from ebbset.models.prescription import Prescription
from ebbset.simulators.closed_loop import LoopSettings, SimulatedSet, run_set
from ebbset.simulators.exercises import EXERCISES, exercise
from ebbset.simulators.population import draw_lifter, one_rm_n, person_rng
from ebbset.simulators.relative import scaled
from ebbset.simulators.rig_parameters import RigParameters

_WEAKEST_RIG_N: Final = 10_000.0
_OWN_STREAM: Final = 2


@dataclass(frozen=True, slots=True)
class SetRow:
    """One simulated set. Loads are newtons per cable."""

    person: int
    seed: int
    exercise: str
    fatigue_model: str
    true_one_rm_n: float
    start_n: float
    floor_n: float
    state: str
    reason: str
    repetitions: int
    true_repetitions: int
    drops: int
    bouts: int
    duration_s: float
    final_load_n: float
    capacity_lost: float | None
    true_capacity_lost: float
    broken_invariants: int


@dataclass(frozen=True, slots=True)
class RepetitionRow:
    """One repetition of one cable as the controller saw it."""

    person: int
    cable: int
    index: int
    bout: int
    step: int
    outcome: str
    load_n: float
    rom_m: float
    mean_velocity_m_s: float
    peak_velocity_m_s: float
    min_velocity_m_s: float
    duration_s: float
    capacity_n: float | None
    capacity_sd_n: float | None
    capacity_lost: float | None


@dataclass(frozen=True, slots=True)
class Task:
    """One person's set. ``reference_n`` is the 1RM that the prescription's loads are written for; None: as written."""

    prescription: Prescription
    person: int
    seed: int
    reference_n: float | None


def reference_one_rm_n(prescription: Prescription) -> float:
    """1RM of the average lifter in the prescription's exercise, newtons per cable.

    Raises:
        CommandError: an exercise that the simulator does not know.
    """
    known_exercise(prescription)
    return one_rm_n(exercise(prescription.exercise).mean_lifter(), RigParameters(max_load_n=_WEAKEST_RIG_N))


def known_exercise(prescription: Prescription) -> None:
    """Refuse an exercise that the simulator does not know.

    Raises:
        CommandError: names the field, its value and what is allowed.
    """
    if prescription.exercise not in EXERCISES:
        raise CommandError(
            f"exercise is {prescription.exercise!r}; allowed for simulation: {', '.join(sorted(EXERCISES))}",
            Exit.BAD_INPUT,
        )


def simulate_person(task: Task) -> tuple[SetRow, list[RepetitionRow]]:
    """One drawn person's set; runs in any process."""
    kind = exercise(task.prescription.exercise)
    lifter = draw_lifter(kind, person_rng(task.seed, task.person))
    true_n = one_rm_n(lifter, RigParameters(max_load_n=_WEAKEST_RIG_N))
    order = task.prescription if task.reference_n is None else scaled(task.prescription, true_n / task.reference_n)
    rig = RigParameters(max_load_n=max(1500.0, 1.2 * order.load.start_n))
    stream = np.random.SeedSequence(task.seed, spawn_key=(task.person, _OWN_STREAM))
    done = run_set(order, lifter, rig, seed=stream, settings=LoopSettings())
    return _set_row(task, order, lifter.fatigue_model, true_n, done), _repetition_rows(task.person, done)


def simulate_population(
    prescription: Prescription, *, persons: int, seed: int, workers: int, reference_n: float | None
) -> Iterator[tuple[SetRow, list[RepetitionRow]]]:
    """Sets of persons 0 to ``persons`` - 1 of a seed, in order."""
    tasks = (Task(prescription, person, seed, reference_n) for person in range(persons))
    return ordered_map(simulate_person, tasks, workers=workers)


class TidyFiles:
    """``sets.csv`` and ``repetitions.csv`` in a folder, written as results come.

    Raises:
        OSError: the folder or a file cannot be written.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._stack = ExitStack()
        self._sets = self._open(folder / "sets.csv", SetRow)
        self._repetitions = self._open(folder / "repetitions.csv", RepetitionRow)

    def _open(self, path: Path, row: type[Any]) -> csv.DictWriter[str]:
        stream: IO[str] = self._stack.enter_context(path.open("w", encoding="utf-8", newline=""))
        writer = csv.DictWriter(stream, [column.name for column in dataclasses.fields(row)])
        writer.writeheader()
        return writer

    def add(self, found: SetRow, repetitions: list[RepetitionRow]) -> None:
        """Append one set."""
        self._sets.writerow(dataclasses.asdict(found))
        self._repetitions.writerows(dataclasses.asdict(row) for row in repetitions)

    def close(self) -> None:
        """Finish both files."""
        self._stack.close()


@dataclass(slots=True)
class RecordedRun:
    """One set of the average lifter with every input and what it led to."""

    done: SimulatedSet
    handled: list[tuple[Event, tuple[Output, ...]]]
    row: SetRow

    def write(self, folder: Path) -> None:
        """Both tables of this one set."""
        tidy = TidyFiles(folder)
        tidy.add(self.row, _repetition_rows(self.row.person, self.done))
        tidy.close()


def run_average(order: Prescription, *, seed: int, record: Path | None) -> RecordedRun:
    """One set of the average trained man, recorded to a file when one is named.

    Raises:
        CommandError: the file cannot be written.
    """
    lifter = exercise(order.exercise).mean_lifter()
    true_n = one_rm_n(lifter, RigParameters(max_load_n=_WEAKEST_RIG_N))
    handled: list[tuple[Event, tuple[Output, ...]]] = []
    done = run_set(order, lifter, seed=seed, recorder=lambda event, outputs: handled.append((event, outputs)))
    if record is not None:
        _record(record, handled)
    task = Task(order, 0, seed, None)
    return RecordedRun(done, handled, _set_row(task, order, lifter.fatigue_model, true_n, done))


def _record(path: Path, handled: list[tuple[Event, tuple[Output, ...]]]) -> None:
    metadata = {
        "simulated": "true",
        "ebbset": version("ebbset"),
        "wall_clock_at_zero": datetime.datetime.now(datetime.UTC).isoformat(),
    }
    try:
        with path.open("wb") as stream:
            writer = RecordingWriter(stream, metadata)
            for event, outputs in handled:
                writer.add(event, outputs)
            writer.finish({})
    except OSError as error:
        raise CommandError(f"{path}: {error.strerror}", Exit.BAD_INPUT) from None


def _set_row(task: Task, order: Prescription, fatigue_model: str, true_n: float, done: SimulatedSet) -> SetRow:
    result = done.result
    return SetRow(
        person=task.person,
        seed=task.seed,
        exercise=order.exercise,
        fatigue_model=fatigue_model,
        true_one_rm_n=round(true_n, 1),
        start_n=order.load.start_n,
        floor_n=order.load.floor_n,
        state=done.state.value,
        reason=result.reason.value if result is not None else "time_limit",
        repetitions=result.repetitions if result is not None else 0,
        true_repetitions=done.completed,
        drops=result.drops if result is not None else 0,
        bouts=result.bouts if result is not None else 0,
        duration_s=round(done.duration_s, 3),
        final_load_n=max(result.final_load_n, default=0.0) if result is not None else 0.0,
        capacity_lost=result.budget_spent if result is not None else None,
        true_capacity_lost=done.capacity_before - done.capacity_after,
        broken_invariants=len(done.violations),
    )


def _repetition_rows(person: int, done: SimulatedSet) -> list[RepetitionRow]:
    return [
        RepetitionRow(
            person=person,
            cable=record.cable,
            index=record.index,
            bout=record.bout,
            step=record.step,
            outcome=record.outcome.value,
            load_n=record.load_n,
            rom_m=record.rom_m,
            mean_velocity_m_s=record.mean_velocity_m_s,
            peak_velocity_m_s=record.peak_velocity_m_s,
            min_velocity_m_s=record.min_velocity_m_s,
            duration_s=(record.t_end_us - record.t_start_us) / 1e6,
            capacity_n=record.capacity_n,
            capacity_sd_n=record.capacity_sd_n,
            capacity_lost=record.budget_spent,
        )
        for record in done.repetitions
    ]
