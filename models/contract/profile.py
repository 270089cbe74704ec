"""The lifter profile: load–velocity line, velocity at 1RM, 1RM and ROM of one person on one exercise.

Every figure carries its uncertainty and the profile its date. The relation is a straight line in relative load,
``velocity = v0 - (v0 - v_1rm) * load / one_rm``, which individual data support (R² .97 to .99, see
`ebbset.models.physiology.load_velocity`). A profile is pseudonymous: a label, never a name.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from typing import Annotated, Final, Literal, NamedTuple, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from ebbset.models.contract.field_types import Name, Token
from ebbset.models.contract.toml_text import read_model, write_model

MOST_SETS: Final = 400
"""A profile travels in requests, whose size is limited."""


class FigureBounds(NamedTuple):
    """What a figure of a profile may be: its mean from least to most, and the most that its deviation may be."""

    least: float
    most: float
    most_sd: float


BOUNDS: Final[dict[str, FigureBounds]] = {
    # From the load of an empty handle to several times the heaviest lifts recorded, some 5 kN (judgement).
    "one_rm_n": FigureBounds(1.0, 20_000.0, 20_000.0),
    # Published lines of slow and fast exercises meet zero load at 1.3 to 3 m/s (from memory); twice that is a throw.
    "velocity_at_zero_m_s": FigureBounds(0.1, 6.0, 2.0),
    # Published velocities at 1RM are 0.1 to 0.6 m/s, see `ebbset.models.physiology.load_velocity`; much slower is no
    # movement that a rig could tell from its noise.
    "velocity_at_1rm_m_s": FigureBounds(0.01, 3.0, 1.0),
    # From a wrist to the longest pull of a cable that anybody's arms and legs allow (judgement).
    "rom_m": FigureBounds(0.05, 2.5, 1.0),
}
"""Bounds within which the estimate stays finite and says something; a person's own figures are far inside them."""
LEAST_FALL_M_S: Final = 0.05
"""Least fall of velocity from no load to 1RM: a flatter line tells nothing of load, and is divided by (judgement)."""
LEAST_RESIDUAL_M_S: Final = 0.005
"""No repetition's mean velocity is known better than this, with any sensor (judgement)."""


class Uncertain(BaseModel):
    """A figure and its standard deviation, in the unit its field names."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    mean: float
    sd: Annotated[float, Field(ge=0)]


class ProfileSet(BaseModel):
    """One set that a profile was made from."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    origin: Literal["person", "simulated", "typed"] = Field(
        description="lifted by a person and recorded; simulated and recorded; or typed in, which nobody can check"
    )
    date: datetime.date
    nonce: Token | None = Field(default=None, description="of the arming, by which a recording given again is known")


class LifterProfile(BaseModel):
    """One person on one exercise."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    version: Literal[1] = 1
    lifter: Name = Field(description="pseudonym; never a name, address or number of a person")
    exercise: Name
    date: datetime.date
    sets_used: Annotated[int, Field(ge=0, le=10**6)] = 0
    sets: Annotated[tuple[ProfileSet, ...], Field(max_length=MOST_SETS)] = Field(
        default=(), description="the sets that it was made from; none in a profile written by hand"
    )
    one_rm_n: Uncertain | None = Field(
        default=None, description="1RM at the handle, newtons per cable; 1 to 20000, its sd at most the mean"
    )
    velocity_at_zero_m_s: Uncertain = Field(
        description="mean concentric velocity where the line meets zero load; 0.1 to 6, its sd at most 2"
    )
    velocity_at_1rm_m_s: Uncertain = Field(
        description="mean concentric velocity where the straight part of the line meets 1RM, from which it may bend "
        "near 1RM; 0.01 to 3, at least 0.05 under that at no load, its sd at most 1"
    )
    residual_sd_m_s: Annotated[float, Field(ge=LEAST_RESIDUAL_M_S, le=0.3)] = 0.04
    rom_m: Uncertain | None = Field(default=None, description="range of motion; 0.05 to 2.5, its sd at most 1")

    @model_validator(mode="after")
    def _figures_within_bounds(self) -> Self:
        for name in BOUNDS:
            figure = getattr(self, name)
            problem = None if figure is None else figure_problem(name, figure)
            if problem is not None:
                raise ValueError(problem)
        problem = line_problem(self.velocity_at_zero_m_s, self.velocity_at_1rm_m_s)
        if problem is not None:
            raise ValueError(problem)
        return self

    @property
    def simulated(self) -> bool:
        """A simulated set went into it, so it says nothing about a person."""
        return any(one.origin == "simulated" for one in self.sets)

    def with_sets(self, new: Iterable[ProfileSet]) -> LifterProfile:
        """The profile with further sets noted. Of more than `MOST_SETS`, the oldest are forgotten, simulated ones last.

        Args:
            new: sets to note.
        """
        known = sorted((*self.sets, *new), key=lambda one: (one.origin == "simulated", one.date))
        return self.model_copy(update={"sets": tuple(sorted(known[-MOST_SETS:], key=lambda one: one.date))})

    @classmethod
    def from_toml(cls, text: str, *, what: str = "profile") -> LifterProfile:
        """Read from TOML; raises `BadDocumentError` naming every field that is wrong.

        Args:
            text: the TOML document.
            what: its name in error messages.
        """
        return read_model(cls, text, what=what)

    def to_toml(self) -> str:
        """Write as TOML; reading it back gives an equal profile."""
        return write_model(self)


def figure_problem(name: str, figure: Uncertain) -> str | None:
    """What is wrong with one figure of a profile, in a sentence; None when nothing is.

    Args:
        name: of the field.
        figure: its value.
    """
    bounds = BOUNDS[name]
    if not bounds.least <= figure.mean <= bounds.most:
        return f"{name}.mean is {figure.mean:g}; allowed: from {bounds.least:g} to {bounds.most:g}"
    most_sd = min(bounds.most_sd, figure.mean) if name == "one_rm_n" else bounds.most_sd
    if figure.sd > most_sd:
        return f"{name}.sd is {figure.sd:g}; allowed: at most {most_sd:g}"
    return None


def line_problem(at_zero: Uncertain, at_1rm: Uncertain) -> str | None:
    """What is wrong with a load–velocity line, in a sentence; None when nothing is.

    Args:
        at_zero: velocity at zero load, m/s.
        at_1rm: velocity at 1RM, m/s.
    """
    if at_1rm.mean > at_zero.mean - LEAST_FALL_M_S:
        return (
            f"velocity_at_1rm_m_s.mean is {at_1rm.mean:g}; allowed: at least {LEAST_FALL_M_S:g} below "
            f"velocity_at_zero_m_s.mean, which is {at_zero.mean:g}"
        )
    return None
