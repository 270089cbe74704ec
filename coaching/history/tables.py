"""The tables of the store, as SQLAlchemy classes; what a row means stands here, how it is made in `set_rows`.

Every key is natural (a pseudonym, a nonce, a hash), so that two programs that write the same recording write the same
rows, and a store that was made again is equal to the first. Times are UTC epoch seconds, loads newtons per cable.
A migration in `migrations` must follow every change here; a test compares the two.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Double, ForeignKey, ForeignKeyConstraint, Index, MetaData, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
"""Names of indices and keys, the same on both databases, so that migrations can name them."""


class Base(DeclarativeBase):
    """Tables of the store."""

    metadata = MetaData(naming_convention=NAMING)
    type_annotation_map = {str: Text(), float: Double(), int: BigInteger()}  # noqa: RUF012 (SQLAlchemy's own form)


class LifterEntry(Base):
    """One lifter, by pseudonym; there is nothing else to know about a person."""

    __tablename__ = "lifters"
    lifter: Mapped[str] = mapped_column(primary_key=True)


class ProfileVersion(Base):
    """One version of a lifter's profile of an exercise, as a set was armed with it or a file holds it.

    ``digest`` is the SHA-256 of the document, which is the profile as TOML.
    """

    __tablename__ = "profile_versions"
    lifter: Mapped[str] = mapped_column(ForeignKey("lifters.lifter"), primary_key=True)
    exercise: Mapped[str] = mapped_column(primary_key=True)
    digest: Mapped[str] = mapped_column(primary_key=True)
    date: Mapped[str]
    document: Mapped[str]


class RecordingEntry(Base):
    """One recording file, known by the SHA-256 of its bytes.

    ``rows_version`` is the `set_rows.ROWS_VERSION` with which its rows were made; ``sets`` how many it holds, whether
    or not another recording of the same set holds more of it.
    """

    __tablename__ = "recordings"
    sha256: Mapped[str] = mapped_column(primary_key=True)
    name: Mapped[str]
    simulated: Mapped[bool]
    missing: Mapped[str]
    sets: Mapped[int]
    rows_version: Mapped[int]


class SetEntry(Base):
    """One armed set, known by its nonce, as the fullest recording of it says.

    ``lifter`` is None for a set that names nobody; whose it is then: `owners`. ``blinded``: a session of a study that
    hides something from somebody, so that no screen shows it. ``one_rm_*``: 1RM of the day with its 80 % interval.
    ``hard_*``: completed repetitions with little in reserve, cables averaged. ``fullness``: outputs recorded, and
    ``finished`` whether the recording goes to the end of the set.
    """

    __tablename__ = "sets"
    __table_args__ = (
        Index(None, "lifter", "exercise", "begun_at_s"),
        Index(None, "lifter", "begun_at_s"),
        Index(None, "sha256"),
    )
    nonce: Mapped[str] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(ForeignKey("recordings.sha256", ondelete="CASCADE"))
    lifter: Mapped[str | None] = mapped_column(ForeignKey("lifters.lifter"))
    exercise: Mapped[str]
    rig: Mapped[str]
    prescription: Mapped[str]
    prescription_digest: Mapped[str]
    units: Mapped[str]
    profile_digest: Mapped[str | None]
    profile_doubted: Mapped[bool]
    study: Mapped[str | None]
    blinded: Mapped[bool]
    simulated: Mapped[bool]
    begun_at_s: Mapped[float | None]
    duration_s: Mapped[float]
    cables: Mapped[int]
    start_load_n: Mapped[float]
    final_load_n: Mapped[float | None]
    repetitions: Mapped[float]
    hard_fresh: Mapped[float]
    hard_in_fatigue: Mapped[float]
    drops: Mapped[int]
    bouts: Mapped[int]
    reason: Mapped[str | None]
    ended_because: Mapped[str | None]
    one_rm_n: Mapped[float | None]
    one_rm_low_n: Mapped[float | None]
    one_rm_high_n: Mapped[float | None]
    budget_spent: Mapped[float | None]
    finished: Mapped[bool]
    fullness: Mapped[int]


class RepetitionEntry(Base):
    """One repetition of one cable, as the controller recorded it; ``tried_n`` is the load at which it began."""

    __tablename__ = "repetitions"
    nonce: Mapped[str] = mapped_column(ForeignKey("sets.nonce", ondelete="CASCADE"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    number: Mapped[int]
    bout: Mapped[int]
    step: Mapped[int]
    cable: Mapped[int]
    outcome: Mapped[str]
    tried_n: Mapped[float]
    load_n: Mapped[float]
    t_start_s: Mapped[float]
    t_end_s: Mapped[float]
    rom_m: Mapped[float | None]
    mean_velocity_m_s: Mapped[float | None]
    peak_velocity_m_s: Mapped[float | None]
    mean_force_n: Mapped[float | None]
    capacity_n: Mapped[float | None]
    capacity_low_n: Mapped[float | None]
    capacity_high_n: Mapped[float | None]
    one_rm_n: Mapped[float | None]
    one_rm_low_n: Mapped[float | None]
    one_rm_high_n: Mapped[float | None]
    repetitions_in_reserve: Mapped[float | None]
    budget_spent: Mapped[float | None]


class DecisionEntry(Base):
    """One decision of the controller with its reason; ``told`` is the whole of it as JSON."""

    __tablename__ = "decisions"
    nonce: Mapped[str] = mapped_column(ForeignKey("sets.nonce", ondelete="CASCADE"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    t_s: Mapped[float]
    action: Mapped[str]
    reason: Mapped[str]
    repetition: Mapped[int]
    told: Mapped[str]


class SessionEntry(Base):
    """One session that was begun, from its plan and its journal.

    ``session`` is a digest of name, lifter and beginning. ``ended_because`` is None for one that was broken off.
    ``blinded``: a step of it is a blinded session of a study.
    """

    __tablename__ = "sessions"
    __table_args__ = (Index(None, "lifter", "begun_at_s"),)
    session: Mapped[str] = mapped_column(primary_key=True)
    name: Mapped[str]
    lifter: Mapped[str] = mapped_column(ForeignKey("lifters.lifter"))
    minutes: Mapped[float]
    begun_at_s: Mapped[float]
    ended_at_s: Mapped[float]
    ended_because: Mapped[str | None]
    blinded: Mapped[bool]


class SessionStepEntry(Base):
    """One step of a session's plan and what became of it.

    ``state`` is ``done``, ``skipped``, ``left out`` or ``to do``; ``planned_start_n`` the start load of the plan.
    """

    __tablename__ = "session_steps"
    session: Mapped[str] = mapped_column(ForeignKey("sessions.session", ondelete="CASCADE"), primary_key=True)
    step: Mapped[int] = mapped_column(primary_key=True)
    exercise: Mapped[str]
    rig: Mapped[str]
    title: Mapped[str]
    state: Mapped[str]
    rest_before_s: Mapped[float]
    planned_start_n: Mapped[float]


class SessionSetEntry(Base):
    """One set that a session's journal tells of; its recording may not be in the store.

    ``start_load_n`` is what was armed, ``rested_s`` the time since the set before, None for the first.
    """

    __tablename__ = "session_sets"
    __table_args__ = (
        ForeignKeyConstraint(["session", "step"], ["session_steps.session", "session_steps.step"], ondelete="CASCADE"),
        Index(None, "session", "step"),
        Index(None, "nonce"),
    )
    session: Mapped[str] = mapped_column(primary_key=True)
    nonce: Mapped[str] = mapped_column(primary_key=True)
    step: Mapped[int]
    begun_at_s: Mapped[float]
    ended_at_s: Mapped[float]
    start_load_n: Mapped[float]
    rested_s: Mapped[float | None]
    reason: Mapped[str]


class ReportEntry(Base):
    """One report that a controller sent about a set, as it arrived at a centre: the same however often it arrived.

    ``digest`` is the SHA-256 of site, rig, kind and payload; ``kind`` is ``result``, ``decision`` or ``repetition``;
    ``told`` the payload. ``received_at_s`` is when it arrived first. Reports are not made from files: a store that is
    made again from recordings keeps those that it has.
    """

    __tablename__ = "reports"
    __table_args__ = (Index(None, "nonce"), Index(None, "site", "received_at_s"))
    digest: Mapped[str] = mapped_column(primary_key=True)
    site: Mapped[str]
    rig: Mapped[str]
    kind: Mapped[str]
    nonce: Mapped[str | None]
    received_at_s: Mapped[float]
    told: Mapped[str]


class ReportedSet(Base):
    """One set as its result told a centre of it, before any recording of it is there."""

    __tablename__ = "reported_sets"
    __table_args__ = (Index(None, "site", "received_at_s"),)
    nonce: Mapped[str] = mapped_column(primary_key=True)
    site: Mapped[str]
    rig: Mapped[str]
    prescription: Mapped[str]
    prescription_digest: Mapped[str]
    reason: Mapped[str]
    repetitions: Mapped[int]
    drops: Mapped[int]
    bouts: Mapped[int]
    duration_s: Mapped[float]
    budget_spent: Mapped[float | None]
    refused_inputs: Mapped[int]
    guard_refusals: Mapped[int]
    received_at_s: Mapped[float]


class SiteHealth(Base):
    """The newest report of a site on its own health; ``at_s`` is by the site's clock, ``told`` the payload."""

    __tablename__ = "site_health"
    site: Mapped[str] = mapped_column(primary_key=True)
    at_s: Mapped[float]
    healthy: Mapped[bool]
    told: Mapped[str]
