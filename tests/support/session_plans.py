"""Invented sessions, plans and profiles for tests."""

from __future__ import annotations

import datetime
from typing import Any

from ebbset.coaching.sessions.session_steps import SessionPlanFile, SessionStep
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile, Uncertain

BEGAN_S = 1_800_000_000.0


def row_profile(**changes: Any) -> LifterProfile:
    base: dict[str, Any] = {
        "lifter": "a7",
        "exercise": "row",
        "date": datetime.date(2026, 11, 1),
        "one_rm_n": Uncertain(mean=600.0, sd=20.0),
        "velocity_at_zero_m_s": Uncertain(mean=1.7, sd=0.08),
        "velocity_at_1rm_m_s": Uncertain(mean=0.3, sd=0.04),
    }
    return LifterProfile.model_validate(base | changes)


def straight_set(exercise: str = "row", *, start_n: float = 420.0, limit_s: float = 120.0, **more: Any) -> Prescription:
    return Prescription.model_validate(
        {
            "name": "Straight set",
            "exercise": exercise,
            "load": {"start_n": start_n, "floor_n": 150.0},
            "stop": {"max_duration_s": limit_s},
            "bouts": [{"on_stall": "end"}],
            **more,
        }
    )


def step(number: int, exercise: str = "row", **changes: Any) -> SessionStep:
    base: dict[str, Any] = {
        "step": number,
        "exercise": exercise,
        "title": f"{exercise}, set {number}",
        "rest_before_s": 0.0 if number == 1 else 90.0,
        "prescription": straight_set(exercise),
    }
    return SessionStep.model_validate(base | changes)


def plan(*steps: SessionStep, minutes: float = 12.0) -> SessionPlanFile:
    return SessionPlanFile(name="Tuesday", lifter="a7", minutes=minutes, steps=steps or (step(1), step(2), step(3)))
