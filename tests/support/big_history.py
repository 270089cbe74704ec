"""A store of many lifters and sessions, written as rows: invented, the same for the same numbers."""

from __future__ import annotations

import numpy as np

from ebbset.coaching.history import databases, writes
from ebbset.coaching.history.rows.set_rows import ROWS_VERSION, Row, profile_row
from ebbset.coaching.history.store import HistoryStore
from ebbset.coaching.history.tables import (
    DecisionEntry,
    RecordingEntry,
    RepetitionEntry,
    SessionEntry,
    SessionSetEntry,
    SessionStepEntry,
    SetEntry,
)
from ebbset.models.physiology.exercise_muscles import EXERCISE_MUSCLES
from tests.support.history_site import FIRST_DAY, person

EXERCISES = tuple(EXERCISE_MUSCLES)
DAY_S = 86_400.0


def lifter_name(number: int) -> str:
    return f"lifter-{number:03}"


def fill_big(
    store: HistoryStore,
    *,
    lifters: int,
    sessions: int,
    sets: int = 5,
    repetitions: int = 10,
    only: int | None = None,
) -> None:
    """Fill a store.

    Args:
        store: an open, empty store.
        lifters: how many.
        sessions: of each of them.
        sets: in each session.
        repetitions: in each set; there is a decision for every second one.
        only: write this lifter alone, as he would be among the others.
    """
    for number in range(lifters) if only is None else (only,):
        rng = np.random.default_rng(number)
        rows: dict[type, list[Row]] = {
            table: []
            for table in (
                RecordingEntry,
                SetEntry,
                RepetitionEntry,
                DecisionEntry,
                SessionEntry,
                SessionStepEntry,
                SessionSetEntry,
            )
        }
        for session in range(sessions):
            begun_at_s = FIRST_DAY.timestamp() + DAY_S * 3.5 * session + 60.0 * number
            key = f"{number:03}-{session:05}"
            _session(rows, key, lifter_name(number), begun_at_s)
            for position in range(sets):
                _set(rows, key, lifter_name(number), begun_at_s, position, repetitions, rng)
        with databases.writing(store.engine) as connection:
            for exercise in EXERCISES:
                writes.put_profile(connection, person(lifter_name(number), exercise))
            for table, of_table in rows.items():
                writes.put(connection, table, of_table)


def _session(rows: dict[type, list[Row]], key: str, lifter: str, begun_at_s: float) -> None:
    rows[SessionEntry].append(
        {
            "session": key,
            "name": key,
            "lifter": lifter,
            "minutes": 12.0,
            "begun_at_s": begun_at_s,
            "ended_at_s": begun_at_s + 700.0,
            "ended_because": "every set is done",
            "blinded": False,
        }
    )


def _set(
    rows: dict[type, list[Row]],
    session: str,
    lifter: str,
    begun_at_s: float,
    position: int,
    repetitions: int,
    rng: np.random.Generator,
) -> None:
    nonce, exercise = f"{session}-{position}", EXERCISES[position % len(EXERCISES)]
    at_s = begun_at_s + 120.0 * position
    one_rm_n = 500.0 * (1.0 + 0.02 * rng.standard_normal())
    rows[RecordingEntry].append(
        {
            "sha256": nonce,
            "name": f"{nonce}.mcap",
            "simulated": False,
            "missing": "",
            "sets": 1,
            "rows_version": ROWS_VERSION,
        }
    )
    rows[SetEntry].append(
        {
            "nonce": nonce,
            "sha256": nonce,
            "lifter": lifter,
            "exercise": exercise,
            "rig": "north",
            "prescription": "Invented",
            "prescription_digest": "0" * 64,
            "units": "kg",
            "profile_digest": profile_row(person(lifter, exercise))["digest"],
            "profile_doubted": False,
            "study": None,
            "blinded": False,
            "simulated": False,
            "begun_at_s": at_s,
            "duration_s": 40.0,
            "cables": 1,
            "start_load_n": 400.0,
            "final_load_n": 200.0,
            "repetitions": float(repetitions),
            "hard_fresh": 4.0,
            "hard_in_fatigue": 3.0,
            "drops": 2,
            "bouts": 1,
            "reason": "floor_failed",
            "ended_because": "The lifter stalled at the floor load.",
            "one_rm_n": one_rm_n,
            "one_rm_low_n": one_rm_n - 15.0,
            "one_rm_high_n": one_rm_n + 15.0,
            "budget_spent": 0.4,
            "finished": True,
            "fullness": 300,
        }
    )
    optional = {column.name: None for column in RepetitionEntry.__table__.columns if column.nullable}
    for number in range(repetitions):
        rows[RepetitionEntry].append(
            {
                "nonce": nonce,
                "position": number,
                "number": number + 1,
                "bout": 0,
                "step": number // 4,
                "cable": 0,
                "outcome": "completed",
                "tried_n": 400.0,
                "load_n": 400.0,
                "t_start_s": 3.0 * number,
                "t_end_s": 3.0 * number + 1.0,
                **optional,
            }
        )
        if number % 2:
            rows[DecisionEntry].append(
                {
                    "nonce": nonce,
                    "position": number // 2,
                    "t_s": 3.0 * number,
                    "action": "hold",
                    "reason": "stall_in_concentric",
                    "repetition": number,
                    "told": "{}",
                }
            )
    rows[SessionStepEntry].append(
        {
            "session": session,
            "step": position + 1,
            "exercise": exercise,
            "rig": "north",
            "title": exercise,
            "state": "done",
            "rest_before_s": 90.0,
            "planned_start_n": 400.0,
        }
    )
    rows[SessionSetEntry].append(
        {
            "session": session,
            "nonce": nonce,
            "step": position + 1,
            "begun_at_s": at_s,
            "ended_at_s": at_s + 40.0,
            "start_load_n": 400.0,
            "rested_s": 80.0,
            "reason": "floor_failed",
        }
    )
