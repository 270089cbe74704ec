"""The session file: who, how many minutes, and what is wished of each exercise, as a coach writes it.

Loads are newtons at the handle, per cable, or text with a unit such as ``"32 kg"``, as in a prescription. Paths in it
are relative to the file. Nothing is planned and no file is opened here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from ebbset.models.contract.field_types import Name, PlainText, RigName
from ebbset.models.contract.prescription import Fraction, LoadN, Prescription, Seconds
from ebbset.models.contract.problems import Problem
from ebbset.models.contract.toml_text import read_model, write_model
from ebbset.models.contract.units import LoadUnit

Wish = Literal["straight", "rest_pause", "drops", "worth"]
WISHES: Final[dict[str, str]] = {
    "straight": "straight sets",
    "rest_pause": "one rest-pause set",
    "drops": "one set that drops, or straight sets of which the last one drops",
    "worth": "whatever the minutes are worth",
}
Minutes = Annotated[float, Field(ge=0.5, le=180, allow_inf_nan=False)]
StepTitle = Annotated[PlainText, Field(min_length=1, max_length=120)]


class _SessionPart(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class SessionLimits(_SessionPart):
    """Limits of every set of an exercise; each has the meaning that it has in a prescription, and only ever
    tightens."""

    fatigue_left: Fraction | None = Field(
        default=None, description="largest estimated loss of capacity, 0 to 1; `budget.capacity_loss` of the sets"
    )
    hard_repetitions: Annotated[float, Field(gt=0, le=200)] | None = None
    max_drops: Annotated[int, Field(ge=0, le=50)] | None = None
    max_repetitions: Annotated[int, Field(ge=1, le=500)] | None = None
    max_duration_s: Annotated[float, Field(gt=0, le=3_600)] | None = None
    max_pause_s: Annotated[float, Field(gt=0, le=120)] | None = None
    min_rom_fraction: Fraction | None = None
    max_velocity_loss: Fraction | None = None
    max_left_right_difference: Fraction | None = None
    floor: LoadN | None = Field(default=None, description="lowest load under the lifter; a plan may set a higher one")


class SessionExercise(_SessionPart):
    """One exercise of a session."""

    exercise: Name
    rig: RigName = "rig1"
    wish: Wish | None = Field(default=None, description="what the plan makes of it; or else `prescription`")
    prescription: Annotated[str, Field(min_length=1, max_length=400)] | None = Field(
        default=None, description="file of a prescription that is done as it stands"
    )
    profile: Annotated[str, Field(min_length=1, max_length=400)] | None = Field(
        default=None, description="file of the lifter's profile; a wish needs one"
    )
    sets: Annotated[int, Field(ge=1, le=10)] = Field(
        default=3, description="sets, at most; fewer only where the form is one set or `may_shorten` is true"
    )
    rest_s: Annotated[Seconds, Field(ge=10)] = Field(default=120.0, description="rest before each set but the first")
    change_s: Seconds = Field(default=60.0, description="time to come to this exercise from another one")
    may_shorten: bool = Field(default=False, description="fewer sets, shorter rests and a shorter last set are allowed")
    may_leave_out: bool = Field(default=False, description="sets of it, or all of it, are left out when time runs out")
    start_low: LoadN | None = Field(default=None, description="the start load is never brought below this")
    start_high: LoadN | None = Field(
        default=None, description="the start load is never brought above this; left out: above the planned one"
    )
    limits: SessionLimits = SessionLimits()

    @model_validator(mode="after")
    def _one_order(self) -> Self:
        for problem in _exercise_relations(self.model_dump()):
            raise ValueError(str(problem))
        return self


class SessionFile(_SessionPart):
    """One session of one lifter."""

    version: Literal[1] = 1
    name: StepTitle
    lifter: Name = Field(description="pseudonym; never a name, address or number of a person")
    minutes: Minutes = Field(description="all the time there is, rests and changes included")
    units: LoadUnit = "kg"
    times_a_week: Annotated[float, Field(ge=0.25, le=7, allow_inf_nan=False)] = Field(
        default=2.0, description="how often a session like this is done; bounds what more sets in it can add"
    )
    any_order: bool = Field(default=False, description="whether the plan may do the exercises in another order")
    exercises: Annotated[tuple[SessionExercise, ...], Field(min_length=1, max_length=8)]

    @classmethod
    def from_toml(cls, text: str, *, what: str = "session") -> SessionFile:
        """Read from TOML; raises `BadDocumentError` naming every field that is wrong.

        Args:
            text: the TOML document.
            what: its name in error messages.
        """
        return read_model(cls, text, what=what, relations=_relations)

    def to_toml(self) -> str:
        """Write as TOML; reading it back gives an equal session."""
        return write_model(self)


def _exercise_relations(data: Mapping[str, Any]) -> Iterator[Problem]:
    wish, prescription = data.get("wish"), data.get("prescription")
    if (wish is None) == (prescription is None):
        value = "missing" if wish is None else f"{wish!r} beside a prescription"
        yield Problem("wish", value, f"either one of {', '.join(WISHES)}, or a prescription", "value_error")
    if wish is not None and data.get("profile") is None:
        yield Problem("profile", "missing", "the file of a profile, since a wish is planned from one", "value_error")
    low, high = data.get("start_low"), data.get("start_high")
    if isinstance(low, float) and isinstance(high, float) and low > high:
        yield Problem("start_low", f"{low:g} N", f"at most start_high = {high:g} N", "value_error")
    limits = data.get("limits")
    floor = limits.get("floor") if isinstance(limits, Mapping) else None
    if isinstance(floor, float) and isinstance(high, float) and floor > high:
        yield Problem("limits.floor", f"{floor:g} N", f"at most start_high = {high:g} N", "value_error")


def _relations(data: Mapping[str, Any]) -> Iterator[Problem]:
    """The same rules on a document whose fields may be wrong, so that all its problems are told at once."""
    exercises = data.get("exercises")
    for k, one in enumerate(exercises if isinstance(exercises, list) else []):
        if isinstance(one, Mapping):
            for problem in _exercise_relations(one):
                yield Problem(f"exercises[{k}].{problem.field}", problem.value, problem.allowed, problem.kind)


def within_limits(prescription: Prescription, limits: SessionLimits) -> Prescription:
    """The prescription with every limit that is asked for, where it did not have a stricter one of its own.

    Args:
        prescription: the set.
        limits: the limits.
    """
    data = prescription.model_dump()
    budget, stop, load = data["budget"], data["stop"], data["load"]
    budget["capacity_loss"] = _least(budget["capacity_loss"], limits.fatigue_left)
    budget["hard_repetitions"] = _least(budget["hard_repetitions"], limits.hard_repetitions)
    for name in _LEAST:
        stop[name] = _least(stop[name], getattr(limits, name))
    stop["min_rom_fraction"] = _most(stop["min_rom_fraction"], limits.min_rom_fraction)
    load["floor_n"] = _most(load["floor_n"], limits.floor)
    load["start_n"] = max(load["start_n"], load["floor_n"])
    for bout in data["bouts"]:
        if bout["load_n"] is not None:
            bout["load_n"] = max(bout["load_n"], load["floor_n"])
    return Prescription.model_validate(data)


_LEAST: Final = (
    "max_drops",
    "max_repetitions",
    "max_duration_s",
    "max_pause_s",
    "max_velocity_loss",
    "max_left_right_difference",
)
"""Limits of `StopSection` of which the smaller value is the stricter one."""


def _least(own: float | None, asked: float | None) -> float | None:
    return min((value for value in (own, asked) if value is not None), default=None)


def _most(own: float | None, asked: float | None) -> float | None:
    return max((value for value in (own, asked) if value is not None), default=None)
