"""How rested people depart from the controller's load–velocity curve, by exercise.

Written by campaigns/fits/fit_profile_curves.py from the tuning seed; do not edit. Simulated, not measured on people.
"""

from __future__ import annotations

from typing import Final

from ebbset.coaching.curve_departures import CurveDepartures

CURVE_DEPARTURES: Final[dict[str, CurveDepartures]] = {
    "bench_press": CurveDepartures(
        mean=(-0.4049, -0.02063, 0.874),
        covariance=(
            (0.07295, 0.002014, -0.1689),
            (0.002014, 0.004269, -0.001266),
            (-0.1689, -0.001266, 0.442),
        ),
        misfit_sd_m_s=0.02151,
    ),
    "row": CurveDepartures(
        mean=(-0.6168, 0.01139, 0.8689),
        covariance=(
            (0.06413, 0.003971, -0.1379),
            (0.003971, 0.01508, -0.01566),
            (-0.1379, -0.01566, 0.3674),
        ),
        misfit_sd_m_s=0.02303,
    ),
    "shoulder_press": CurveDepartures(
        mean=(-0.1389, -0.05269, 0.4963),
        covariance=(
            (0.08648, 0.002626, -0.1848),
            (0.002626, 0.004198, 0.001455),
            (-0.1848, 0.001455, 0.4668),
        ),
        misfit_sd_m_s=0.0229,
    ),
    "curl": CurveDepartures(
        mean=(0.05344, -0.02127, 0.2281),
        covariance=(
            (0.04691, 0.0006671, -0.1174),
            (0.0006671, 0.0008884, 0.003234),
            (-0.1174, 0.003234, 0.3988),
        ),
        misfit_sd_m_s=0.01236,
    ),
    "leg_press": CurveDepartures(
        mean=(-0.639, 0.02435, 1.031),
        covariance=(
            (0.04146, 0.003764, -0.09291),
            (0.003764, 0.00723, -0.01449),
            (-0.09291, -0.01449, 0.2727),
        ),
        misfit_sd_m_s=0.02249,
    ),
}
