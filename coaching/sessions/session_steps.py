"""A planned session: one step for each set that a person arms, with its prescription, its rest and its bounds."""

from __future__ import annotations

import hashlib
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from ebbset.coaching.sessions.session_file import Minutes, StepTitle
from ebbset.coaching.sessions.set_time import likely_s
from ebbset.models.contract.field_types import Name, PlainText, RigName
from ebbset.models.contract.prescription import LoadN, Prescription, Seconds
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.toml_text import read_model, write_model
from ebbset.models.contract.units import LoadUnit


class _PlanPart(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class SessionStep(_PlanPart):
    """One set of a session."""

    step: Annotated[int, Field(ge=1, le=80)] = Field(description="number of the step, counted from 1")
    exercise: Name
    rig: RigName = "rig1"
    title: StepTitle
    rest_before_s: Seconds = Field(default=0.0, description="from the end of the set before; changes included")
    expected_s: Seconds | None = Field(default=None, description="how long the set probably takes")
    may_shorten: bool = Field(default=False, description="its rest and its time limit may be cut when time runs out")
    may_leave_out: bool = Field(default=False, description="it is left out when time runs out")
    start_low_n: LoadN | None = Field(
        default=None, description="the start load is never brought below this, N per cable; left out: the floor load"
    )
    start_high_n: LoadN | None = Field(
        default=None, description="never above this, N per cable; left out: the planned start load"
    )
    prescription: Prescription = Field(description="the set, for a lifter who is fresh on the day of the profile")
    profile: LifterProfile | None = None

    @property
    def likely_s(self) -> float:
        """How long the set will probably take, s."""
        return likely_s(self.prescription) if self.expected_s is None else self.expected_s

    @property
    def bounds_n(self) -> tuple[float, float]:
        """Lowest and highest start load, N per cable; the highest one wins where they do not fit together."""
        load = self.prescription.load
        high_n = load.start_n if self.start_high_n is None else self.start_high_n
        low_n = load.floor_n if self.start_low_n is None else self.start_low_n
        return min(max(low_n, load.floor_n), high_n), high_n

    @model_validator(mode="after")
    def _of_one_exercise(self) -> Self:
        for what, exercise in (
            ("prescription", self.prescription.exercise),
            ("profile", self.exercise if self.profile is None else self.profile.exercise),
        ):
            if exercise != self.exercise:
                raise ValueError(f"{what}.exercise is {exercise!r}; allowed: the step's, {self.exercise!r}")
        floor_n, high_n = self.prescription.load.floor_n, self.start_high_n
        if high_n is not None and high_n < floor_n:
            raise ValueError(f"start_high_n is {high_n:g}; allowed: at least the floor load, {floor_n:g}")
        return self


class SessionPlanFile(_PlanPart):
    """A session that can be run: what `session plan` writes, or a coach by hand."""

    version: Literal[1] = 1
    name: StepTitle
    lifter: Name
    minutes: Minutes
    units: LoadUnit = "kg"
    why: Annotated[tuple[Annotated[PlainText, Field(max_length=2_000)], ...], Field(max_length=40)] = ()
    steps: Annotated[tuple[SessionStep, ...], Field(min_length=1, max_length=80)]

    @model_validator(mode="after")
    def _numbered_and_of_one_lifter(self) -> Self:
        for k, step in enumerate(self.steps):
            if step.step != k + 1:
                raise ValueError(f"steps[{k}].step is {step.step}; allowed: {k + 1}, since steps are counted in order")
            if step.profile is not None and step.profile.lifter != self.lifter:
                raise ValueError(
                    f"steps[{k}].profile.lifter is {step.profile.lifter!r}; allowed: the session's, {self.lifter!r}"
                )
        return self

    @property
    def rigs(self) -> tuple[str, ...]:
        """Names of the rigs, in the order in which they are first needed."""
        return tuple(dict.fromkeys(step.rig for step in self.steps))

    def digest(self) -> str:
        """SHA-256 of the plan's canonical JSON, by which a journal says what it is the journal of."""
        return hashlib.sha256(self.model_dump_json().encode()).hexdigest()

    @classmethod
    def from_toml(cls, text: str, *, what: str = "session plan") -> SessionPlanFile:
        """Read from TOML; raises `BadDocumentError` naming every field that is wrong.

        Args:
            text: the TOML document.
            what: its name in error messages.
        """
        return read_model(cls, text, what=what)

    def to_toml(self) -> str:
        """Write as TOML; reading it back gives an equal plan."""
        return write_model(self)
