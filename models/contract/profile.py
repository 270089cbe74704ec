"""The lifter profile: load–velocity line, velocity at 1RM, 1RM and ROM of one person on one exercise.

Every figure carries its uncertainty and the profile its date. The relation is a straight line in relative load,
``velocity = v0 - (v0 - v_1rm) * load / one_rm``, which individual data support (R² .97 to .99, see
`ebbset.models.physiology.load_velocity`). A profile is pseudonymous: a label, never a name.
"""

from __future__ import annotations

import datetime
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from ebbset.models.contract.field_types import Name
from ebbset.models.contract.toml_text import read_model, write_model


class Uncertain(BaseModel):
    """A figure and its standard deviation, in the unit its field names."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    mean: float
    sd: Annotated[float, Field(ge=0)]


class LifterProfile(BaseModel):
    """One person on one exercise."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    version: Literal[1] = 1
    lifter: Name = Field(description="pseudonym; never a name, address or number of a person")
    exercise: Name
    date: datetime.date
    sets_used: Annotated[int, Field(ge=0)] = 0
    one_rm_n: Uncertain | None = Field(default=None, description="1RM at the handle, newtons per cable")
    velocity_at_zero_m_s: Uncertain = Field(description="mean concentric velocity where the line meets zero load")
    velocity_at_1rm_m_s: Uncertain = Field(description="mean concentric velocity at 1RM")
    residual_sd_m_s: Annotated[float, Field(gt=0, le=0.3)] = 0.04
    rom_m: Uncertain | None = None

    @model_validator(mode="after")
    def _line_falls(self) -> Self:
        zero, at_1rm = self.velocity_at_zero_m_s.mean, self.velocity_at_1rm_m_s.mean
        if zero > 6:
            raise ValueError(f"velocity_at_zero_m_s.mean is {zero:g}; allowed: at most 6")
        if not 0 < at_1rm < zero:
            raise ValueError(
                f"velocity_at_1rm_m_s.mean is {at_1rm:g}; allowed: above 0 and below velocity_at_zero_m_s.mean, "
                f"which is {zero:g}"
            )
        if self.one_rm_n is not None and self.one_rm_n.mean <= 0:
            raise ValueError(f"one_rm_n.mean is {self.one_rm_n.mean:g}; allowed: above 0")
        if self.rom_m is not None and not 0.05 <= self.rom_m.mean <= 2.5:
            raise ValueError(f"rom_m.mean is {self.rom_m.mean:g}; allowed: from 0.05 to 2.5")
        return self

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
