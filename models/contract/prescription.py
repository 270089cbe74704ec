"""The prescription of one set: what a coach or a protocol wants done, and the only source of its limits.

A set is one or more *bouts* of work. Within a bout the load only goes down; between bouts there is a programmed rest
with the handle docked, after which a programmed load may come back. Straight sets, rest-pause, clusters, classic drop
sets and auto-drop sets are all described in these terms.

Loads are newtons at the handle, per cable; in a file they may also be text with a unit, such as ``"32 kg"``.
This module only holds and validates a prescription; it takes no decisions.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    SerializerFunctionWrapHandler,
    TypeAdapter,
    ValidationError,
    model_serializer,
    model_validator,
)

from ebbset.models.contract.field_types import Name, PlainLines, PlainText
from ebbset.models.contract.problems import Problem
from ebbset.models.contract.toml_text import read_model, write_model
from ebbset.models.contract.units import LoadUnit, from_newtons, parse_load


def _newtons(value: Any) -> Any:
    """Read text as a load; refuse true and false, which Python would take for numbers; leave the rest to pydantic."""
    return parse_load(value) if isinstance(value, str | bool) else value


LoadN = Annotated[float, Field(gt=0, le=5_000, allow_inf_nan=False), BeforeValidator(_newtons)]
Fraction = Annotated[float, Field(gt=0, lt=1, allow_inf_nan=False)]
Seconds = Annotated[float, Field(ge=0, le=3_600, allow_inf_nan=False)]


class _PrescriptionSection(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


_LOAD: TypeAdapter[float] = TypeAdapter(LoadN)
_REST: TypeAdapter[float] = TypeAdapter(Seconds)


def _told(load_n: float, unit: LoadUnit) -> str:
    """A load in the unit that the author works in, and in newtons as the fields of the file have it."""
    newtons = f"{load_n:g} N"
    return newtons if unit == "N" else f"{from_newtons(load_n, unit):.1f} {unit} ({newtons})"


def _load_relations(floor_n: float, start_n: float, unit: LoadUnit = "kg") -> Iterator[Problem]:
    if floor_n > start_n:
        yield Problem("floor_n", _told(floor_n, unit), f"at most start_n = {_told(start_n, unit)}", "value_error")


def _bout_relations(
    bouts: Sequence[tuple[float | None, float | None]], floor_n: float | None, start_n: float | None, unit: LoadUnit
) -> Iterator[Problem]:
    """What does not fit between bouts and loads; a value that is wrong itself is None and is left out."""
    for k, (load_n, rest_s) in enumerate(bouts):
        if load_n is not None and floor_n is not None and start_n is not None and not floor_n <= load_n <= start_n:
            allowed = f"from floor_n = {_told(floor_n, unit)} to start_n = {_told(start_n, unit)}"
            yield Problem(f"bouts[{k}].load_n", _told(load_n, unit), allowed, "value_error")
        if k == 0 and rest_s:
            allowed = "0, since the first bout begins at the start request"
            yield Problem("bouts[0].rest_before_s", f"{rest_s:g}", allowed, "value_error")
        if k > 0 and rest_s == 0:
            yield Problem(f"bouts[{k}].rest_before_s", "0", "above 0, since a bout follows a rest", "value_error")


def _relations(data: Mapping[str, Any]) -> Iterator[Problem]:
    """The same rules on a document whose fields may be wrong, so that all its problems are told at once."""

    def usable(adapter: TypeAdapter[float], value: Any) -> float | None:
        try:
            return adapter.validate_python(value)
        except ValidationError:
            return None

    unit: LoadUnit = next((known for known in get_args(LoadUnit) if known == data.get("units")), "kg")
    loads = data.get("load")
    loads = loads if isinstance(loads, Mapping) else {}
    floor_n, start_n = usable(_LOAD, loads.get("floor_n")), usable(_LOAD, loads.get("start_n"))
    if floor_n is not None and start_n is not None:
        for problem in _load_relations(floor_n, start_n, unit):
            yield Problem(f"load.{problem.field}", problem.value, problem.allowed, problem.kind)
    bouts = data.get("bouts")
    yield from _bout_relations(
        [
            (usable(_LOAD, bout.get("load_n")), usable(_REST, bout.get("rest_before_s", 0.0)))
            for bout in (bouts if isinstance(bouts, list) else [])
            if isinstance(bout, Mapping)
        ],
        floor_n,
        start_n,
        unit,
    )


class LoadSection(_PrescriptionSection):
    """Loads and how they may change."""

    start_n: LoadN = Field(description="load of the first bout and the most that this set may ever command, per cable")
    floor_n: LoadN = Field(description="lowest load under a lifter, per cable; below it the cable is unloaded")
    ramp_n_per_s: Annotated[float, Field(ge=1, le=5_000)] = Field(
        default=300.0,
        description="fastest change of load, per cable, so that no cable goes slack under a lifter",
    )
    cables: Literal["coupled", "independent"] = Field(
        default="coupled",
        description="two cables: drop both when one side stalls, or only the side that stalled",
    )

    @model_validator(mode="after")
    def _floor_below_start(self) -> Self:
        for problem in _load_relations(self.floor_n, self.start_n):
            raise ValueError(str(problem))
        return self


class StallSection(_PrescriptionSection):
    """When a repetition counts as failed."""

    rule: Literal["habits", "evidence", "dwell"] = Field(
        default="habits",
        description="habits: drop as soon as it is certain enough, by what this person does in this set, that the "
        "ascent will fail; evidence: the same by the exercise's usual velocities; dwell: drop when the handle has been "
        "slower than velocity_m_s for dwell_s",
    )
    patience: Literal["quick", "balanced", "patient"] = Field(
        default="balanced",
        description="rule habits: quick drops sooner and takes some hard repetitions for stalls, patient waits longer "
        "and lets some stalls be given up first",
    )
    certainty: Annotated[float, Field(ge=0.5, le=0.999)] = Field(
        default=0.975,
        description="rule evidence: probability of failure at which the load drops; higher means fewer false drops and "
        "later ones",
    )
    still_limit_s: Annotated[float, Field(ge=0.1, le=10)] = Field(
        default=2.0,
        description="rules habits and evidence: a handle that has not moved for this long counts as stalled whatever "
        "the evidence; with habits it usually counts sooner",
    )
    velocity_m_s: Annotated[float, Field(gt=0, le=0.3)] = Field(
        default=0.05,
        description="concentric velocity below which the handle counts as not moving; keep it under the person's "
        "velocity at 1RM less one standard deviation",
    )
    dwell_s: Annotated[float, Field(ge=0.02, le=5)] = Field(
        default=0.35,
        description="rule dwell: how long the handle must stay slower than velocity_m_s; a sticking region recovers, a "
        "stall does not",
    )
    grind_s: Annotated[float, Field(ge=0, le=10)] = Field(
        default=0.0, description="extra time that the lifter may fight a stalled load before it drops"
    )
    start_patience_s: Annotated[float, Field(ge=0.5, le=30)] = Field(
        default=5.0,
        description="how long the lifter may hold the load at the bottom before that counts as a stall",
    )
    release_velocity_m_s: Annotated[float, Field(gt=0.3, le=5)] = Field(
        default=1.3, description="handle speed toward the rig above which the handle counts as let go"
    )

    @model_serializer(mode="wrap")
    def _patience_of_its_rule(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        # Digests and recordings of prescriptions made before this field existed stay what they were.
        fields: dict[str, Any] = handler(self)
        if self.rule != "habits":
            fields.pop("patience", None)
        return fields

    @property
    def longest_decision_s(self) -> float:
        """How long a handle that does not move in an ascent may be under the load before that must be a stall."""
        return self.grind_s + (self.dwell_s if self.rule == "dwell" else self.still_limit_s)


class DropSection(_PrescriptionSection):
    """Which policy sizes a drop, and its parameters (which ones depends on the policy)."""

    policy: Name = "fixed_fraction"
    parameters: dict[str, float | int | str | bool] = Field(default_factory=dict)


class BudgetSection(_PrescriptionSection):
    """How much fatigue the set may spend."""

    capacity_loss: Fraction | None = Field(
        default=None, description="largest estimated loss of momentary capacity from fresh, 0 to 1"
    )
    hard_repetitions: Annotated[float, Field(gt=0, le=200)] | None = Field(
        default=None,
        description="largest number of hard repetitions (an estimated reserve of at most four), each counted less the "
        "more capacity was lost when it was done",
    )
    least_marginal_worth: Fraction | None = Field(
        default=None,
        description="ends the set when a hard repetition is estimated to add less than this fraction of what the first "
        "hard one added; a hypothesis with wide error",
    )


class StopSection(_PrescriptionSection):
    """Rules that end the set, whatever the policy says."""

    max_drops: Annotated[int, Field(ge=0, le=50)] | None = None
    max_repetitions: Annotated[int, Field(ge=1, le=500)] | None = None
    max_duration_s: Annotated[float, Field(gt=0, le=3_600)] = 600.0
    max_pause_s: Annotated[float, Field(gt=0, le=120)] = Field(
        default=8.0,
        description="longest time without movement, handle docked or not, outside rests; while an ascent is under way "
        "never less than the stall rule needs",
    )
    max_start_wait_s: Annotated[float, Field(gt=0, le=300)] = Field(
        default=30.0, description="longest wait for the first movement of a bout, with the loaded handle in the dock"
    )
    min_rom_fraction: Fraction | None = Field(
        default=None,
        description="completed repetitions shorter than this fraction of the reference ROM end the set",
    )
    rom_strikes: Annotated[int, Field(ge=1, le=20)] = Field(default=2, description="short repetitions in a row needed")
    max_velocity_loss: Fraction | None = Field(
        default=None, description="loss of mean velocity from the fastest repetition at the same load"
    )
    max_left_right_difference: Fraction | None = Field(
        default=None,
        description="difference between sides, in ROM or mean velocity, as a fraction of the larger; a repetition "
        "completed by one side alone counts as a difference of 1",
    )
    left_right_strikes: Annotated[int, Field(ge=1, le=20)] = 2
    floor_failures: Annotated[int, Field(ge=1, le=5)] = Field(
        default=1,
        description="stalls at the floor load that end the set; one motionless attempt counts once in start_patience_s",
    )


class SafetySection(_PrescriptionSection):
    """Timing of the link; a rig may ask for a shorter lease, never for a longer one."""

    lease_ms: Annotated[int, Field(ge=150, le=5_000)] = 600
    telemetry_timeout_ms: Annotated[int, Field(ge=50, le=5_000)] = 250

    @model_validator(mode="after")
    def _timeout_below_lease(self) -> Self:
        if self.telemetry_timeout_ms > self.lease_ms:
            raise ValueError(
                f"telemetry_timeout_ms is {self.telemetry_timeout_ms}; allowed: at most lease_ms = {self.lease_ms}"
            )
        return self


class Bout(_PrescriptionSection):
    """One stretch of work without a programmed rest."""

    load_n: LoadN | None = Field(default=None, description="load it begins with; start_n when left out")
    rest_before_s: Seconds = 0.0
    repetitions: Annotated[int, Field(ge=1, le=200)] | None = Field(
        default=None,
        description="completed repetitions that end the bout; left out: it ends by its stall rule or a stop rule",
    )
    on_stall: Literal["drop", "end"] = Field(default="drop", description="a stall drops the load, or ends the bout")


class Prescription(_PrescriptionSection):
    """One prescribed set."""

    version: Literal[1] = 1
    name: Annotated[PlainText, Field(min_length=1, max_length=120)]
    exercise: Name
    exercise_is_new: bool = Field(
        default=False, description="true for an exercise that ebbset has no figures for; without it, a typo is assumed"
    )
    units: LoadUnit = Field(default="kg", description="unit shown to people; the file and the wire stay in newtons")
    notes: Annotated[PlainLines, Field(max_length=2_000)] = ""
    load: LoadSection
    stall: StallSection = StallSection()
    drop: DropSection = DropSection()
    budget: BudgetSection = BudgetSection()
    stop: StopSection = StopSection()
    safety: SafetySection = SafetySection()
    bouts: Annotated[tuple[Bout, ...], Field(min_length=1, max_length=40)] = (Bout(),)

    @model_validator(mode="after")
    def _bouts_within_loads(self) -> Self:
        bouts = [(bout.load_n, bout.rest_before_s) for bout in self.bouts]
        for problem in _bout_relations(bouts, self.load.floor_n, self.load.start_n, self.units):
            raise ValueError(str(problem))
        return self

    @model_serializer(mode="wrap")
    def _without_default_declaration(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        # Digests and recordings of prescriptions made before this field existed stay what they were.
        fields: dict[str, Any] = handler(self)
        if not self.exercise_is_new:
            fields.pop("exercise_is_new", None)
        return fields

    def bout_load_n(self, index: int) -> float:
        """Load that a bout begins with, newtons per cable."""
        load_n = self.bouts[index].load_n
        return self.load.start_n if load_n is None else load_n

    def digest(self) -> str:
        """SHA-256 of the prescription's canonical JSON: equal prescriptions share it, whatever file they came from."""
        return hashlib.sha256(self.model_dump_json().encode()).hexdigest()

    @classmethod
    def from_toml(cls, text: str, *, what: str = "prescription") -> Prescription:
        """Read from TOML; raises `BadDocumentError` naming every field that is wrong.

        Args:
            text: the TOML document.
            what: its name in error messages.
        """
        return read_model(cls, text, what=what, relations=_relations)

    def to_toml(self) -> str:
        """Write as TOML; reading it back gives an equal prescription."""
        return write_model(self)


def example(**changes: Any) -> Prescription:
    """A small valid prescription for documentation and tests; the figures are invented."""
    base: dict[str, Any] = {
        "name": "Example",
        "exercise": "row",
        "load": {"start_n": 400.0, "floor_n": 120.0},
    }
    return Prescription.model_validate({**base, **changes})
