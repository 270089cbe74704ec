"""How rested people depart from the controller's load–velocity curve, by exercise.

Written by campaigns/fits/fit_profile_curves.py from the tuning seed; do not edit. Simulated, not measured on people.
"""

from __future__ import annotations

from typing import Final

from ebbset.coaching.curve_departures import CurveDepartures

CURVE_DEPARTURES: Final[dict[str, CurveDepartures]] = {
    "bench_press": CurveDepartures(
        mean=(-0.5098, 0.0005824, 0.8504),
        covariance=(
            (0.07295, 0.002014, -0.1689),
            (0.002014, 0.004269, -0.001266),
            (-0.1689, -0.001266, 0.442),
        ),
        misfit_sd_m_s=0.02186,
    ),
    "row": CurveDepartures(
        mean=(-0.652, -0.01613, 0.8558),
        covariance=(
            (0.06413, 0.003971, -0.1379),
            (0.003971, 0.01508, -0.01566),
            (-0.1379, -0.01566, 0.3674),
        ),
        misfit_sd_m_s=0.02287,
    ),
    "shoulder_press": CurveDepartures(
        mean=(-0.1582, -0.04537, 0.4689),
        covariance=(
            (0.08648, 0.002626, -0.1848),
            (0.002626, 0.004198, 0.001455),
            (-0.1848, 0.001455, 0.4668),
        ),
        misfit_sd_m_s=0.02308,
    ),
    "curl": CurveDepartures(
        mean=(-0.04608, 0.003329, 0.2013),
        covariance=(
            (0.04691, 0.0006671, -0.1174),
            (0.0006671, 0.0008884, 0.003234),
            (-0.1174, 0.003234, 0.3988),
        ),
        misfit_sd_m_s=0.01277,
    ),
    "leg_press": CurveDepartures(
        mean=(-0.6385, 0.04765, 0.9869),
        covariance=(
            (0.04146, 0.003764, -0.09291),
            (0.003764, 0.00723, -0.01449),
            (-0.09291, -0.01449, 0.2727),
        ),
        misfit_sd_m_s=0.02319,
    ),
}
