"""How rested people depart from the controller's load–velocity curve, by exercise.

Written by campaigns/fits/fit_profile_curves.py from the tuning seed; do not edit. Simulated, not measured on people.
"""

from __future__ import annotations

from typing import Final

from ebbset.coaching.curve_departures import CurveDepartures

CURVE_DEPARTURES: Final[dict[str, CurveDepartures]] = {
    "bench_press": CurveDepartures(
        mean=(-0.04349, -0.009777, 0.1562),
        covariance=(
            (0.1211, 0.01116, -0.2307),
            (0.01116, 0.00152, -0.02227),
            (-0.2307, -0.02227, 0.4713),
        ),
        misfit_sd_m_s=0.0187,
    ),
    "row": CurveDepartures(
        mean=(0.01945, 0.006712, 0.04839),
        covariance=(
            (0.1265, 0.0116, -0.2208),
            (0.0116, 0.005005, -0.0332),
            (-0.2208, -0.0332, 0.4832),
        ),
        misfit_sd_m_s=0.02729,
    ),
    "shoulder_press": CurveDepartures(
        mean=(0.06818, -0.01179, 0.1132),
        covariance=(
            (0.07084, 0.004304, -0.1024),
            (0.004304, 0.0007807, -0.007267),
            (-0.1024, -0.007267, 0.1871),
        ),
        misfit_sd_m_s=0.01178,
    ),
    "curl": CurveDepartures(
        mean=(0.2696, 0.004972, -0.2643),
        covariance=(
            (0.04289, 0.002653, -0.05984),
            (0.002653, 0.0003823, -0.004042),
            (-0.05984, -0.004042, 0.1051),
        ),
        misfit_sd_m_s=0.009314,
    ),
    "leg_press": CurveDepartures(
        mean=(-0.3644, -0.02972, 0.9017),
        covariance=(
            (0.2256, 0.008608, -0.3908),
            (0.008608, 0.001308, -0.01793),
            (-0.3908, -0.01793, 0.7497),
        ),
        misfit_sd_m_s=0.02018,
    ),
}
