"""A study file whose names or dates would fail later is refused when it is read."""

from __future__ import annotations

import datetime
from typing import Any

import pytest
from pydantic import ValidationError

from ebbset.controller.recording.sources import clock_zero
from ebbset.models.contract.problems import problems_of
from ebbset.study.design import StudyFile


def study(**changes: Any) -> dict[str, Any]:
    return {
        "name": "s",
        "seed": 1,
        "design": "crossover",
        "start": "2026-12-01",
        "washout_days": 7,
        "conditions": [{"code": c, "label": c, "prescription": f"{c}.toml"} for c in ("A", "B")],
        "participants": [{"id": "p1"}, {"id": "p2"}],
        **changes,
    }


def refusal(**changes: Any) -> str:
    with pytest.raises(ValidationError) as caught:
        StudyFile.model_validate(study(**changes))
    (problem,) = problems_of(caught.value)
    return str(problem)


def test_pseudonyms_that_differ_only_in_case_are_refused() -> None:
    said = refusal(participants=[{"id": "Anna1"}, {"id": "b"}, {"id": "anna1"}])
    assert said == "participants.id is 'anna1'; allowed: one that differs from 'Anna1' in more than its case"


def test_a_start_so_late_that_a_session_has_no_date_is_refused() -> None:
    assert "allowed: from 2000-01-01 to 2999-12-24" in refusal(start="9999-12-31")
    assert "start is 2999-12-25" in refusal(start="2999-12-25")
    assert StudyFile.model_validate(study(start="2999-12-24")).start == datetime.date(2999, 12, 24)
    assert "start is 0001-01-01" in refusal(start="0001-01-01")


@pytest.mark.parametrize("text", ["9999-12-31T23:59:59+00:00", "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59", "x"])
def test_a_recording_of_no_sensible_time_has_no_date(text: str) -> None:
    assert clock_zero({"wall_clock_at_zero": text}) is None
