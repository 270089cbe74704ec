"""What is expected of a person's load–velocity curve on an exercise, before anything is seen of this person.

The mean is the controller's: its line and its bend near 1RM (`controller.estimation`). To it comes how rested people
depart from that mean, by the figures of `curve_prior_figures`, which campaigns/fits/fit_profile_curves.py writes.
Nothing is fitted to a person here; that is the business of `profile_fit`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.coaching.curve_prior_figures import CURVE_DEPARTURES
from ebbset.controller.estimation.exercise_prior_figures import EXERCISE_PRIORS
from ebbset.controller.estimation.exercise_priors import UNKNOWN, ExercisePrior
from ebbset.controller.estimation.repetitions_in_reserve import velocity_at
from ebbset.models.physiology.load_velocity import generic_line

FloatArray = npt.NDArray[np.float64]

BOW_SD_M_S: Final = 0.4
"""How far the curve of a person on an unknown exercise may depart from the straight line: by ``bow * x (1 - x)`` at
share x of the 1RM. The published bench press table (from memory) bows by -0.5 m/s; on a simulated rig, where little
mass has to be accelerated, it is +0.5."""
CONTROLLED_FROM: Final = 0.5
"""The controller works from about this share of the 1RM upwards, so its straight part is laid through there; judgement
from the loads of drop sets."""


@dataclass(frozen=True, slots=True)
class CurvePrior:
    """A curve ``c0 (1 - x) + c1 x + c2 x (1 - x)`` at share x of the 1RM, less the controller's bend near 1RM.

    Attributes:
        mean: of c0, c1 and c2, shape (3,), m/s.
        covariance: of them, shape (3, 3).
        bend_m_s: the controller's `ExercisePrior.bend_m_s`.
        misfit_sd_m_s: what three figures leave of a person's curve.
    """

    mean: FloatArray
    covariance: FloatArray
    bend_m_s: float
    misfit_sd_m_s: float = 0.0

    def basis(self, share: FloatArray) -> FloatArray:
        """The three columns of the curve, shape (..., 3).

        Args:
            share: load as a share of the 1RM.
        """
        return np.stack([1.0 - share, share, share * (1.0 - share)], axis=-1)

    def bent(self, share: FloatArray) -> FloatArray:
        """What the bend near 1RM takes from the velocity, negative where it takes some, m/s.

        Args:
            share: load as a share of the 1RM.
        """
        bent = [velocity_at(0.0, 0.0, self.bend_m_s, x) for x in share.ravel().tolist()]
        return np.array(bent, dtype=np.float64).reshape(share.shape)

    def straight_part(self) -> FloatArray:
        """The matrix that turns the three figures into the ends of the controller's straight part, shape (2, 3)."""
        shares = np.linspace(CONTROLLED_FROM, 1.0, 51)
        columns = self.basis(shares)
        found, *_ = np.linalg.lstsq(columns[:, :2], columns, rcond=None)
        return np.asarray(found, dtype=np.float64)


def curve_prior(exercise: str) -> CurvePrior:
    """The prior of an exercise; a wide one, around the controller's for any exercise, where there are no figures.

    Args:
        exercise: its name.
    """
    known, line = EXERCISE_PRIORS.get(exercise, UNKNOWN), generic_line(exercise)
    centre = controller_mean(exercise)
    departures = CURVE_DEPARTURES.get(exercise)
    if departures is None:
        sds = np.array([known.v0_sd_m_s or line.v0_sd_m_s, known.v1_sd_m_s or line.v_1rm_sd_m_s, BOW_SD_M_S])
        return CurvePrior(centre, np.diag(sds**2), known.bend_m_s)
    return CurvePrior(
        centre + np.array(departures.mean), np.array(departures.covariance), known.bend_m_s, departures.misfit_sd_m_s
    )


def controller_mean(exercise: str) -> FloatArray:
    """The controller's mean of the three figures: both ends of its straight part, and no bow.

    Args:
        exercise: its name.
    """
    known: ExercisePrior = EXERCISE_PRIORS.get(exercise, UNKNOWN)
    line = generic_line(exercise)
    return np.array([line.v0_m_s + known.v0_shift_m_s, line.v_1rm_m_s + known.v1_shift_m_s, 0.0])
