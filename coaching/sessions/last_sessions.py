"""What earlier sessions taught, from their plans and journals: the 1RM of each exercise on its day. Pure."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Iterator

from ebbset.coaching.sessions.next_load import fresh_strength
from ebbset.coaching.sessions.progress import SessionProgress
from ebbset.coaching.sessions.session_events import DayStrength, SessionEvent
from ebbset.coaching.sessions.session_steps import SessionPlanFile


def followed(plan: SessionPlanFile, events: Iterable[SessionEvent]) -> SessionProgress:
    """The session as its journal leaves it.

    Args:
        plan: what was to be done.
        events: of its journal.

    Raises:
        ValueError: the journal is not one of this plan.
    """
    progress = SessionProgress(plan)
    for event in events:
        progress.take(event)
    return progress


def taught(plan: SessionPlanFile, events: Iterable[SessionEvent]) -> Iterator[DayStrength]:
    """The 1RM of the day of each exercise, from the set that was begun the freshest.

    Args:
        plan: what was to be done.
        events: of its journal.

    Raises:
        ValueError: the journal is not one of this plan.
    """
    done = followed(plan, events).past
    for exercise in dict.fromkeys(one.exercise for one in done):
        found = fresh_strength(exercise, done)
        if found is not None:
            low_n, middle_n, high_n = found
            yield DayStrength(
                exercise=exercise,
                date=datetime.datetime.fromtimestamp(done[0].begun_s, datetime.UTC).date(),
                one_rm_n=middle_n,
                one_rm_low_n=low_n,
                one_rm_high_n=high_n,
            )
