"""What a repetition was probably worth for growth: a hypothesis with its assumptions, never a measurement.

``worth = proximity * discount``. The proximity weight falls exponentially with the repetitions left in reserve; the
discount falls with the fatigue in which the repetition was done. Both strengths are uncertain, so every function takes
arrays of *draws* of the assumptions and gives as many results; drawing them, with a seeded generator, is up to
the caller. The unit is one completed repetition at failure without fatigue, so all figures are relative, estimated.

The discount's strength is bound by what trials found: `log_likelihood` says how well a draw explains that drop
protocols with a third more sets did about as much as straight sets, and what longer rests between sets added.

Known limits: growth only (for strength the published slope over proximity is about nil: Robinson et al. 2024); loads
under some 30 % of 1RM are not discounted for being light; no assumption is about an individual person.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

_Z95: Final = 1.959964


@dataclass(frozen=True, slots=True)
class Published:
    """An effect with its 95 % interval, standardised mean difference, and where it stands."""

    mean: float
    low: float
    high: float
    source: str

    @property
    def sd(self) -> float:
        """Standard error that the interval means."""
        return (self.high - self.low) / (2.0 * _Z95)


FAILURE_ADVANTAGE: Final = Published(
    0.19, 0.00, 0.37, "set failure against stopping short, hypertrophy: Refalo et al. 2023, 10.1007/s40279-022-01784-y"
)
STRAIGHT_GROWTH: Final = Published(
    0.437, 0.266, 0.608, "traditional sets, hypertrophy: Sødal et al. 2023, 10.1186/s40798-023-00620-5"
)
DROP_ADVANTAGE: Final = Published(
    0.08,
    -0.08,
    0.24,
    "drop against traditional sets, hypertrophy: International Journal of Strength and Conditioning 2022, "
    "10.47206/ijsc.v2i1.135",
)
REST_ADVANTAGES: Final = (
    Published(0.13, -0.27, 0.51, "longer against short rests, arm: Singer et al. 2024, 10.3389/fspor.2024.1429789"),
    Published(0.17, -0.13, 0.43, "longer against short rests, thigh: same"),
)


@dataclass(frozen=True, slots=True)
class Assumption:
    """One thing that the estimate takes for granted, and how uncertain it is.

    Attributes:
        label: what people read.
        kind: "normal" with mean ``a`` and SD ``b``, or "uniform" from ``a`` to ``b``.
        a: see ``kind``.
        b: see ``kind``.
        source: where the figures come from.
    """

    label: str
    kind: Literal["normal", "uniform"]
    a: float
    b: float
    source: str


ASSUMPTIONS: Final[dict[str, Assumption]] = {
    "failure_advantage": Assumption(
        "growth lost by stopping short of failure",
        "normal",
        FAILURE_ADVANTAGE.mean,
        FAILURE_ADVANTAGE.sd,
        FAILURE_ADVANTAGE.source,
    ),
    "growth": Assumption(
        "growth of ordinary training that this is a part of",
        "normal",
        STRAIGHT_GROWTH.mean,
        STRAIGHT_GROWTH.sd,
        STRAIGHT_GROWTH.source,
    ),
    "compared_reserve": Assumption(
        "how far from failure those who stopped short were (repetitions)",
        "uniform",
        2.0,
        5.0,
        "our judgement; the trials seldom say",
    ),
    "fatigue_exponent": Assumption(
        "how much less a repetition done in fatigue is worth",
        "uniform",
        0.0,
        3.0,
        "our judgement before, bound by " + DROP_ADVANTAGE.source + "; " + REST_ADVANTAGES[0].source,
    ),
    "failed_worth": Assumption(
        "what an attempt that failed is worth against one completed", "uniform", 0.3, 1.0, "our judgement, no source"
    ),
    "reserve_z": Assumption(
        "error of the estimated repetitions in reserve", "normal", 0.0, 1.0, "the capacity estimate's own interval"
    ),
    "fatigue_z": Assumption(
        "error of the estimated fatigue", "normal", 0.0, 1.0, "the capacity estimate's own interval"
    ),
}


@dataclass(frozen=True, slots=True)
class Draws:
    """Draws of every assumption in `ASSUMPTIONS`, each an array of shape (draws,)."""

    failure_advantage: FloatArray
    growth: FloatArray
    compared_reserve: FloatArray
    fatigue_exponent: FloatArray
    failed_worth: FloatArray
    reserve_z: FloatArray
    fatigue_z: FloatArray

    @classmethod
    def of(cls, values: Mapping[str, FloatArray]) -> Draws:
        """From one array per assumption.

        Raises:
            ValueError: an assumption is missing, unknown, or of another length than the rest.
        """
        if values.keys() != ASSUMPTIONS.keys():
            raise ValueError(f"assumptions are {sorted(values)}; allowed: exactly {sorted(ASSUMPTIONS)}")
        if len({value.shape for value in values.values()}) != 1 or next(iter(values.values())).ndim != 1:
            raise ValueError("assumptions have different lengths; allowed: arrays of one shape (draws,)")
        return cls(**values)

    @property
    def size(self) -> int:
        """How many draws."""
        return int(self.growth.size)

    def take(self, index: npt.NDArray[np.int64]) -> Draws:
        """The draws at these positions."""
        return Draws(**{field.name: getattr(self, field.name)[index] for field in fields(self)})

    def held_at_median(self, but: str) -> Draws:
        """All assumptions at their medians except one."""
        held = {
            field.name: np.full(self.size, np.median(getattr(self, field.name)))
            for field in fields(self)
            if field.name != but
        }
        return replace(self, **held)

    @property
    def decay_per_repetition(self) -> FloatArray:
        """Rate at which a repetition's worth falls per repetition left in reserve, shape (draws,).

        What stopping short kept, ``1 - advantage / growth``, at the reserve of those who stopped short; never rising
        with distance, since the published slope is negative with an interval that excludes zero (Robinson et al.
        2024, 10.1007/s40279-024-02069-2).
        """
        kept = 1.0 - self.failure_advantage / np.maximum(self.growth, 0.1)
        return np.maximum(0.0, -np.log(np.clip(kept, 0.05, None)) / self.compared_reserve)


@dataclass(frozen=True, slots=True)
class Done:
    """Repetitions done, as known; arrays of shape (repetitions,).

    Attributes:
        reserve: repetitions left in reserve after each, 0 = the next would fail.
        reserve_sd: its standard deviation; 0 where a stall told it.
        fatigue: loss of momentary capacity from fresh when each began, 0 to 1.
        fatigue_sd: its standard deviation.
        completed: False for attempts that failed or stayed partial.
    """

    reserve: FloatArray
    reserve_sd: FloatArray
    fatigue: FloatArray
    fatigue_sd: FloatArray
    completed: BoolArray

    def __post_init__(self) -> None:
        shapes = {getattr(self, field.name).shape for field in fields(self)}
        if len(shapes) != 1 or self.reserve.ndim != 1:
            raise ValueError("the columns have different lengths; allowed: arrays of one shape (repetitions,)")
        for name in ("reserve", "reserve_sd", "fatigue", "fatigue_sd"):
            column = getattr(self, name)
            if not np.all(np.isfinite(column)) or np.any(column < 0.0):
                raise ValueError(f"{name} holds a value that is negative or not finite; allowed: finite, 0 or more")


def worth(draws: Draws, done: Done) -> FloatArray:
    """Relative worth of each repetition under each draw, shape (draws, repetitions).

    Args:
        draws: draws of the assumptions.
        done: the repetitions.
    """
    reserve = np.maximum(done.reserve + draws.reserve_z[:, None] * done.reserve_sd, 0.0)
    fatigue = np.clip(done.fatigue + draws.fatigue_z[:, None] * done.fatigue_sd, 0.0, 0.98)
    proximity = np.exp(-draws.decay_per_repetition[:, None] * reserve)
    discount = (1.0 - fatigue) ** draws.fatigue_exponent[:, None]
    whole = np.where(done.completed, 1.0, draws.failed_worth[:, None])
    return np.asarray(proximity * discount * whole, dtype=np.float64)


def moved_by(draws: Draws, figure: Callable[[Draws], FloatArray]) -> dict[str, float]:
    """Which assumption moves a figure most: shares of variance, one assumption at a time, largest first.

    Each assumption varies over its draws while all others stay at their medians; the variances are divided by their
    sum, so that the shares add up to one (or are all zero for a figure that nothing moves).

    Args:
        draws: draws of the assumptions.
        figure: the figure, shape (draws,), as a function of the draws.
    """
    variances = {name: float(np.var(figure(draws.held_at_median(name)))) for name in ASSUMPTIONS}
    total = sum(variances.values())
    ranked = sorted(variances.items(), key=lambda item: -item[1])
    return {name: variance / total if total > 1e-15 else 0.0 for name, variance in ranked}


# --- what trials found, as sets on paper --------------------------------------------------------------------------

TRIAL_LOAD: Final = 0.70
"""Load of a 12RM as part of 1RM: handbook chart, 67 to 70 %."""
_COST_PER_REPETITION: Final = (1.0 - TRIAL_LOAD) / 12.0 / TRIAL_LOAD
_HALF_TIME_S: Final = 50.8
"""Half-time of recovery at rest of 3CC-r, general joint (Looft et al. 2018), inside the 28 to 63 s of its joints and
near the measured 56.6 s of phosphocreatine (Bogdanis et al. 1995)."""
TRIAL_REST_S: Final = 90.0
SHORT_REST_S: Final = 60.0
LONG_REST_S: Final = 150.0
TRIAL_DROP: Final = 0.20


def paper_set(load: float, fatigue: float) -> tuple[Done, FloatArray, float]:
    """A set to failure on paper: fatigue grows by the same amount each repetition until capacity meets the load.

    Args:
        load: part of the fresh 1RM.
        fatigue: loss of capacity at its beginning, 0 to 1.

    Returns:
        The repetitions, how much of each counts (the last one counted may be a part), and the fatigue at its end.
    """
    end = 1.0 - load
    cost = _COST_PER_REPETITION * load
    count = max((end - fatigue) / cost, 0.0)
    reserve = np.arange(math.ceil(count), dtype=np.float64)
    zeros = np.zeros_like(reserve)
    done = Done(
        reserve=reserve,
        reserve_sd=zeros,
        fatigue=np.maximum(end - cost * (reserve + 1.0), 0.0),
        fatigue_sd=zeros,
        completed=np.ones(reserve.shape, dtype=np.bool_),
    )
    return done, np.minimum(1.0, count - reserve), max(end, fatigue)


def rested(fatigue: float, rest_s: float) -> float:
    """What is left of a loss of capacity after rest, on paper.

    Args:
        fatigue: loss of capacity before, 0 to 1.
        rest_s: rest, s.
    """
    return float(fatigue * 0.5 ** (rest_s / _HALF_TIME_S))


def straight_sets_worth(draws: Draws, sets: int, rest_s: float, fatigue: float = 0.0) -> FloatArray:
    """Worth of straight sets to failure on paper at the trials' load, begun with ``fatigue``, shape (draws,).

    Args:
        draws: draws of the assumptions.
        sets: how many.
        rest_s: rest between them, s.
        fatigue: loss of capacity at the start, 0 to 1.
    """
    total = np.zeros(draws.size)
    for _ in range(sets):
        done, part, fatigue = paper_set(TRIAL_LOAD, fatigue)
        total = total + worth(draws, done) @ part
        fatigue = rested(fatigue, rest_s)
    return total


def drop_set_worth(draws: Draws, drops: int) -> FloatArray:
    """Worth of one set with drops to failure on paper, no rest between, shape (draws,).

    Args:
        draws: draws of the assumptions.
        drops: how many, each a fifth.
    """
    total, fatigue, load = np.zeros(draws.size), 0.0, TRIAL_LOAD
    for _ in range(drops + 1):
        done, part, fatigue = paper_set(load, fatigue)
        total = total + worth(draws, done) @ part
        load *= 1.0 - TRIAL_DROP
    return total


def log_likelihood(draws: Draws) -> FloatArray:
    """How well each draw explains the trials, up to a constant, shape (draws,).

    A 12RM with three drops of a fifth stands against three sets of 12RM with 90 s rest (four sets against three, the
    usual third more; protocol of Fink et al. 2018 J Sports Med Phys Fit 58:597-605, from memory), with the pooled
    difference of the meta-analysis of drop sets in the International Journal of Strength and Conditioning 2022
    (10.47206/ijsc.v2i1.135); and short rests against longer ones with the differences of Singer et al. 2024
    (60 and 150 s stand for the two, our judgement).
    """
    straight = straight_sets_worth(draws, 3, TRIAL_REST_S)
    drop_gain = draws.growth * (drop_set_worth(draws, 3) / straight - 1.0)
    rest_gain = draws.growth * (
        1.0 - straight_sets_worth(draws, 3, SHORT_REST_S) / straight_sets_worth(draws, 3, LONG_REST_S)
    )
    total = -0.5 * ((drop_gain - DROP_ADVANTAGE.mean) / DROP_ADVANTAGE.sd) ** 2
    for found in REST_ADVANTAGES:
        total = total - 0.5 * ((rest_gain - found.mean) / found.sd) ** 2
    return np.asarray(total, dtype=np.float64)
