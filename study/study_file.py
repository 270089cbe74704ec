"""A study: its file, its hash, its schedule, the prescription of each session and what its screens may show.

The hash covers the study file and every prescription that it names, so that nothing can be changed unnoticed once the
first session is recorded. It travels in the notes of each session's prescription and so into every recording, whoever
records. Nothing is run, measured or judged here (`fidelity` judges).
"""

from __future__ import annotations

import datetime
import hashlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final, Literal, Self

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from ebbset.controller.recording.regular_files import read_document
from ebbset.controller.service.documents import read_prescription
from ebbset.models.contract.field_types import Name, PlainText
from ebbset.models.contract.prescription import LoadN, Prescription
from ebbset.models.contract.problems import BadDocumentError, Problem
from ebbset.models.contract.study_mark import Mark
from ebbset.models.contract.toml_text import read_model
from ebbset.simulators.closed_loop.load_scaling import scaled
from ebbset.study.randomisation import Balance, balance_of, crossover, parallel

_FIRST_DAY: Final = datetime.date(2000, 1, 1)
_LAST_DAY: Final = datetime.date(2999, 12, 31)
Quantity = Literal["load", "velocity", "repetitions", "budget", "decisions"]


class _StudySection(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Condition(_StudySection):
    """One arm of the study."""

    code: Annotated[str, Field(pattern=r"^[A-Za-z0-9]{1,8}$", description="short code, in tables and schedules")]
    label: Annotated[PlainText, Field(min_length=1, max_length=120)]
    prescription: Annotated[PlainText, Field(min_length=1)] = Field(
        description="file of the prescription, beside the study file"
    )


class Participant(_StudySection):
    """One person, by pseudonym."""

    id: Name = Field(description="pseudonym; never a name, address or number of a person")
    one_rm_n: LoadN | None = Field(default=None, description="1RM per cable, for studies with relative loads")


class Blinding(_StudySection):
    """What screens leave out during a session."""

    condition: bool = Field(default=True, description="sessions are named by participant and period only")
    hide: tuple[Quantity, ...] = Field(default=(), description="quantities that the live screen leaves out")


class StudyFile(_StudySection):
    """A study as its authors registered it."""

    version: Literal[1] = 1
    name: Annotated[PlainText, Field(min_length=1, max_length=120)]
    seed: Annotated[int, Field(ge=0, le=2**53)]
    design: Literal["crossover", "parallel"]
    blocks: Annotated[int, Field(ge=1, le=20)] = Field(
        default=1, description="crossover: how often everyone meets every condition; parallel: sessions of each person"
    )
    start: datetime.date
    washout_days: Annotated[int, Field(ge=0, le=365)] = Field(description="least number of days between two sessions")
    reference_one_rm_n: LoadN | None = Field(
        default=None, description="1RM that the prescriptions are written for; loads are then scaled to each person's"
    )
    blinding: Blinding = Blinding()
    conditions: Annotated[tuple[Condition, ...], Field(min_length=2, max_length=20)]
    participants: Annotated[tuple[Participant, ...], Field(min_length=2, max_length=2_000)]

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        for what, names in (
            ("conditions.code", [c.code for c in self.conditions]),
            ("participants.id", [p.id for p in self.participants]),
        ):
            twice = [name for name, n in Counter(names).items() if n > 1]
            if twice:
                raise ValueError(f"{what} is {twice[0]!r} more than once; allowed: each of them once")
        # Recordings are named after participants, and to some file systems letters of another case are the same.
        cases: dict[str, str] = {}
        for person in self.participants:
            other = cases.setdefault(person.id.casefold(), person.id)
            if other != person.id:
                raise ValueError(
                    f"participants.id is {person.id!r}; allowed: one that differs from {other!r} in more than its case"
                )
        sessions = self.blocks * (len(self.conditions) if self.design == "crossover" else 1)
        days = (sessions - 1) * self.washout_days
        if not _FIRST_DAY <= self.start <= _LAST_DAY - datetime.timedelta(days=days):
            latest = _LAST_DAY - datetime.timedelta(days=days)
            raise ValueError(
                f"start is {self.start}; allowed: from {_FIRST_DAY} to {latest}, since the last session is {days} days "
                "later"
            )
        if self.reference_one_rm_n is not None:
            without = [p.id for p in self.participants if p.one_rm_n is None]
            if without:
                raise ValueError(
                    f"participants.one_rm_n is missing for {without[0]!r}; allowed: one for everyone, since loads are "
                    "relative"
                )
        return self


@dataclass(frozen=True, slots=True)
class Session:
    """One session of the schedule. ``period`` counts from 1."""

    participant: str
    period: int
    condition: str
    earliest: datetime.date


@dataclass(frozen=True, slots=True)
class Study:
    """A study file with its prescriptions, its hash and its schedule."""

    file: StudyFile
    prescriptions: Mapping[str, Prescription]
    hash: str
    schedule: tuple[Session, ...]
    balance: Balance

    def session(self, participant: str, period: int) -> Session | None:
        """A session of the schedule; ``None`` if there is no such session.

        Args:
            participant: pseudonym.
            period: number of the period.
        """
        return next((s for s in self.schedule if (s.participant, s.period) == (participant, period)), None)

    def order_of(self, session: Session) -> Prescription:
        """The prescription that is armed for a session: loads of this person, name and notes as blinding wants."""
        file = self.file
        base = self.prescriptions[session.condition]
        if file.reference_one_rm_n is not None:
            person = next(p for p in file.participants if p.id == session.participant)
            base = scaled(base, (person.one_rm_n or file.reference_one_rm_n) / file.reference_one_rm_n)
        mark = Mark(self.hash, session.participant, session.period, frozenset(file.blinding.hide))
        name = f"Session {session.period} of {session.participant}"
        if not file.blinding.condition:
            label = next(c.label for c in file.conditions if c.code == session.condition)
            name = f"{name}: {label}"[:120]
        return base.model_copy(update={"name": name, "notes": mark.text()})


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
    codes = [condition.code for condition in file.conditions]
    rng = np.random.default_rng(file.seed)
    people = len(file.participants)
    if file.design == "crossover":
        orders = crossover(people, len(codes), file.blocks, rng)
        balance = balance_of(orders, len(codes), period_length=len(codes))
    else:
        orders = parallel(people, len(codes), file.blocks, rng)
        balance = balance_of(orders, len(codes), period_length=1)
    step = datetime.timedelta(days=file.washout_days)
    schedule = tuple(
        Session(person.id, period + 1, codes[value], file.start + period * step)
        for person, order in zip(file.participants, orders, strict=True)
        for period, value in enumerate(order)
    )
    return Study(file, dict(prescriptions), study_hash(file, prescriptions), schedule, balance)


def study_hash(file: StudyFile, prescriptions: Mapping[str, Prescription]) -> str:
    """SHA-256 of the study's canonical JSON and of each prescription's digest, in the order of the conditions.

    Args:
        file: the study file.
        prescriptions: prescription of each condition, by code.
    """
    parts = [file.model_dump_json(), *(prescriptions[c.code].digest() for c in file.conditions)]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()
