"""What a repetition was probably worth for growth: a hypothesis with its assumptions, never a measurement.

``worth = proximity * discount``. The proximity weight changes with the repetitions left in reserve, the discount with
the fatigue in which the repetition was done. Strength and form of both are uncertain, so every function takes
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
    """A published effect (standardised mean difference) with its 95 % interval and source."""

    mean: float
    low: float
    high: float
    source: str

    @property
    def sd(self) -> float:
        """Standard error implied by the interval."""

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
    Published(-0.08, -0.45, 0.29, "longer against short rests, whole body: same"),
)


@dataclass(frozen=True, slots=True)
class Assumption:
    """One thing that the estimate takes for granted, and how uncertain it is.

    Attributes:
        label: what people read.
        kind: "normal" with mean ``a`` and SD ``b``, "uniform" from ``a`` to ``b``, or "either" ``a`` or ``b``, equally
            likely.
        a: see ``kind``.
        b: see ``kind``.
        source: where the figures come from.
    """

    label: str
    kind: Literal["normal", "uniform", "either"]
    a: float
    b: float
    source: str


FIRST_FORM: Final = 0.0
SECOND_FORM: Final = 1.0

ASSUMPTIONS: Final[dict[str, Assumption]] = {
    "failure_advantage": Assumption(
        "growth lost by stopping short of failure",
        "normal",
        FAILURE_ADVANTAGE.mean,
        FAILURE_ADVANTAGE.sd,
        FAILURE_ADVANTAGE.source,
    ),
    "growth": Assumption(
        "growth from ordinary training, of which the loss is a part",
        "normal",
        STRAIGHT_GROWTH.mean,
        STRAIGHT_GROWTH.sd,
        STRAIGHT_GROWTH.source,
    ),
    "compared_reserve": Assumption(
        "repetitions in reserve of those who stopped short",
        "uniform",
        2.0,
        5.0,
        "our judgement; the trials seldom say",
    ),
    "fatigue_exponent": Assumption(
        "discount for a repetition done in fatigue (exponent)",
        "uniform",
        0.0,
        3.0,
        "our judgement, constrained by " + DROP_ADVANTAGE.source + "; " + REST_ADVANTAGES[0].source,
    ),
    "failed_worth": Assumption(
        "worth of a failed attempt relative to a completed one", "uniform", 0.3, 1.0, "our judgement, no source"
    ),
    "reserve_z": Assumption(
        "error of the estimated repetitions in reserve", "normal", 0.0, 1.0, "the capacity estimate's own interval"
    ),
    "fatigue_z": Assumption(
        "error of the estimated fatigue", "normal", 0.0, 1.0, "the capacity estimate's own interval"
    ),
    "proximity_form": Assumption(
        "how worth falls with repetitions in reserve: by an exponential, or by a straight line",
        "either",
        FIRST_FORM,
        SECOND_FORM,
        "our judgement; the meta-regressions leave the form open",
    ),
    "fatigue_form": Assumption(
        "how worth falls with fatigue: by a power of the capacity left, or by a straight line of the same start",
        "either",
        FIRST_FORM,
        SECOND_FORM,
        "our judgement, no source",
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
    proximity_form: FloatArray
    fatigue_form: FloatArray

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
        """All assumptions at their medians except one; of two forms, at the one that more draws hold."""
        held = {
            field.name: np.full(self.size, np.quantile(getattr(self, field.name), 0.5, method=_middle(field.name)))
            for field in fields(self)
            if field.name != but
        }
        return replace(self, **held)

    @property
    def kept(self) -> FloatArray:
        """Worth of a repetition as far from failure as those who stopped short were, shape (draws,), at least 0.05.

        Above one where the draw says that stopping short did more: the published interval (0.00 to 0.37) and that of
        momentary failure (-0.13 to 0.37, the same meta-analysis) do not rule it out.
        """
        return np.maximum(1.0 - self.failure_advantage / np.maximum(self.growth, 0.1), 0.05)

    def proximity(self, reserve: FloatArray) -> FloatArray:
        """Weight of repetitions with this reserve, shape (draws, repetitions).

        Both forms are one at failure and `kept` at the reserve of those who stopped short.

        Args:
            reserve: repetitions in reserve, shape (draws, repetitions).
        """
        kept = self.kept[:, None]
        apart = reserve / self.compared_reserve[:, None]
        line = np.maximum(1.0 - (1.0 - kept) * apart, 0.0)
        return np.where(self.proximity_form[:, None] == SECOND_FORM, line, kept**apart)

    def discount(self, fatigue: FloatArray) -> FloatArray:
        """Weight of repetitions begun in this fatigue, shape (draws, repetitions).

        Both forms are one without fatigue and begin to fall alike.

        Args:
            fatigue: loss of capacity, 0 to below 1, shape (draws, repetitions).
        """
        strength = self.fatigue_exponent[:, None]
        line = np.maximum(1.0 - strength * fatigue, 0.0)
        return np.where(self.fatigue_form[:, None] == SECOND_FORM, line, (1.0 - fatigue) ** strength)


def _middle(name: str) -> Literal["nearest", "linear"]:
    return "nearest" if ASSUMPTIONS[name].kind == "either" else "linear"


@dataclass(frozen=True, slots=True)
class Done:
    """Repetitions done, as known; arrays of shape (repetitions,).

    Attributes:
        reserve: repetitions left in reserve after each, 0 = the next would fail.
        reserve_sd: its standard deviation; 0 if it is known from a stall.
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
    whole = np.where(done.completed, 1.0, draws.failed_worth[:, None])
    return np.asarray(draws.proximity(reserve) * draws.discount(fatigue) * whole, dtype=np.float64)


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
PAUSED_LOAD: Final = 0.80
PAUSED_REPETITIONS: Final = 18
PAUSED_SET: Final = 6
PAUSE_S: Final = 20.0
PAUSED_AGAINST_REST_S: Final = 120.0
"""Rest-pause at 80 % of 1RM against three sets of six with two minutes of rest: Prestes et al. 2019, abstract
(10.1519/JSC.0000000000001923); the pauses of 20 s and the 18 repetitions from memory."""


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


def counted_worth(draws: Draws, load: float, repetitions: int, rest_s: float, *, most_in_a_set: int) -> FloatArray:
    """Worth of a number of repetitions on paper, in sets that end at failure or at a count, shape (draws,).

    Args:
        draws: draws of the assumptions.
        load: part of the fresh 1RM.
        repetitions: in all sets together.
        rest_s: rest after each set, s.
        most_in_a_set: a set ends after this many, if failure has not ended it.

    Raises:
        ValueError: the rest leaves no capacity for another repetition at this load.
    """
    total, fatigue, left = np.zeros(draws.size), 0.0, float(repetitions)
    while left > 1e-9:
        done, part, end = paper_set(load, fatigue)
        possible = float(part.sum())
        if possible <= 0.0:
            raise ValueError(f"rest_s is {rest_s!r}; allowed: enough for another repetition at {load:.0%} of 1RM")
        now = min(possible, left, float(most_in_a_set))
        # the first repetition of a set stands last in its columns
        before = np.cumsum(part[::-1])[::-1] - part
        total = total + worth(draws, done) @ np.clip(now - before, 0.0, part)
        left -= now
        fatigue = rested(end - _COST_PER_REPETITION * load * (possible - now), rest_s)
    return total


def rest_pause_over_straight(draws: Draws) -> FloatArray:
    """Worth of rest-pause over that of as many repetitions in straight sets, on paper, shape (draws,).

    No draw is weighed by this comparison: its trial gives one site of three with a difference and no interval.
    """
    paused = counted_worth(draws, PAUSED_LOAD, PAUSED_REPETITIONS, PAUSE_S, most_in_a_set=PAUSED_REPETITIONS)
    straight = counted_worth(draws, PAUSED_LOAD, PAUSED_REPETITIONS, PAUSED_AGAINST_REST_S, most_in_a_set=PAUSED_SET)
    return np.asarray(paused / straight, dtype=np.float64)


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
