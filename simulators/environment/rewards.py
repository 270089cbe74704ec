"""Named rewards for what followed an action: the stretch of a set from one stall to the next, or to its end.

A reward may use what only the simulator knows, which an observation never does. Worth is the hypothesis of
`models.physiology.stimulus`, relative and without a unit of growth; nothing here measures anything on anybody.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import Final

import numpy as np

from ebbset.models.physiology.stimulus import (
    ASSUMPTIONS,
    FIRST_FORM,
    SECOND_FORM,
    Done,
    Draws,
    FloatArray,
    log_likelihood,
    worth,
)
from ebbset.simulators.plant.truth import RepetitionTruth

_EXPONENTS: Final = 25
_UNKNOWN_COST: Final = 0.03
"""Part of the fresh capacity that a repetition costs where a stretch does not show it; our judgement for 70 to 80 % of
1RM."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """What happened between two stalls, or from the last one to the end, as it really was.

    Attributes:
        attempts: that ended in it, oldest first.
        began_s: time of the stall that it follows; of the first load for the stretch before the first stall.
        ended_s: time of the next stall, or of the end.
        at_stall: it ended with a load that the lifter could no longer move.
        fatigue: true loss of capacity when it began, 0 to 1.
        load_n: load in it, N per cable.
        one_rm_n: the lifter's fresh 1RM, N per cable.
        budget: prescribed limit of the loss of capacity; None: no limit.
    """

    attempts: tuple[RepetitionTruth, ...]
    began_s: float
    ended_s: float
    at_stall: bool
    fatigue: float
    load_n: float
    one_rm_n: float
    budget: float | None

    @property
    def completed(self) -> int:
        """Repetitions completed in it."""
        return sum(one.completed for one in self.attempts)


@lru_cache(maxsize=1)
def central_draws() -> tuple[Draws, FloatArray]:
    """The assumptions on worth on a grid, and the weight that the trials give each point; no random number is drawn.

    The grid holds both forms of both laws and 25 strengths of the discount for fatigue; every other assumption is at
    its middle. For whole ranges over the assumptions, a report draws all of them.

    Returns:
        Draws of shape (100,) and weights of that shape, which add up to 1.
    """
    low, high = ASSUMPTIONS["fatigue_exponent"].a, ASSUMPTIONS["fatigue_exponent"].b
    grid = np.array(
        list(product(np.linspace(low, high, _EXPONENTS), (FIRST_FORM, SECOND_FORM), (FIRST_FORM, SECOND_FORM)))
    )
    varied = dict(zip(("fatigue_exponent", "proximity_form", "fatigue_form"), grid.T, strict=True))
    middles = {
        name: np.full(len(grid), one.a if one.kind == "normal" else 0.5 * (one.a + one.b))
        for name, one in ASSUMPTIONS.items()
    }
    draws = Draws.of({**middles, **varied})
    log_weight = log_likelihood(draws)
    weight = np.exp(log_weight - log_weight.max())
    return draws, weight / weight.sum()


def done_in(stretch: Stretch) -> Done:
    """Reserve and fatigue of every attempt of a stretch, arrays of shape (attempts,).

    Where the stretch ended at a stall, the repetitions in reserve are counted back from it; elsewhere they are what the
    true capacity still allows at this load, at the cost that the stretch shows. An attempt that began before the
    stretch was helped by the drop, and so was at failure. Fatigue is that at the end of the attempt before.
    """
    attempts = stretch.attempts
    left = [0.0] * len(attempts)
    counted = [k for k, one in enumerate(attempts) if one.completed and one.start_s >= stretch.began_s]
    cost = _cost(stretch, len(counted))
    for place, k in enumerate(counted):
        if stretch.at_stall:
            left[k] = float(len(counted) - 1 - place)
        else:
            left[k] = max((attempts[k].capacity - stretch.load_n / stretch.one_rm_n) / cost, 0.0)
    before = [stretch.fatigue, *(1.0 - one.capacity for one in attempts[:-1])] if attempts else []
    nothing = np.zeros(len(attempts))
    return Done(
        reserve=np.array(left, dtype=np.float64),
        reserve_sd=nothing,
        fatigue=np.clip(np.array(before, dtype=np.float64), 0.0, 1.0),
        fatigue_sd=nothing,
        completed=np.array([one.completed for one in attempts], dtype=np.bool_),
    )


def _cost(stretch: Stretch, counted: int) -> float:
    if counted == 0:
        return _UNKNOWN_COST
    lost = (1.0 - stretch.attempts[-1].capacity) - stretch.fatigue
    return lost / len(stretch.attempts) if lost > 0.0 else _UNKNOWN_COST


def _worth_of_each(stretch: Stretch) -> FloatArray:
    draws, weights = central_draws()
    return np.asarray(weights @ worth(draws, done_in(stretch)), dtype=np.float64)


def _worth(stretch: Stretch, _wanted: float) -> float:
    return float(_worth_of_each(stretch).sum())


def _worth_within_budget(stretch: Stretch, _wanted: float) -> float:
    within = done_in(stretch).fatigue <= (1.0 if stretch.budget is None else stretch.budget)
    return float(_worth_of_each(stretch)[within].sum())


def _repetitions_wanted(stretch: Stretch, wanted: float) -> float:
    apart = stretch.completed - wanted
    # A stretch that something else ended may have held more repetitions, so too few of them say nothing.
    return -abs(apart) if stretch.at_stall else -max(apart, 0.0)


def _time(stretch: Stretch, _wanted: float) -> float:
    return -(stretch.ended_s - stretch.began_s) / 60.0


@dataclass(frozen=True, slots=True)
class Reward:
    """One named reward.

    Attributes:
        unit: of its value.
        meaning: in words.
        of: its value for a stretch and the number of repetitions wanted.
    """

    unit: str
    meaning: str
    of: Callable[[Stretch, float], float]


REWARDS: Final[Mapping[str, Reward]] = {
    "worth": Reward(
        "fresh repetitions at failure", "worth of the attempts in the stretch, relative, a hypothesis", _worth
    ),
    "worth_within_budget": Reward(
        "fresh repetitions at failure",
        "the same, of those that began before the true loss of capacity passed the prescribed one",
        _worth_within_budget,
    ),
    "repetitions_wanted": Reward(
        "repetitions", "minus the difference between the repetitions completed and those wanted", _repetitions_wanted
    ),
    "time": Reward("minutes", "minus the time to the next stall, or to the end", _time),
}
"""Rewards by name."""


def as_markdown() -> str:
    """The named rewards as a Markdown table."""
    lines = ["| reward | unit | meaning |", "|---|---|---|"]
    lines += [f"| `{name}` | {reward.unit} | {reward.meaning} |" for name, reward in REWARDS.items()]
    return "\n".join(lines) + "\n"


def weights_of(rewards: str | Mapping[str, float]) -> dict[str, float]:
    """Weight of each reward that was asked for.

    Args:
        rewards: one name, or weights by name.

    Raises:
        ValueError: an unknown name, no name at all, or a weight that is not finite.
    """
    weights = {rewards: 1.0} if isinstance(rewards, str) else dict(rewards)
    unknown = [name for name in weights if name not in REWARDS]
    if unknown or not weights:
        raise ValueError(f"rewards are {sorted(weights)}; allowed: one or more of {', '.join(REWARDS)}")
    for name, weight in weights.items():
        if not np.isfinite(weight):
            raise ValueError(f"rewards: the weight of {name} is {weight!r}; allowed: a finite number")
    return {name: float(weight) for name, weight in weights.items()}
