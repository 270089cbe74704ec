"""The analysis that a study of this kind gets: a linear mixed model with an intercept for each participant.

One value per session; fixed effects of condition and, in a crossover, of period. Each condition is compared with the
first of the study file, by t statistics with the degrees of freedom of the level at which conditions vary (within
participants in a crossover, between them in a parallel study), which unlike Wald's z keeps its level with few
participants; p values are adjusted by Holm. Needs the extra ``analysis``. Nothing is read or written here.

Sources: Laird NM, Ware JH 1982 Biometrics 38:963-974; degrees of freedom by containment, Pinheiro JC, Bates DM 2000
Mixed-Effects Models in S and S-PLUS, ch. 2.4; Holm S 1979 Scand J Stat 6:65-70 (all from memory).
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
from scipy import stats
from statsmodels.regression.linear_model import OLS
from statsmodels.regression.mixed_linear_model import MixedLM

ALPHA: Final = 0.05
_NO_SPREAD: Final = 1e-12


@dataclass(frozen=True, slots=True)
class SessionValue:
    """Outcome of one session, in the outcome's own unit."""

    participant: str
    period: int
    condition: str
    value: float


@dataclass(frozen=True, slots=True)
class Contrast:
    """One condition less the first, in the outcome's unit.

    Attributes:
        condition: code of the condition.
        reference: code of the first condition.
        effect: estimated difference.
        standard_error: its standard error.
        degrees_of_freedom: of the t distribution.
        low: lower end of the 95 % confidence interval, unadjusted.
        high: upper end.
        p_value: two-sided, unadjusted.
        p_adjusted: the same, adjusted by Holm for all contrasts.
    """

    condition: str
    reference: str
    effect: float
    standard_error: float
    degrees_of_freedom: int
    low: float
    high: float
    p_value: float
    p_adjusted: float


def analysed(
    values: Sequence[SessionValue], *, conditions: Sequence[str], design: Literal["crossover", "parallel"]
) -> tuple[Contrast, ...]:
    """Each further condition against the first.

    Args:
        values: one per session; a session that is missing is left out, which is sound if it is missing at random.
        conditions: codes in the order of the study file.
        design: crossover or parallel.

    Returns:
        One contrast per further condition.

    Raises:
        ValueError: a condition without values, or too few participants.
    """
    without = [code for code in conditions if all(one.condition != code for one in values)]
    if without:
        raise ValueError(f"condition is {without[0]!r} without any value; allowed: values of every condition")
    people = {one.participant for one in values}
    y = np.array([one.value for one in values])
    x = _design_matrix(values, conditions, design)
    within, between = len(values) - len(people) - (x.shape[1] - 1), len(people) - len(conditions)
    free = within if design == "crossover" else between
    if free < 1:
        raise ValueError(f"participants are {len(people)}; allowed: more, since no degree of freedom is left")
    estimates, errors = _fit(y, x, np.array([one.participant for one in values]))
    width = float(stats.t.ppf(1.0 - ALPHA / 2.0, free))
    found = []
    for k, code in enumerate(conditions[1:], start=1):
        effect, error = float(estimates[k]), float(errors[k])
        p = float(2.0 * stats.t.sf(abs(effect) / error, free)) if error > 0.0 else float(effect == 0.0)
        found.append(
            Contrast(code, conditions[0], effect, error, free, effect - width * error, effect + width * error, p, p)
        )
    return _adjusted(found)


def first_of_each(values: Sequence[SessionValue]) -> list[SessionValue]:
    """The first value of each session: what was repeated is reported, and does not count again.

    Args:
        values: in the order in which the sets began.
    """
    found: dict[tuple[str, int], SessionValue] = {}
    for one in values:
        found.setdefault((one.participant, one.period), one)
    return list(found.values())


def _design_matrix(
    values: Sequence[SessionValue], conditions: Sequence[str], design: Literal["crossover", "parallel"]
) -> npt.NDArray[np.float64]:
    columns = [np.ones(len(values))]
    columns += [np.array([float(one.condition == code) for one in values]) for code in conditions[1:]]
    periods = sorted({one.period for one in values})
    if design == "crossover":
        columns += [np.array([float(one.period == period) for one in values]) for period in periods[1:]]
    return np.column_stack(columns)


def _fit(y: npt.NDArray[np.float64], x: npt.NDArray[np.float64], groups: npt.NDArray[Any]) -> tuple[Any, Any]:
    """Fixed effects and their standard errors: by REML, or by least squares where participants cannot differ."""
    if float(np.std(y)) < _NO_SPREAD:
        return np.zeros(x.shape[1]), np.zeros(x.shape[1])
    with warnings.catch_warnings():
        # That the variance between participants is at its bound, 0, is a result and not a failure.
        warnings.simplefilter("ignore")
        if len(set(groups.tolist())) < len(y):
            try:
                fitted = MixedLM(y, x, groups).fit(reml=True)
                if np.all(np.isfinite(fitted.bse_fe)):
                    return fitted.fe_params, fitted.bse_fe
            except np.linalg.LinAlgError:
                # Singular where participants do not differ at all: the model is then that of least squares.
                pass
        plain = OLS(y, x).fit()
        return plain.params, plain.bse


def _adjusted(found: Sequence[Contrast]) -> tuple[Contrast, ...]:
    """With p values adjusted by Holm's step-down procedure."""
    order = sorted(range(len(found)), key=lambda k: found[k].p_value)
    adjusted, highest = dict[int, float](), 0.0
    for rank, k in enumerate(order):
        highest = max(highest, min((len(found) - rank) * found[k].p_value, 1.0))
        adjusted[k] = highest
    return tuple(replace(one, p_adjusted=adjusted[k]) for k, one in enumerate(found))
