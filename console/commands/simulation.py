"""The work of `ebbset simulate`: draw people, scale loads, tally and write rows, record one average set.

Everything here is simulated. The simulators run the sets; this module chooses the cases and stores the results.
"""

from __future__ import annotations

import csv
import datetime
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Final, Self

from ebbset.coaching.compare import START_SHARE, STRONG_RIG
from ebbset.console.exits import CommandError, Exit
from ebbset.controller.messages.actions import Output
from ebbset.controller.messages.events import Event
from ebbset.controller.recording.writer import RecordingWriter
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.closed_loop.population_run import Row, SetCase
from ebbset.simulators.closed_loop.simulated_set import SimulatedSet
from ebbset.simulators.lifter.exercises import EXERCISES, exercise
from ebbset.simulators.load_scaling import scaled, started_at
from ebbset.simulators.plant.rig_parameters import RigParameters, strong_rig
from ebbset.simulators.population.families import AnyLifter, DrawnPerson
from ebbset.simulators.population.population import draw_lifter, person_rng
from ebbset.simulators.population.strength_test import one_rm_n

_ROOM: Final = 1.2
MEASURES: Final[dict[str, str]] = {
    "true_repetitions": "completed repetitions",
    "drops": "drops",
    "duration_s": "duration, s",
    "true_capacity_after": "capacity left, part of fresh (true)",
}
"""Column that the summary averages -> its label."""


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


def family_cases(
    prescription: Prescription, family: str, *, persons: int, seed: int, relative: bool
) -> Iterator[SetCase]:
    """Yield the cases of persons 0 to ``persons`` - 1 of a family and seed with this prescription.

    Args:
        prescription: what each person is prescribed.
        family: where they come from.
        persons: number of people.
        seed: seed from which people are drawn.
        relative: scale the loads so that the first is ``START_SHARE`` of each person's own 1RM.
    """
    for person in range(persons):
        yield SetCase(
            prescription=prescription,
            lifter=DrawnPerson(family, prescription.exercise, seed, person),
            rig=STRONG_RIG,
            start_share=START_SHARE if relative else None,
            labels=(("person", person), ("seed", seed)),
        )


def cases(prescription: Prescription, *, persons: int, seed: int, relative: bool) -> Iterator[SetCase]:
    """Yield the cases of persons 0 to ``persons`` - 1 of a seed with this prescription.

    Args:
        prescription: what each person is prescribed.
        persons: number of people.
        seed: seed from which people are drawn.
        relative: treat the loads as written for the average lifter and scale them with each person's strength, the
            greatest isometric force at the weakest point of the range. Scaling with the 1RM would need a search that
            costs as much as the set itself.
    """
    kind = exercise(prescription.exercise)
    average_n = kind.mean_lifter().f_max_n
    for person in range(persons):
        lifter = draw_lifter(kind, person_rng(seed, person))
        order = scaled(prescription, lifter.f_max_n / average_n) if relative else prescription
        yield SetCase(
            prescription=order,
            lifter=lifter,
            rig=strong_rig(max(RigParameters().max_load_n, _ROOM * order.load.start_n)),
            labels=(("person", person), ("seed", seed), ("true_strength_n", round(lifter.f_max_n, 1))),
        )


class Table:
    """A CSV file that is written row by row.

    Args:
        path: file to write.

    Raises:
        CommandError: the file cannot be written.
    """

    def __init__(self, path: Path) -> None:
        try:
            self._stream: IO[str] = path.open("w", encoding="utf-8", newline="")
        except OSError as error:
            raise CommandError(f"{path}: {error.strerror}", Exit.BAD_INPUT) from None
        self._writer: csv.DictWriter[str] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stream.close()

    def add(self, row: Row) -> None:
        """Append a row; the first row defines the columns."""
        if self._writer is None:
            self._writer = csv.DictWriter(self._stream, list(row))
            self._writer.writeheader()
        self._writer.writerow(row)


@dataclass(slots=True)
class Tally:
    """Running sums over rows; memory does not grow with the number of sets."""

    sets: int = 0
    not_run: int = 0
    broken: int = 0
    reasons: Counter[str] = field(default_factory=Counter)
    _sums: dict[str, tuple[float, float]] = field(default_factory=dict)

    def add(self, row: Row) -> None:
        """Add one set."""
        if row["error"] is not None:
            self.not_run += 1
            return
        self.sets += 1
        self.broken += int(row["violations"] or 0)
        self.reasons[str(row["reason"] or "time limit of the simulation")] += 1
        for name in MEASURES:
            total, squares = self._sums.get(name, (0.0, 0.0))
            value = float(row[name] or 0.0)
            self._sums[name] = (total + value, squares + value * value)

    def summary(self, order: Prescription, seed: int) -> dict[str, Any]:
        """Summarise the sets as plain values.

        Args:
            order: the prescription that was run.
            seed: seed from which people were drawn.

        Returns:
            counts, mean and standard deviation between people of each measure, and how often each reason ended a set.
        """
        measures = {}
        for name, (total, squares) in self._sums.items():
            mean = total / self.sets
            variance = max(squares / self.sets - mean * mean, 0.0) * self.sets / max(self.sets - 1, 1)
            measures[name] = {"mean": mean, "sd": variance**0.5}
        return {
            "simulated": True,
            "prescription": order.name,
            "prescription_hash": order.digest(),
            "seed": seed,
            "sets": self.sets,
            "not_run": self.not_run,
            "measures": measures,
            "ended_by": dict(self.reasons.most_common()),
            "broken_invariants": self.broken,
        }


def run_person(
    order: Prescription,
    *,
    seed: int,
    record: Path | None,
    profile: LifterProfile | None = None,
    family: str | None = None,
    relative: bool = True,
) -> tuple[SimulatedSet, list[tuple[Event, tuple[Output, ...]]]]:
    """Run one set: of the average trained man, or of the first person of a family.

    Args:
        order: prescription to run.
        seed: seed of the simulation.
        record: recording to write; None writes none.
        profile: profile to give to the controller.
        family: where the person comes from; None: the average trained man.
        relative: with a family, scale the loads to ``START_SHARE`` of the person's own 1RM.

    Returns:
        the set, and every input of the controller with its outputs.

    Raises:
        CommandError: the file cannot be written.
        SetNotRunError: the controller refused to arm or start.
        FamilyError: the person cannot be drawn.
    """
    handled: list[tuple[Event, tuple[Output, ...]]] = []
    lifter: AnyLifter
    rig = None
    if family is None:
        lifter = exercise(order.exercise).mean_lifter()
    else:
        lifter = DrawnPerson(family, order.exercise, seed, 0).drawn()
        rig = STRONG_RIG
        if relative:
            order = started_at(order, START_SHARE * one_rm_n(lifter, rig))
    done = run_set(
        order, lifter, rig, seed=seed, profile=profile, recorder=lambda event, outputs: handled.append((event, outputs))
    )
    if record is not None:
        _record(record, handled)
    return done, handled


def _record(path: Path, handled: list[tuple[Event, tuple[Output, ...]]]) -> None:
    metadata = {
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
