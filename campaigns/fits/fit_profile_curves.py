"""Fits how rested people depart from the controller's load–velocity curve, and says how well profiles then hold.

Run it by hand after the simulator or the exercise priors have changed: ``python -m campaigns.fits.fit_profile_curves
--write`` fits the figures of `coaching.curve_prior_figures` on the tuning seed and writes docs/profiles.md from people
that it did not see (about two minutes of one core). Without ``--write`` it prints the table only.
"""

from __future__ import annotations

import argparse
import datetime
import math
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from campaigns.fits.sharing import add_options, shared_out
from ebbset.coaching.curve_departures import CurveDepartures
from ebbset.coaching.curve_prior import CurvePrior, controller_mean, curve_prior
from ebbset.coaching.profile_doubts import NoProfileError
from ebbset.coaching.profile_fit import VELOCITY_SD_M_S, ObservedSet, fit_profile
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.simulators.lifter.exercises import EXERCISES, exercise
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.rig_parameters import strong_rig
from ebbset.simulators.population.population import draw_lifter, person_rng
from ebbset.simulators.population.strength_test import one_rm_n, velocity_at

FloatArray = npt.NDArray[np.float64]
TUNING_SEED: Final = 0
UNSEEN_SEED: Final = 4_000
PEOPLE: Final = 200
SHARES: Final = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95)
"""Where a person's curve is looked at: from the lightest load that anybody tests with to a little short of the 1RM."""
LOADS: Final[dict[str, tuple[float, ...]]] = {
    "60": (0.6,),
    "40, 80": (0.4, 0.8),
    "50, 65, 80": (0.5, 0.65, 0.8),
    "40, 55, 70, 80": (0.4, 0.55, 0.7, 0.8),
    "30, 50, 70": (0.3, 0.5, 0.7),
}
"""Loads of a profile, % of 1RM, by how the table names them."""
RIG: Final = strong_rig(10_000.0)
DATE: Final = datetime.date(2026, 1, 1)
FIGURES: Final = Path("coaching/curve_prior_figures.py")
PAGE: Final = Path("docs/profiles.md")
BEGIN, END = "<!-- table: campaigns.fits.fit_profile_curves -->\n", "<!-- end of table -->\n"
HEADER: Final = '''"""How rested people depart from the controller's load–velocity curve, by exercise.

Written by campaigns/fits/fit_profile_curves.py from the tuning seed; do not edit. Simulated, not measured on people.
"""

from __future__ import annotations

from typing import Final

from ebbset.coaching.curve_departures import CurveDepartures

'''


@dataclass(frozen=True, slots=True)
class Person:
    """One simulated person: the 1RM on the rig, and the velocity of a fresh repetition at each of `SHARES`."""

    one_rm_n: float
    velocities_m_s: FloatArray

    def velocity_m_s(self, share: float) -> float:
        """Velocity of a fresh repetition at a share of the 1RM."""
        return float(np.interp(share, SHARES, self.velocities_m_s))


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How well the 1RM of profiles from the same loads is known.

    Attributes:
        bias: mean of the relative errors.
        rmse: root of their mean square.
        coverage: how often mean ± 1.28 standard deviations holds the 1RM.
        deviation: mean relative standard deviation stated.
        refused: share of the profiles refused.
    """

    bias: float
    rmse: float
    coverage: float
    deviation: float
    refused: float


def lifters(kind: str, seed: int, numbers: Sequence[int]) -> Iterator[LifterParameters]:
    """The population that everything here rests on.

    Args:
        kind: exercise.
        seed: of the population.
        numbers: of the people wanted.
    """
    for number in numbers:
        yield draw_lifter(exercise(kind), person_rng(seed, number))


def people(job: tuple[str, int, Sequence[int]]) -> list[Person]:
    """Some people of a population, tested.

    Args:
        job: exercise, seed of the population, numbers of the people.
    """
    found = []
    for lifter in lifters(*job):
        strength_n = one_rm_n(lifter, RIG)
        found.append(Person(strength_n, np.array([velocity_at(lifter, RIG, s * strength_n) for s in SHARES])))
    return found


def departures(kind: str, tested: Sequence[Person]) -> CurveDepartures:
    """How these people depart from the controller's mean, to four significant figures.

    Args:
        kind: exercise.
        tested: the people.
    """
    prior, shares = curve_prior(kind), np.array(SHARES)
    columns, centre = prior.basis(shares), controller_mean(kind)
    off = np.stack([one.velocities_m_s for one in tested]) - columns @ centre - prior.bent(shares)
    found, *_ = np.linalg.lstsq(columns, off.T, rcond=None)
    left = off.T - columns @ found

    def short(value: float) -> float:
        return float(f"{value:.4g}")

    first, second, third = ((short(row[0]), short(row[1]), short(row[2])) for row in np.cov(found))
    return CurveDepartures(
        mean=(short(found[0].mean()), short(found[1].mean()), short(found[2].mean())),
        covariance=(first, second, third),
        misfit_sd_m_s=short(math.sqrt(float(np.mean(left**2)))),
    )


def with_departures(kind: str, found: CurveDepartures) -> CurvePrior:
    """The prior of an exercise with these departures instead of those stored.

    Args:
        kind: exercise.
        found: the departures.
    """
    stored = curve_prior(kind)
    mean = controller_mean(kind) + np.array(found.mean)
    return CurvePrior(mean, np.array(found.covariance), stored.bend_m_s, found.misfit_sd_m_s)


def outcome(
    kind: str, tested: Sequence[Person], shares: Sequence[float], seed: int, prior: CurvePrior | None = None
) -> Outcome:
    """Profiles of these people, from velocities measured with the published test-retest error.

    Args:
        kind: exercise.
        tested: the people.
        shares: loads of each profile, as shares of the 1RM.
        seed: of the errors of measurement.
        prior: used instead of the stored one.
    """
    rng = np.random.default_rng(seed)
    errors, inside, deviations, refused = [], [], [], 0
    for one in tested:
        sets = [
            ObservedSet(share * one.one_rm_n, max(one.velocity_m_s(share) + VELOCITY_SD_M_S * float(noise), 0.02))
            for share, noise in zip(shares, rng.standard_normal(len(shares)), strict=True)
        ]
        try:
            profile = fit_profile(sets, lifter="simulated", exercise=kind, date=DATE, prior=prior).profile
        except NoProfileError:
            refused += 1
            continue
        strength = profile.one_rm_n
        assert strength is not None
        errors.append(strength.mean / one.one_rm_n - 1.0)
        inside.append(abs(strength.mean - one.one_rm_n) <= Z_INTERVAL * strength.sd)
        deviations.append(strength.sd / strength.mean)
    return Outcome(
        bias=float(np.mean(errors)),
        rmse=math.sqrt(float(np.mean(np.square(errors)))),
        coverage=float(np.mean(inside)),
        deviation=float(np.mean(deviations)),
        refused=refused / len(tested),
    )


def judged(job: tuple[str, CurveDepartures, Sequence[Person]]) -> dict[str, Outcome]:
    """Profiles of some people from each of `LOADS`.

    Args:
        job: exercise, the departures that the profiles rest on, the people.
    """
    kind, found, tested = job
    prior = with_departures(kind, found)
    return {name: outcome(kind, tested, shares, k, prior) for k, (name, shares) in enumerate(LOADS.items())}


def table(found: Mapping[str, Mapping[str, Outcome]], count: int) -> str:
    """The table of the documentation.

    Args:
        found: exercise -> loads -> outcome.
        count: people of each exercise.
    """
    lines = [
        f"{count} simulated lifters an exercise, not among those of the fit; each velocity with an error of "
        f"{VELOCITY_SD_M_S:g} m/s.\n",
        "| exercise | loads, % of 1RM | bias | RMSE | stated deviation | 80 % interval holds | refused |",
        "|---|---|---|---|---|---|---|",
    ]
    for kind, row in found.items():
        for loads, one in row.items():
            figures = (f"{one.bias:+.1%}", f"{one.rmse:.1%}", f"{one.deviation:.1%}", f"{one.coverage:.0%}")
            cells = " | ".join((kind, loads, *figures, f"{one.refused:.1%}"))
            lines.append(f"| {cells} |".replace("%", " %"))
    return "\n".join(lines) + "\n"


def as_module(found: Mapping[str, CurveDepartures]) -> str:
    """The source text of the figures.

    Args:
        found: departures by exercise.
    """
    body = ""
    for kind, one in found.items():
        rows = "".join(f"            {row},\n" for row in one.covariance)
        body += (
            f'    "{kind}": CurveDepartures(\n        mean={one.mean},\n        covariance=(\n{rows}        ),\n'
            f"        misfit_sd_m_s={one.misfit_sd_m_s},\n    ),\n"
        )
    return f"{HEADER}CURVE_DEPARTURES: Final[dict[str, CurveDepartures]] = {{\n{body}}}\n"


def main() -> None:
    """Fit, judge and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true", help=f"write {FIGURES} and the table in {PAGE}")
    parser.add_argument("--people", type=int, default=PEOPLE, help="people of each exercise, in the fit and outside it")
    add_options(parser)
    arguments = parser.parse_args()
    numbers = range(arguments.people)
    with shared_out(arguments, "people and profiles") as mapper:
        jobs = [(kind, seed, numbers) for seed in (TUNING_SEED, UNSEEN_SEED) for kind in EXERCISES]
        tested = list(mapper(people, jobs))
        fitted = {kind: departures(kind, some) for kind, some in zip(EXERCISES, tested, strict=False)}
        unseen = zip(fitted.items(), tested[len(EXERCISES) :], strict=True)
        rows = mapper(judged, [(kind, found, some) for (kind, found), some in unseen])
        outcomes = dict(zip(EXERCISES, rows, strict=True))
    text = table(outcomes, arguments.people)
    sys.stdout.write(text)
    if arguments.write:
        FIGURES.write_text(as_module(fitted), encoding="utf-8")
        before, _, rest = PAGE.read_text(encoding="utf-8").partition(BEGIN)
        PAGE.write_text(before + BEGIN + text + END + rest.partition(END)[2], encoding="utf-8")


if __name__ == "__main__":
    # By its own name, so that other processes find what they are to run.
    from campaigns.fits.fit_profile_curves import main as fit_by_name

    fit_by_name()
