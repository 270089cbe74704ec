"""What a person is used to: tempo, pauses, how tidy the repetitions are, and how they give in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from ebbset.simulators.lifter.bounds import Bounds, check_bounds

MAXIMAL_M_S: Final = 99.0
"""A wish that nobody reaches: as fast as possible."""
_BOUNDS: Final[Bounds] = {
    "concentric_m_s": (0.05, MAXIMAL_M_S),
    "eccentric_m_s": (0.02, 2.0),
    "handling_m_s": (0.05, 1.0),
    "braking_m_s2": (0.5, 40.0),
    "pause_bottom_s": (0.0, 30.0),
    "pause_top_s": (0.0, 30.0),
    "pause_growth": (0.0, 30.0),
    "spread": (0.0, 0.5),
    "bottom_sd_m": (0.0, 0.05),
    "range_cv": (0.0, 0.1),
    "partial": (0.0, 1.0),
    "hold_chance": (0.0, 1.0),
    "hold_s": (0.0, 5.0),
    "talk_after": (0, 1000),
    "talk_s": (0.0, 300.0),
    "stops_after": (0, 1000),
    "jerk": (0.0, 0.3),
    "learning": (0.0, 0.3),
    "grind_m_s": (0.0, 0.2),
    "patience_s": (0.1, 20.0),
    "retries": (0, 100),
    "retry_ratio": (0.0, 1.5),
    "retry_wait_s": (0.0, 60.0),
    "reaction_s": (0.02, 2.0),
    "noise_cv": (0.0, 0.1),
    "repetition_noise_cv": (0.0, 0.1),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """How one person does repetitions, whatever moves the handle.

    Attributes:
        concentric_m_s: speed wanted on the way up, m/s; `MAXIMAL_M_S` is as fast as possible.
        eccentric_m_s: of the lowering, m/s.
        handling_m_s: of picking up, putting down and giving in, m/s.
        braking_m_s2: deceleration planned towards a goal, m/s².
        pause_bottom_s: pause at the bottom, fresh, s.
        pause_top_s: pause at the top, fresh, s.
        pause_growth: pauses are (1 + growth x lost capacity) times as long.
        spread: CV of pauses and tempo from repetition to repetition.
        bottom_sd_m: SD of the depth of the bottom, m.
        range_cv: CV of the top from repetition to repetition, as a share of the range.
        partial: tendency to cut the top short when tired; 0 none.
        hold_chance: chance that an ascent is held on purpose somewhere on its way.
        hold_s: for so long on average, s.
        talk_after: stops at the top after so many repetitions; 0 never.
        talk_s: for so long, s.
        stops_after: puts the handle down after so many repetitions; 0 goes on to failure.
        jerk: relative fluctuation of force at 4 Hz in a slow ascent.
        learning: share of the effort that is missing in the first repetition and comes within a few.
        grind_m_s: slower than this is no progress, m/s.
        patience_s: how long without progress before giving in, s.
        give_in: lowers the handle, or lets it go.
        retries: tries of the same load after a failure before the handle is put down.
        retry_ratio: goes on if the load has become less than this share of the one that stopped them.
        retry_wait_s: waits so long for it, s.
        reaction_s: time to notice that the load has gone, s.
        noise_cv: fluctuation of force within a repetition.
        repetition_noise_cv: from repetition to repetition.

    Raises:
        ValueError: a value outside what makes sense; names it.
    """

    concentric_m_s: float = MAXIMAL_M_S
    eccentric_m_s: float = 0.35
    handling_m_s: float = 0.3
    braking_m_s2: float = 8.0
    pause_bottom_s: float = 0.1
    pause_top_s: float = 0.2
    pause_growth: float = 2.0
    spread: float = 0.1
    bottom_sd_m: float = 0.0
    range_cv: float = 0.0
    partial: float = 0.0
    hold_chance: float = 0.0
    hold_s: float = 0.6
    talk_after: int = 0
    talk_s: float = 8.0
    stops_after: int = 0
    jerk: float = 0.0
    learning: float = 0.0
    grind_m_s: float = 0.05
    patience_s: float = 1.0
    give_in: Literal["lowers", "lets_go"] = "lowers"
    retries: int = 2
    retry_ratio: float = 0.95
    retry_wait_s: float = 1.5
    reaction_s: float = 0.25
    noise_cv: float = 0.01
    repetition_noise_cv: float = 0.012

    def __post_init__(self) -> None:
        check_bounds(self, _BOUNDS)
        if self.give_in not in ("lowers", "lets_go"):
            raise ValueError(f"give_in is {self.give_in!r}; allowed: lowers, lets_go")


FULL_EFFORT: Final = Habits(
    pause_growth=0.0, spread=0.0, patience_s=1.5, retries=0, noise_cv=0.0, repetition_noise_cv=0.0
)
"""As in a strength test: nothing fluctuates, nothing is held back."""


def draw_habits(rng: np.random.Generator) -> Habits:
    """Habits of somebody nobody has seen: from explosive to tempo, tidy to careless, giving in early or late.

    The ranges are ours, wide on purpose: what is judged on these people should not hang on how people behave.

    Args:
        rng: source of every random number.
    """
    maximal = rng.random() < 0.55
    drawn: dict[str, Any] = {
        "concentric_m_s": MAXIMAL_M_S if maximal else float(rng.uniform(0.2, 0.6)),
        "eccentric_m_s": float(rng.uniform(0.2, 0.6)),
        "handling_m_s": float(rng.uniform(0.2, 0.45)),
        "braking_m_s2": float(rng.uniform(3.0, 12.0)),
        "pause_bottom_s": float(rng.exponential(0.3)),
        "pause_top_s": float(rng.exponential(0.4)),
        "pause_growth": float(rng.uniform(0.0, 4.0)),
        "spread": float(rng.uniform(0.02, 0.3)),
        "bottom_sd_m": float(rng.uniform(0.0, 0.02)),
        "range_cv": float(rng.uniform(0.0, 0.05)),
        "jerk": float(rng.uniform(0.03, 0.15)) if rng.random() < 0.2 else 0.0,
        "learning": float(rng.uniform(0.0, 0.06)),
        "grind_m_s": float(rng.uniform(0.03, 0.07)),
        "patience_s": float(np.clip(1.4 * math.exp(0.6 * rng.standard_normal()), 0.35, 5.0)),
        "give_in": "lets_go" if rng.random() < 0.05 else "lowers",
        "retries": int(rng.integers(0, 3)),
        "retry_wait_s": float(rng.uniform(1.0, 4.0)),
        "reaction_s": float(rng.uniform(0.15, 0.5)),
        "noise_cv": float(rng.uniform(0.005, 0.02)),
        "repetition_noise_cv": float(rng.uniform(0.005, 0.04)),
    }
    special = rng.random(4)
    if special[0] < 0.15:
        drawn |= {"hold_chance": float(rng.uniform(0.1, 0.5)), "hold_s": float(rng.uniform(0.3, 1.2))}
    if special[1] < 0.12:
        drawn |= {"talk_after": int(rng.integers(1, 5)), "talk_s": float(rng.uniform(2.0, 12.0))}
    if special[2] < 0.15:
        drawn["partial"] = float(rng.uniform(0.3, 1.0))
    if special[3] < 0.1:
        drawn["stops_after"] = int(rng.integers(3, 12))
    return Habits(**drawn)
