"""A study carried out on simulated lifters before anybody lifts: every session, recorded like a real one.

For trying schedule, prescriptions, export and analysis; `power` judges how many participants are needed. Recordings
say that they are simulated. Participant ``k`` of a seed, in the order of joining, is always the same simulated person.
"""

from __future__ import annotations

import datetime
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np

from ebbset.controller.recording.writer import RecordingWriter
from ebbset.models.contract.prescription import Prescription
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.closed_loop.parallel import Mapper
from ebbset.simulators.closed_loop.simulated_set import SimulatedSet
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.rig_parameters import RigParameters, with_stronger_drive
from ebbset.simulators.population.population import draw_lifter, on_day, person_rng
from ebbset.simulators.population.strength_test import one_rm_n
from ebbset.study.study_file import Session, Study

HOUR: Final = 10
"""Hour of the day, at the site, at which the rehearsed sessions begin."""
START_SHARE: Final = 0.75
"""Without relative loads the simulated person is made as strong as makes the start load this part of the 1RM."""
_ROUNDS: Final = 3
Adjust = Callable[[LifterParameters, Session], LifterParameters]


def record_set(
    path: Path,
    order: Prescription,
    lifter: LifterParameters,
    *,
    seed: int | np.random.SeedSequence,
    begun_at: datetime.datetime,
    rig: RigParameters | None = None,
    facts: dict[str, str] | None = None,
) -> SimulatedSet:
    """One simulated set in a recording of its own.

    Args:
        path: file to write; replaced if it is there.
        order: what is ordered.
        lifter: who lifts.
        seed: of all randomness.
        begun_at: wall clock that the recording shows, with a time zone.
        rig: on what; the default rig when None.
        facts: further facts for the metadata.

    Raises:
        SetNotRunError: the controller refused to arm or start.
        OSError: the file cannot be written.
    """
    metadata = {"wall_clock_at_zero": begun_at.isoformat(), **(facts or {})}
    with path.open("wb") as stream:
        return _record(stream, metadata, order, lifter, rig, seed)


def _record(
    stream: BinaryIO,
    metadata: dict[str, str],
    order: Prescription,
    lifter: LifterParameters,
    rig: RigParameters | None,
    seed: int | np.random.SeedSequence,
) -> SimulatedSet:
    writer = RecordingWriter(stream, metadata)
    done = run_set(order, lifter, rig, seed=seed, recorder=writer.add)
    writer.finish({})
    return done


def person(study: Study, number: int, rig: RigParameters, seed: int) -> LifterParameters:
    """The simulated person behind a participant, as strong as the study file says or its loads suggest.

    Args:
        study: the study.
        number: index in the study's people.
        rig: the rig that they lift on.
        seed: seed of the rehearsal.
    """
    base = study.prescriptions[study.file.conditions[0].code]
    lifter = draw_lifter(exercise(base.exercise), person_rng(seed, number))
    wanted_n = study.people[number].one_rm_n or base.load.start_n / START_SHARE
    strong = with_stronger_drive(rig, 10_000.0)
    for _ in range(_ROUNDS):
        lifter = replace(lifter, f_max_n=lifter.f_max_n * wanted_n / one_rm_n(lifter, strong))
    return lifter


def due(study: Study) -> tuple[Session, ...]:
    """The sessions that a rehearsal carries out: all but those that come after somebody withdrew.

    Args:
        study: what to rehearse.
    """
    until = {person.id: person.withdrawn.date for person in study.people if person.withdrawn is not None}
    return tuple(s for s in study.schedule if s.earliest <= until.get(s.participant, s.earliest))


@dataclass(frozen=True, slots=True)
class _Rehearsed:
    """One session: all that a worker process needs to make its recording."""

    order: Prescription
    lifter: LifterParameters
    rig: RigParameters
    seed: np.random.SeedSequence
    metadata: dict[str, str]


def _recording(job: _Rehearsed) -> bytes:
    with io.BytesIO() as stream:
        _record(stream, job.metadata, job.order, job.lifter, job.rig, job.seed)
        return stream.getvalue()


def rehearse(
    study: Study,
    folder: Path,
    *,
    seed: int,
    rig: RigParameters | None = None,
    adjust: Adjust | None = None,
    mapper: Mapper = map,
) -> Iterator[Path]:
    """Carry out and record every session; yields each file when it is written.

    Somebody withdrawn has the sessions that were due by then.

    Args:
        study: what to rehearse.
        folder: made if it is not there.
        seed: of the people and of what happens to them.
        rig: on what; the default rig when None.
        adjust: changes a lifter for a session, e.g. to put a known effect of a condition into the data.
        mapper: `map`, or a parallel version that keeps the order. Files are written here, wherever sets are simulated.

    Raises:
        SetNotRunError: the controller refused to arm or start a session's prescription.
        OSError: a file cannot be written.
        ValueError: an exercise that the simulator does not know.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rig = rig or RigParameters()
    numbers = {participant.id: k for k, participant in enumerate(study.people)}
    people = {name: person(study, k, rig, seed) for name, k in numbers.items()}

    def job(session: Session) -> _Rehearsed:
        streams = np.random.SeedSequence(seed, spawn_key=(numbers[session.participant], session.period))
        day, set_seed = streams.spawn(2)
        lifter = on_day(people[session.participant], np.random.default_rng(day))
        begun_at = datetime.datetime.combine(session.earliest, datetime.time(HOUR), study.file.zone)
        return _Rehearsed(
            study.order_of(session),
            lifter if adjust is None else adjust(lifter, session),
            rig,
            set_seed,
            {"wall_clock_at_zero": begun_at.isoformat(), "study_sha256": study.hash, "rig": "simulated"},
        )

    sessions = due(study)
    for session, recording in zip(sessions, mapper(_recording, map(job, sessions)), strict=True):
        path = folder / f"{session.participant}-{session.period:02d}.mcap"
        path.write_bytes(recording)
        yield path
