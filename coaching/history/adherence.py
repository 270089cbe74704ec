"""What became of a session's plan: sets done, skipped and not reached, rests and loads other than planned."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Final

from ebbset.coaching.history.rows.history_rows import SessionRow

REST_TOLERANCE_S: Final = 10.0
LOAD_TOLERANCE: Final = 0.01
"""A rest or a load that differs by less is as planned; our judgement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionAdherence:
    """What became of one session's plan; counts of sets, and minutes.

    ``shortened_rests`` and ``other_loads`` count sets that were begun sooner or with another load than planned.
    """

    name: str
    date: datetime.date
    planned: int
    done: int
    skipped: int
    left_out: int
    not_reached: int
    shortened_rests: int
    other_loads: int
    minutes: float
    minutes_used: float
    ended_because: str | None


def session_adherence(session: SessionRow) -> SessionAdherence:
    """What became of a session's plan.

    Args:
        session: the session with its steps.
    """
    states = [step.state for step in session.steps]
    sets = [(step, one) for step in session.steps for one in step.sets]
    return SessionAdherence(
        name=session.name,
        date=session.begun_at.date(),
        planned=len(states),
        done=states.count("done"),
        skipped=states.count("skipped"),
        left_out=states.count("left out"),
        not_reached=states.count("to do"),
        shortened_rests=sum(
            one.rested_s is not None and one.rested_s < step.rest_before_s - REST_TOLERANCE_S for step, one in sets
        ),
        other_loads=sum(
            abs(one.start_load_n - step.planned_start_n) > LOAD_TOLERANCE * step.planned_start_n for step, one in sets
        ),
        minutes=session.minutes,
        minutes_used=(session.ended_at - session.begun_at).total_seconds() / 60.0,
        ended_because=session.ended_because,
    )
