"""Rows of the store out of a session's plan and journal. Where the session stands is said by `sessions.progress`."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

from ebbset.coaching.history.rows.set_rows import Row
from ebbset.coaching.sessions.progress import SessionProgress
from ebbset.coaching.sessions.session_events import Armed, SessionEnded, SessionEvent, SetBegun, SetEnded
from ebbset.coaching.sessions.session_steps import SessionPlanFile
from ebbset.models.contract.problems import UnusableFileError
from ebbset.models.contract.study_mark import mark_of


@dataclass(frozen=True, slots=True)
class SessionRows:
    """Rows of one session, by table."""

    session: Row
    steps: list[Row]
    sets: list[Row]

    @property
    def key(self) -> str:
        """By which the store knows the session."""
        return str(self.session["session"])


def session_rows(plan: SessionPlanFile, events: Sequence[SessionEvent], name: str) -> SessionRows | None:
    """Rows of a session as far as it has come.

    Args:
        plan: its plan.
        events: its journal, in order.
        name: of its files.

    Returns:
        The rows; None for a session that has not begun.

    Raises:
        UnusableFileError: the journal is not of this plan, or tells of something that cannot happen.
    """
    if not events:
        return None
    progress = SessionProgress(plan)
    for number, event in enumerate(events, 1):
        try:
            progress.take(event)
        except ValueError as error:
            raise UnusableFileError(f"{name}: record {number} of the journal: {error}") from None
    begun_at_s, last_s = events[0].at_s, events[-1].at_s
    key = hashlib.sha256(f"{name}\n{plan.lifter}\n{begun_at_s!r}".encode()).hexdigest()
    ended = events[-1] if isinstance(events[-1], SessionEnded) else None
    marks = [mark_of(step.prescription.notes) for step in plan.steps]
    session: Row = {
        "session": key,
        "name": name,
        "lifter": plan.lifter,
        "minutes": plan.minutes,
        "begun_at_s": begun_at_s,
        "ended_at_s": last_s,
        "ended_because": None if ended is None else ended.because,
        "blinded": any(mark is not None and bool(mark.hidden_from(None)) for mark in marks),
    }
    steps: list[Row] = [
        {
            "session": key,
            "step": seen.step.step,
            "exercise": seen.step.exercise,
            "rig": seen.step.rig,
            "title": seen.step.title,
            # Nothing is under way in a history: a set that was not ended is still to do.
            "state": "to do" if seen.state == "now" else seen.state,
            "rest_before_s": seen.step.rest_before_s,
            "planned_start_n": seen.step.prescription.load.start_n,
        }
        for seen in progress.view(last_s).steps
    ]
    return SessionRows(session, steps, _sets(key, events))


def _sets(key: str, events: Sequence[SessionEvent]) -> list[Row]:
    armed: dict[str, Armed] = {}
    begun_at_s: dict[str, float] = {}
    rows: list[Row] = []
    for event in events:
        if isinstance(event, Armed):
            armed[event.nonce] = event
        elif isinstance(event, SetBegun):
            begun_at_s[event.nonce] = event.at_s
        elif isinstance(event, SetEnded) and event.nonce in begun_at_s:
            begun = begun_at_s[event.nonce]
            rows.append(
                {
                    "session": key,
                    "nonce": event.nonce,
                    "step": armed[event.nonce].step,
                    "begun_at_s": begun,
                    "ended_at_s": event.at_s,
                    "start_load_n": armed[event.nonce].order.load.start_n,
                    "rested_s": begun - rows[-1]["ended_at_s"] if rows else None,
                    "reason": event.reason,
                }
            )
    return rows
