"""The study file: design, conditions, participants, and the amendments since it was registered.

What is registered (design, conditions, prescriptions) never changes; who takes part may, by amendments with a date and
a reason. Here is what a file may say; `study_file` makes a study of it.
"""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Final, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from ebbset.models.contract.field_types import Name, PlainText
from ebbset.models.contract.prescription import LoadN
from ebbset.models.contract.study_mark import Audience

_FIRST_DAY: Final = datetime.date(2000, 1, 1)
_LAST_DAY: Final = datetime.date(2999, 12, 31)
SINCE_VERSION_2: Final = ("time_zone", "planned", "replacement", "amendments")
_NO_PLACE: Final = ("", "localtime", "Factory")
"""What a machine may know beside the names of places: where it happens to stand itself, and nothing."""
Quantity = Literal["load", "velocity", "repetitions", "budget", "decisions"]


def _is_time_zone(name: str) -> bool:
    if name in _NO_PLACE:
        return False
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


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


class AddedParticipant(Participant):
    """Somebody who joins by an amendment."""

    replaces: Name | None = Field(default=None, description="pseudonym of somebody withdrawn, who is replaced")


class Amendment(_StudySection):
    """A change of who takes part, made after registration."""

    date: datetime.date
    reason: Annotated[PlainText, Field(min_length=1, max_length=400)]
    add: tuple[AddedParticipant, ...] = Field(default=(), description="in the order in which they take their places")
    withdraw: tuple[Name, ...] = ()


class Blinding(_StudySection):
    """What screens leave out during a session."""

    condition: bool = Field(
        default=True, description="no screen of a session says or shows by name which condition it is"
    )
    hide: tuple[Quantity, ...] = Field(default=(), description="quantities that no screen of a session shows")
    hide_from_lifter: tuple[Quantity, ...] = Field(default=(), description="further ones, on the lifter's screen")
    hide_from_assessor: tuple[Quantity, ...] = Field(default=(), description="further ones, on the assessor's screen")

    def hidden_from(self, audience: Audience) -> frozenset[str]:
        """Everything that one audience must not see, ``condition`` among it.

        Args:
            audience: who looks at the screen.
        """
        further = self.hide_from_lifter if audience == "lifter" else self.hide_from_assessor
        return frozenset((*self.hide, *further, *(("condition",) if self.condition else ())))


class StudyFile(_StudySection):
    """A study as its authors registered it, with its amendments."""

    version: Literal[1, 2] = Field(
        default=1,
        description="2 where there is a time zone, planned number, replacement rule or amendment; else 1",
    )
    name: Annotated[PlainText, Field(min_length=1, max_length=120)]
    seed: Annotated[int, Field(ge=0, le=2**53)]
    design: Literal["crossover", "parallel"]
    blocks: Annotated[int, Field(ge=1, le=20)] = Field(
        default=1, description="crossover: how often everyone meets every condition; parallel: sessions of each person"
    )
    start: datetime.date
    washout_days: Annotated[int, Field(ge=0, le=365)] = Field(
        description="least number of days between the dates of two sessions"
    )
    reference_one_rm_n: LoadN | None = Field(
        default=None, description="1RM that the prescriptions are written for; loads are then scaled to each person's"
    )
    time_zone: str | None = Field(
        default=None, description="where sessions take place, as in the IANA database; needed from version 2 on"
    )
    planned: Annotated[int, Field(ge=2, le=2_000)] | None = Field(
        default=None, description="planned number of participants; parallel groups are then drawn in varied blocks"
    )
    replacement: Literal["none", "next", "same"] = Field(
        default="none", description="who replaces somebody withdrawn takes the next place of the list, or the same one"
    )
    blinding: Blinding = Blinding()
    conditions: Annotated[tuple[Condition, ...], Field(min_length=2, max_length=20)]
    participants: Annotated[tuple[Participant, ...], Field(min_length=2, max_length=2_000)]
    amendments: Annotated[tuple[Amendment, ...], Field(max_length=1_000)] = ()

    @model_validator(mode="before")
    @classmethod
    def _version_by_content(cls, data: Any) -> Any:
        """Files of version 1 named no version; one with anything newer is of version 2."""
        if isinstance(data, Mapping) and "version" not in data and any(name in data for name in SINCE_VERSION_2):
            return {**data, "version": 2}
        return data

    @field_validator("time_zone")
    @classmethod
    def _time_zone_is_known(cls, name: str | None) -> str | None:
        if name is None or _is_time_zone(name):
            return name
        hint = "" if _is_time_zone("UTC") else " (this machine has no such database: pip install tzdata)"
        raise ValueError(f"time_zone is {name!r}; allowed: a name of the IANA database such as Pacific/Auckland{hint}")

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        for problem in (*self._version_problems(), *self._name_problems(), *self._amendment_problems()):
            raise ValueError(problem)
        sessions = self.blocks * (len(self.conditions) if self.design == "crossover" else 1)
        days = (sessions - 1) * self.washout_days
        latest = _LAST_DAY - datetime.timedelta(days=days)
        for field, date in (("start", self.start), *self._amendment_dates()):
            if not _FIRST_DAY <= date <= latest:
                raise ValueError(
                    f"{field} is {date}; allowed: from {_FIRST_DAY} to {latest}, since the last session is {days} days "
                    "later"
                )
        if self.reference_one_rm_n is not None:
            without = [p.id for p in self.everybody() if p.one_rm_n is None]
            if without:
                raise ValueError(
                    f"participants.one_rm_n is missing for {without[0]!r}; allowed: one for everyone, since loads are "
                    "relative"
                )
        return self

    def everybody(self) -> tuple[Participant, ...]:
        """All participants, those who joined later included, in the order in which they joined."""
        return (*self.participants, *(person for amendment in self.amendments for person in amendment.add))

    @property
    def zone(self) -> ZoneInfo:
        """Time zone of the site; UTC for a file of version 1 that names none."""
        return ZoneInfo(self.time_zone or "UTC")

    def _version_problems(self) -> Iterator[str]:
        if self.version == 2 and self.time_zone is None:
            yield "time_zone is missing; allowed: a name of the IANA database such as Pacific/Auckland"
        if self.version == 1 and (self.planned or self.amendments or self.replacement != "none"):
            yield "version is 1; allowed: 2 for a study with a planned number, a replacement rule or amendments"
        blinding = self.blinding
        if self.version == 1 and (blinding.hide_from_lifter or blinding.hide_from_assessor):
            yield "version is 1; allowed: 2 for a study that hides something from lifter or assessor alone"

    def _name_problems(self) -> Iterator[str]:
        people = [person.id for person in self.everybody()]
        for what, names in (("conditions.code", [c.code for c in self.conditions]), ("participants.id", people)):
            twice = [name for name, n in Counter(names).items() if n > 1]
            if twice:
                yield f"{what} is {twice[0]!r} more than once; allowed: each of them once"
        # Recordings are named after participants, and to some file systems letters of another case are the same.
        cases: dict[str, str] = {}
        for person in people:
            other = cases.setdefault(person.casefold(), person)
            if other != person:
                yield f"participants.id is {person!r}; allowed: one that differs from {other!r} in more than its case"

    def _amendment_dates(self) -> Iterator[tuple[str, datetime.date]]:
        for k, amendment in enumerate(self.amendments):
            yield f"amendments.{k}.date", amendment.date

    def _amendment_problems(self) -> Iterator[str]:
        taking_part = {person.id for person in self.participants}
        to_replace: set[str] = set()
        before: datetime.date | None = None
        for k, amendment in enumerate(self.amendments):
            here = f"amendments.{k}"
            if before is not None and amendment.date < before:
                yield f"{here}.date is {amendment.date}; allowed: {before} or later, since amendments follow each other"
            before = amendment.date
            if not amendment.add and not amendment.withdraw:
                yield f"{here} is without add and withdraw; allowed: at least one of them"
            for name in amendment.withdraw:
                if name not in taking_part:
                    yield f"{here}.withdraw is {name!r}; allowed: somebody who takes part"
                taking_part.discard(name)
                to_replace.add(name)
            for person in amendment.add:
                yield from self._replacement_problems(here, person, to_replace)
                to_replace.discard(person.replaces or "")
                taking_part.add(person.id)

    def _replacement_problems(self, here: str, person: AddedParticipant, to_replace: set[str]) -> Iterator[str]:
        if person.replaces is None:
            return
        if self.replacement == "none":
            yield f'{here}.add.replaces is {person.replaces!r}; allowed: nobody, since replacement is "none"'
        elif person.replaces not in to_replace:
            yield f"{here}.add.replaces is {person.replaces!r}; allowed: somebody withdrawn and not replaced yet"
