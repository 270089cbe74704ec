"""A study: its hash, its people, its schedule and the prescription of each session.

The hash covers design, conditions and every prescription that the file names, so that none of them can be changed
unnoticed once the first session is recorded; people come and go by amendments, whose history has a digest of its own.
Both travel in the notes of each session's prescription and so into every recording, whoever records. Nothing is run,
measured or judged here (`fidelity` judges).
"""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from ebbset.controller.recording.regular_files import read_document
from ebbset.controller.service.documents import read_prescription
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.problems import BadDocumentError, Problem
from ebbset.models.contract.study_mark import Mark, Origin, order_digest, session_name
from ebbset.models.contract.toml_text import read_model
from ebbset.simulators.load_scaling import scaled
from ebbset.study import version_1
from ebbset.study.design import Participant, StudyFile
from ebbset.study.randomisation import Balance, Order, balance_of, crossover, parallel

_REGISTERED: Final = (
    "version", "name", "seed", "design", "blocks", "start", "washout_days", "reference_one_rm_n", "time_zone",
    "planned", "replacement", "blinding", "conditions",
)  # fmt: skip
"""Members of a study file that its hash covers: all but the people and the amendments."""
_HISTORY_DIGITS: Final = 16


@dataclass(frozen=True, slots=True)
class Session:
    """One session of the schedule. ``period`` counts from 1; ``earliest`` is a date at the site."""

    participant: str
    period: int
    condition: str
    earliest: datetime.date


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """When somebody stopped taking part, and why."""

    date: datetime.date
    reason: str


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who takes part, or did.

    Attributes:
        id: pseudonym.
        one_rm_n: 1RM per cable, if the study needs one.
        place: place in the allocation list, from 0.
        joined_with: number of the amendment that added them, from 1; 0 for those registered at first.
        since: first date on which they may have a session.
        replaces: whom they replace, if anybody.
        withdrawn: None for somebody who takes part.
    """

    id: str
    one_rm_n: float | None
    place: int
    joined_with: int
    since: datetime.date
    replaces: str | None
    withdrawn: Withdrawal | None


@dataclass(frozen=True, slots=True)
class Study:
    """A study file with its prescriptions, its hash and its schedule.

    Attributes:
        file: the file.
        prescriptions: prescription of each condition, by code.
        hash: SHA-256 of what is registered.
        history: digest of the people after each number of amendments, from none.
        people: everybody who takes part or did, in the order in which they joined.
        schedule: their sessions, those of people withdrawn included.
        balance: of everybody's orders.
    """

    file: StudyFile
    prescriptions: Mapping[str, Prescription]
    hash: str
    history: tuple[str, ...]
    people: tuple[Person, ...]
    schedule: tuple[Session, ...]
    balance: Balance

    @property
    def expected(self) -> tuple[Session, ...]:
        """Sessions of everybody who still takes part."""
        left = {person.id for person in self.people if person.withdrawn is not None}
        return tuple(session for session in self.schedule if session.participant not in left)

    def session(self, participant: str, period: int) -> Session | None:
        """A session of the schedule; ``None`` if there is no such session.

        Args:
            participant: pseudonym.
            period: number of the period.
        """
        return next((s for s in self.schedule if (s.participant, s.period) == (participant, period)), None)

    def person(self, name: str) -> Person | None:
        """Somebody who takes part or did; ``None`` if nobody has this pseudonym.

        Args:
            name: pseudonym.
        """
        return next((person for person in self.people if person.id == name), None)

    def order_of(self, session: Session, *, amendment: int | None = None) -> Prescription:
        """The prescription that is armed for a session: loads of this person, name and notes as blinding wants.

        Args:
            session: the session.
            amendment: number of amendments that the file had when it was written; None: all that it has now.
        """
        file = self.file
        base = self.prescriptions[session.condition]
        if file.reference_one_rm_n is not None:
            person = self.person(session.participant)
            one_rm_n = file.reference_one_rm_n if person is None else person.one_rm_n
            base = scaled(base, (one_rm_n or file.reference_one_rm_n) / file.reference_one_rm_n)
        name = session_name(session.participant, session.period)
        if not file.blinding.condition:
            label = next(c.label for c in file.conditions if c.code == session.condition)
            name = f"{name}: {label}"[:120]
        order = base.model_copy(update={"name": name, "notes": ""})
        number = len(file.amendments) if amendment is None else amendment
        return order.model_copy(update={"notes": self._mark(session, order, number).text()})

    def _mark(self, session: Session, order: Prescription, amendment: int) -> Mark:
        blinding = self.file.blinding
        if self.file.version == 1:
            return Mark(self.hash, session.participant, session.period, frozenset(blinding.hide))
        return Mark(
            self.hash,
            session.participant,
            session.period,
            blinding.hidden_from("lifter"),
            blinding.hidden_from("assessor"),
            Origin(amendment, self.history[amendment], order_digest(order)),
        )


def read_study(path: Path) -> Study:
    """The study in a file, with the prescriptions beside it.

    Raises:
        BadDocumentError: every problem of the study file or of a prescription.
        UnusableFileError: a file cannot be read.
    """
    file = read_model(StudyFile, read_document(path), what=str(path))
    prescriptions = {}
    for k, condition in enumerate(file.conditions):
        beside = path.parent / condition.prescription
        if not beside.resolve().is_relative_to(path.parent.resolve()):
            problem = Problem(
                f"conditions.{k}.prescription", repr(condition.prescription), "a file in the study's folder", "outside"
            )
            raise BadDocumentError(str(path), [problem])
        prescriptions[condition.code] = read_prescription(beside)
    return study_of(file, prescriptions)


def study_of(file: StudyFile, prescriptions: Mapping[str, Prescription]) -> Study:
    """A study from its parts; ``prescriptions`` by condition code.

    Args:
        file: the study file.
        prescriptions: prescription of each condition, by code.
    """
    if file.version == 1:
        prescriptions = {code: version_1.as_then(one) for code, one in prescriptions.items()}
    people = people_of(file)
    places = 1 + max(person.place for person in people)
    listed = allocation_list(file, places)
    orders = [listed[person.place] for person in people]
    step = datetime.timedelta(days=file.washout_days)
    schedule = tuple(
        Session(person.id, period + 1, file.conditions[value].code, person.since + period * step)
        for person, order in zip(people, orders, strict=True)
        for period, value in enumerate(order)
    )
    return Study(
        file=file,
        prescriptions=dict(prescriptions),
        hash=study_hash(file, prescriptions),
        history=history_of(file),
        people=people,
        schedule=schedule,
        balance=balance_in(file, orders),
    )


def balance_in(file: StudyFile, orders: list[Order]) -> Balance:
    """Balance of some of a study's orders; successions are counted within crossover blocks.

    Args:
        file: the study file.
        orders: orders of some of its people.
    """
    conditions = len(file.conditions)
    return balance_of(orders, conditions, period_length=conditions if file.design == "crossover" else 1)


def allocation_list(file: StudyFile, places: int) -> tuple[Order, ...]:
    """The allocation list: for each place, condition numbers in the order of sessions. A longer one begins with it.

    Args:
        file: the study file.
        places: length; a file of version 1 gives as many as it has participants.
    """
    if file.version == 1:
        return version_1.orders(file)
    rng = np.random.default_rng(file.seed)
    if file.design == "crossover":
        return crossover(places, len(file.conditions), file.blocks, rng)
    return parallel(places, len(file.conditions), file.blocks, rng, planned=file.planned)


def people_of(file: StudyFile) -> tuple[Person, ...]:
    """Everybody who takes part or did, with their places in the allocation list, in the order in which they joined.

    Args:
        file: the study file.
    """
    withdrawn = {
        name: Withdrawal(amendment.date, amendment.reason)
        for amendment in file.amendments
        for name in amendment.withdraw
    }
    places: dict[str, int] = {}
    free = 0
    found = []
    for joined_with, since, person, replaces in _joining(file):
        if replaces is not None and file.replacement == "same":
            place = places[replaces]
        else:
            place, free = free, free + 1
        places[person.id] = place
        found.append(Person(person.id, person.one_rm_n, place, joined_with, since, replaces, withdrawn.get(person.id)))
    return tuple(found)


def _joining(file: StudyFile) -> Iterator[tuple[int, datetime.date, Participant, str | None]]:
    for person in file.participants:
        yield 0, file.start, person, None
    for number, amendment in enumerate(file.amendments, start=1):
        for added in amendment.add:
            yield number, max(file.start, amendment.date), added, added.replaces


def history_of(file: StudyFile) -> tuple[str, ...]:
    """A digest of who takes part after each number of amendments, from none; each rests on the one before it.

    Args:
        file: the study file.
    """
    parts = [
        "\n".join(person.model_dump_json(exclude_defaults=True) for person in file.participants),
        *(amendment.model_dump_json(exclude_defaults=True) for amendment in file.amendments),
    ]
    found: list[str] = []
    for part in parts:
        chained = "\n".join([*found[-1:], part])
        found.append(hashlib.sha256(chained.encode()).hexdigest()[:_HISTORY_DIGITS])
    return tuple(found)


def study_hash(file: StudyFile, prescriptions: Mapping[str, Prescription]) -> str:
    """SHA-256 of what is registered and of each prescription, in the order of the conditions.

    Members at their defaults do not count, so that the hash outlives releases that add some. A file of version 1 is
    covered as a whole, with its participants.

    Args:
        file: the study file.
        prescriptions: prescription of each condition, by code.
    """
    if file.version == 1:
        parts = [version_1.canonical(file), *(prescriptions[c.code].digest() for c in file.conditions)]
    else:
        registered = file.model_dump_json(include=set(_REGISTERED), exclude_defaults=True)
        orders = (prescriptions[c.code].model_dump_json(exclude_defaults=True) for c in file.conditions)
        parts = [registered, *orders]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()
