"""Exercises as data: ranges of motion, strengths and fatigue constants read from TOML files with a source beside each.

Facts stand in ``data/<exercise>.toml``; what :mod:`campaigns.fits.calibrate` fitted stands in ``data/fitted.toml``.
:mod:`ebbset.simulators.population.population` draws people from these spreads.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any, Final

from ebbset.simulators.lifter.lifter import FatigueModel, LifterParameters

EXERCISES: Final = ("bench_press", "row", "shoulder_press", "curl", "leg_press")
_QUANTITIES: Final = (
    "start_m",
    "rom_m",
    "limb_mass_kg",
    "eccentric_plateau",
    "dip_at",
    "fatigue_per_s",
    "recovery_per_s",
    "rest_multiplier",
    "critical_share",
    "f_max_n",
    "eccentric_velocity_m_s",
    "pause_bottom_s",
    "pause_top_s",
    "depth_sd_m",
)


@dataclass(frozen=True, slots=True)
class SourcedValue:
    """A quantity over people, and where it is from.

    Attributes:
        mean: its mean, in the unit that the name of the field ends with.
        cv: coefficient of variation between people.
        source: where mean and spread come from.
    """

    mean: float
    cv: float
    source: str


@dataclass(frozen=True, slots=True)
class Fitted:
    """What the fit found for one exercise (means over people); see ``data/fitted.toml`` for what it was fitted on.

    Attributes:
        v_max_m_s: unloaded speed at the handle.
        curvature: Hill's a/F0 of the movement.
        strength_bottom: strength at the bottom, arbitrary unit.
        strength_top: strength at the top.
        dip: depth of the sticking region.
        dip_width: its width, share of the range.
        fatigue_scale: factor on the published F of 3CC-r (published for held efforts, used here for moving ones).
        reserve_s: reserve above critical force, seconds at maximal force.
        grind_patience_s: how long people push at a load that does not move.
    """

    v_max_m_s: float
    curvature: float
    strength_bottom: float
    strength_top: float
    dip: float
    dip_width: float
    fatigue_scale: float
    reserve_s: float
    grind_patience_s: float


@dataclass(frozen=True, slots=True)
class Recovery:
    """Recovery between sets, the same for all exercises; fitted to sets and attempts after rest (checks 7 and 12).

    Attributes:
        fast_share: share of fatigue that recovers within seconds of rest.
        fast_recovery_per_s: at this rate, 1/s; set by hand.
        slow_share: share of fatigue that recovers slowly whatever the effort.
        slow_recovery_per_s: at this rate, 1/s; set by hand (minutes).
        strain_per_s: how fast fatigue turns slow in efforts that ask for more than there is.
        reserve_rest_multiplier: recovery of the reserve at complete rest over that at work.
    """

    fast_share: float
    fast_recovery_per_s: float
    slow_share: float
    slow_recovery_per_s: float
    strain_per_s: float
    reserve_rest_multiplier: float


@dataclass(frozen=True, slots=True)
class Exercise:
    """One exercise.

    Attributes:
        name: key, one of ``EXERCISES``.
        title: plain name.
        joint: joint whose published fatigue constants are used.
        women_share: women's mean strength over men's.
        quantities: by name, the published or assumed quantities.
        fitted: the fitted ones.
        recovery: recovery between sets.
    """

    name: str
    title: str
    joint: str
    women_share: float
    quantities: dict[str, SourcedValue]
    fitted: Fitted
    recovery: Recovery

    def mean_lifter(self, fatigue_model: FatigueModel = "3cc_r", **changes: Any) -> LifterParameters:
        """The average trained man, every quantity at its mean; ``changes`` replace single parameters.

        Args:
            fatigue_model: which of the two fatigue models.
            **changes: parameters to replace.
        """
        values: dict[str, Any] = {name: q.mean for name, q in self.quantities.items()}
        values["fatigue_per_s"] *= self.fitted.fatigue_scale
        for name in Fitted.__dataclass_fields__:
            if not name.endswith("_scale"):
                values[name] = getattr(self.fitted, name)
        for name in Recovery.__dataclass_fields__:
            values[name] = getattr(self.recovery, name)
        values.update(exercise=self.name, fatigue_model=fatigue_model)
        values.update(changes)
        return LifterParameters(**values)


def _read(name: str) -> dict[str, Any]:
    text = resources.files("ebbset.simulators.lifter").joinpath(f"data/{name}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@lru_cache(maxsize=len(EXERCISES))
def exercise(name: str) -> Exercise:
    """The exercise of that name.

    Raises:
        ValueError: an unknown name.
    """
    if name not in EXERCISES:
        raise ValueError(f"exercise is {name!r}; allowed: {', '.join(EXERCISES)}")
    data, fitted = _read(name), _read("fitted")
    quantities = {
        key: SourcedValue(float(data[key]["mean"]), float(data[key]["cv"]), str(data[key]["source"]))
        for key in _QUANTITIES
    }
    return Exercise(
        name=name,
        title=str(data["title"]),
        joint=str(data["joint"]),
        women_share=float(data["f_max_n"]["women_share"]),
        quantities=quantities,
        fitted=Fitted(**{key: float(value) for key, value in fitted[name].items()}),
        recovery=Recovery(**{key: float(value) for key, value in fitted["recovery"].items()}),
    )
