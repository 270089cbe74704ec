"""Published figures that both the fit and the table of checks are held against, each with its source."""

from __future__ import annotations

from typing import Final

LOADS: Final = (0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
VELOCITY_TARGETS_M_S: Final[dict[str, tuple[float, ...]]] = {
    # MPV table, from memory; measured velocity at 1RM: González-Badillo & Sánchez-Medina 2010, 10.1055/s-0030-1248333
    "bench_press": (1.15, 0.96, 0.79, 0.62, 0.47, 0.32, 0.16),
    # straight line through velocity at 1RM with the middle slope 0.0172 m/s per %1RM: Conceição et al. 2016
    "leg_press": (1.24, 1.07, 0.90, 0.73, 0.55, 0.38, 0.21),
    # straight line from 0.19 at 1RM with mean 0.695 over 40-100 %: Hernández-Belmonte et al. 2020, PMID 34079168
    "shoulder_press": (1.20, 1.03, 0.86, 0.70, 0.53, 0.36, 0.19),
    # prone bench pull, quadratic from memory: Sánchez-Medina et al. 2014
    "row": (1.37, 1.19, 1.04, 0.89, 0.75, 0.63, 0.51),
    # no profile known: the bench press's is taken, an assumption
    "curl": (1.15, 0.96, 0.79, 0.62, 0.47, 0.32, 0.16),
}
STICKING_TARGETS_S: Final = (0.2, 1.1)
"""Start of the sticking period and its end (start + 0.9 s) at 1RM: van den Tillaar & Ettema 2010, bench press."""
LEG_PRESS_SLOPE: Final = 0.0172
"""Fall of velocity, m/s per % 1RM: Conceição et al. 2016 J Sports Sci 34:1099-1106."""
HABITUAL_VELOCITY_M_S: Final = 0.25
"""Speed of ordinary repetitions in tests of repetitions to failure: about two seconds for the way up, as a metronome
is usually set; common practice, no source."""
RESTS_S: Final = (60.0, 180.0, 300.0)
REST_WORK_RATIOS: Final = (0.81, 0.87, 1.0)
"""Work of the second set to failure at 75 %1RM over that after 5 min: Richmond & Godard 2004 JSCR 18:846-849."""
SIX_SETS_RESERVES: Final[tuple[int | None, ...]] = (None, 1, 3)
SIX_SETS_CHANGES: Final = ((-0.22, -0.25), (-0.09, -0.13), (-0.06, -0.08))
"""Change of velocity at a fixed load over six sets of bench press at 75 %1RM, to failure, one and three repetitions in
reserve: first to last set, and before to 4 min after: Refalo et al. 2023, 10.1186/s40798-023-00554-y."""
