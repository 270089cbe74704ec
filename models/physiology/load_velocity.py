"""Load and velocity: the straight line in relative load, and generic lines per exercise with their sources.

Pure functions. A person's own line is in their profile; the generic ones here stand in until there is one, with
a between-person spread wide enough to say so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class LoadVelocityLine:
    """Mean concentric velocity against load relative to 1RM: ``v = v0 - (v0 - v_1rm) * load / one_rm``."""

    v0_m_s: float
    v0_sd_m_s: float
    v_1rm_m_s: float
    v_1rm_sd_m_s: float
    residual_sd_m_s: float

    def velocity_m_s(self, relative_load: float) -> float:
        """Mean velocity expected at a load given as part of 1RM (1.0 = 1RM)."""
        return self.v0_m_s - (self.v0_m_s - self.v_1rm_m_s) * relative_load

    def relative_load(self, velocity_m_s: float) -> float:
        """Load as part of the momentary 1RM that gives this mean velocity, from 0.02 up to 1.15."""
        raw = (self.v0_m_s - velocity_m_s) / (self.v0_m_s - self.v_1rm_m_s)
        return min(1.15, max(0.02, raw))


# v0 of each line is the published slope carried from V1RM to zero load; spreads of v0 are wide by judgement.
GENERIC_LINES: Final[dict[str, LoadVelocityLine]] = {
    # V1RM 0.16 ± 0.04: González-Badillo & Sánchez-Medina 2010, 10.1055/s-0030-1248333. Slope through their MPV
    # table from 40 to 100 % (from memory): 0.0162 m/s per %1RM.
    "bench_press": LoadVelocityLine(1.78, 0.15, 0.16, 0.04, 0.06),
    # V1RM 0.52 ± 0.06 and table 30 to 100 %: Sánchez-Medina et al. 2014 (from memory), prone bench pull.
    "row": LoadVelocityLine(2.00, 0.18, 0.52, 0.06, 0.07),
    # V1RM about 0.19, mean MPV of the profile 0.69 to 0.70: Hernández-Belmonte et al., PMID 34079168.
    "shoulder_press": LoadVelocityLine(1.62, 0.16, 0.19, 0.04, 0.06),
    # V1RM 0.21 ± 0.06, slope 0.0169 to 0.0175 m/s per %1RM: Conceição et al. 2016, 10.1080/02640414.2015.1090010.
    "leg_press": LoadVelocityLine(1.93, 0.15, 0.21, 0.06, 0.06),
    # Common practice, no source: an elbow flexion slower than a press at light loads.
    "curl": LoadVelocityLine(1.45, 0.25, 0.20, 0.06, 0.07),
}
UNKNOWN_EXERCISE_LINE: Final = LoadVelocityLine(1.75, 0.30, 0.22, 0.10, 0.08)


def generic_line(exercise: str) -> LoadVelocityLine:
    """The generic line of an exercise; a wide one for an exercise that has none."""
    return GENERIC_LINES.get(exercise, UNKNOWN_EXERCISE_LINE)
