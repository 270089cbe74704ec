"""What a store tells: lifters, sets and sessions, as values that need no database; what a column means: `tables`."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from ebbset.models.contract.units import LoadUnit


@dataclass(frozen=True, slots=True, kw_only=True)
class LifterRow:
    """One lifter in a list: how much there is, and when the newest set was begun, in local time."""

    lifter: str
    sets: int
    sessions: int
    newest: datetime.datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SetRow:
    """One set. Loads and 1RM in newtons per cable; ``hard_*`` are repetitions, cables averaged; see `SetEntry`.

    ``recording`` is the name of the file that holds it, ``begun_at`` local time, None where the recording has no clock.
    """

    nonce: str
    recording: str
    lifter: str | None
    exercise: str
    rig: str
    prescription: str
    units: LoadUnit
    begun_at: datetime.datetime | None
    duration_s: float
    cables: int
    start_load_n: float
    final_load_n: float | None
    repetitions: float
    hard_fresh: float
    hard_in_fatigue: float
    drops: int
    bouts: int
    reason: str | None
    ended_because: str | None
    one_rm_n: float | None
    one_rm_low_n: float | None
    one_rm_high_n: float | None
    budget_spent: float | None
    profile_doubted: bool
    simulated: bool
    blinded: bool

    @property
    def date(self) -> datetime.date | None:
        """Local date on which it was begun."""
        return None if self.begun_at is None else self.begun_at.date()


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionSetRow:
    """One set of a session, as its journal tells of it; see `SessionSetEntry`."""

    nonce: str
    start_load_n: float
    rested_s: float | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionStepRow:
    """One step of a session and what became of it, with its sets in order; see `SessionStepEntry`."""

    step: int
    exercise: str
    rig: str
    title: str
    state: str
    rest_before_s: float
    planned_start_n: float
    sets: tuple[SessionSetRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionRow:
    """One session; times are local. ``ended_because`` is None for one that was broken off."""

    session: str
    name: str
    lifter: str
    minutes: float
    begun_at: datetime.datetime
    ended_at: datetime.datetime
    ended_because: str | None
    steps: tuple[SessionStepRow, ...]
