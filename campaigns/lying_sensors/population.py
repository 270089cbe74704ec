"""Who lifts on which rig, honest within what its checks allow: drawn wide, since nobody knows the rigs to come.

What lives here: the draws. What never does: lies (`lies`), running and adding up (`campaign`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from ebbset.models.contract.prescription import Prescription
from ebbset.simulators.closed_loop.link_model import LinkModel
from ebbset.simulators.lifter.exercises import EXERCISES, exercise
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.rig_parameters import RigParameters, free_weight
from ebbset.simulators.population.population import draw_lifter
from ebbset.simulators.rig.sensors import SensorParameters

LOADS_N: Final = (60.0, 100.0, 200.0, 400.0, 700.0, 1_000.0)
MAX_LOAD_N: Final = 2_000.0
COULOMB_N: Final = 40.0
VISCOUS_N_S_M: Final = 25.0
INERTIA_KG: Final = (0.5, 12.0)
CELL_N: Final = 15.0
DRIVE_PART: Final = 0.03
LOST_FRAMES: Final = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Honest:
    """One set on a rig that says what is so, within its tolerance.

    Attributes:
        lifter: who lifts.
        rig: on what.
        sensors: how it is measured.
        link: over what it is told.
        prescription: what is ordered.
        frame_samples: samples in a telemetry frame.
        drive_part: error of the load really applied, as a part of it.
        start_n: load that the set begins with, newtons per cable.
    """

    lifter: LifterParameters
    rig: RigParameters
    sensors: SensorParameters
    link: LinkModel
    prescription: Prescription
    frame_samples: int
    drive_part: float
    start_n: float


def draw(rng: np.random.Generator, *, start_n: float | None = None, stop: dict[str, Any] | None = None) -> Honest:
    """One set.

    Args:
        rng: of everything that is drawn.
        start_n: load that it begins with, newtons per cable; drawn when ``None``.
        stop: the stop rules; without them it ends by the lifter, by 25 repetitions or after 90 s.

    Returns:
        Lifters from all-out to slow tempo, with pauses, partial repetitions and talk. The load is 35 to 85 % of
        what they can hold. Rigs with friction, drag, inertia, errors of cell and drive up to the constants above, 20 to
        500 Hz. One in ten is a plain weight.
    """
    start = float(rng.choice(LOADS_N)) if start_n is None else start_n
    cables = 1 + int(rng.random() < 0.25)
    weight = replace(free_weight(start), max_load_n=MAX_LOAD_N)
    rig = weight if cables == 1 and rng.random() < 0.1 else _rig(rng, cables)
    rate_hz = float(rng.choice((20.0, 50.0, 100.0, 100.0, 200.0, 500.0)))
    part = rng.uniform(0.35, 0.85)
    fraction = rng.uniform(0.1, 0.3)
    lifter = _habits(draw_lifter(exercise(str(rng.choice(EXERCISES))), rng), rng)
    return Honest(
        lifter=replace(lifter, f_max_n=start * cables / part),
        rig=rig,
        sensors=SensorParameters(
            sample_rate_hz=rate_hz,
            force_noise_sd_n=rng.uniform(0.0, 8.0),
            force_bias_n=rng.uniform(-CELL_N, CELL_N),
            force_step_n=float(rng.choice((0.1, 0.5, 2.0))),
            encoder_step_m=float(rng.choice((1e-4, 5e-4, 1e-3))),
            velocity_noise_sd_m_s=rng.uniform(0.002, 0.015),
        ),
        link=LinkModel(delay_s=0.005, jitter_s=0.002, frame_loss=rng.uniform(0.0, LOST_FRAMES)),
        prescription=Prescription.model_validate(
            {
                "name": "Lying sensors",
                "exercise": lifter.exercise,
                "load": {
                    "start_n": start,
                    "floor_n": max(20.0, 0.3 * start),
                    "ramp_n_per_s": round(rng.uniform(100.0, 600.0)),
                    "cables": "coupled" if rng.random() < 0.5 else "independent",
                },
                "drop": {"policy": "fixed_fraction", "parameters": {"fraction": round(fraction, 2)}},
                "stop": {"max_repetitions": 25, "max_duration_s": 90.0, "max_pause_s": 30.0} if stop is None else stop,
            }
        ),
        frame_samples=max(1, round(rate_hz * float(rng.choice((0.02, 0.05, 0.1))))),
        drive_part=rng.uniform(-DRIVE_PART, DRIVE_PART),
        start_n=start,
    )


def _rig(rng: np.random.Generator, cables: int) -> RigParameters:
    low_kg, high_kg = INERTIA_KG
    return RigParameters(
        torque_bandwidth_hz=rng.uniform(4.0, 40.0),
        max_load_n=MAX_LOAD_N,
        inertia_kg=low_kg * (high_kg / low_kg) ** rng.random(),
        coulomb_n=rng.uniform(0.0, COULOMB_N),
        viscous_n_s_m=rng.uniform(0.0, VISCOUS_N_S_M),
        handle_mass_kg=rng.uniform(0.3, 5.0),
        n_cables=cables,
    )


def _habits(lifter: LifterParameters, rng: np.random.Generator) -> LifterParameters:
    """Half lift all-out, half at a tempo; some pause, cut repetitions short, tremble, talk or let go."""
    chance = rng.random(5)
    return replace(
        lifter,
        concentric_velocity_m_s=99.0 if chance[0] < 0.5 else rng.uniform(0.1, 0.6),
        eccentric_velocity_m_s=rng.uniform(0.1, 0.9),
        pause_bottom_s=rng.uniform(0.0, 1.5),
        pause_top_s=rng.uniform(0.0, 1.5),
        partial_tendency=rng.uniform(0.2, 0.8) if chance[1] < 0.3 else 0.0,
        jerk=rng.uniform(0.1, 0.3) if chance[2] < 0.3 else 0.0,
        talk_after_reps=int(rng.integers(2, 6)) if chance[3] < 0.15 else 0,
        talk_s=rng.uniform(3.0, 10.0),
        give_in="sudden_release" if chance[4] < 0.1 else "slow_lowering",
    )
