"""The first tables: lifters, profile versions, recordings, sets with repetitions and decisions, sessions with steps."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make all tables."""
    op.create_table(
        "lifters",
        sa.Column("lifter", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("lifter", name=op.f("pk_lifters")),
    )
    op.create_table(
        "recordings",
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        sa.Column("missing", sa.Text(), nullable=False),
        sa.Column("sets", sa.BigInteger(), nullable=False),
        sa.Column("rows_version", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_recordings")),
    )
    op.create_table(
        "profile_versions",
        sa.Column("lifter", sa.Text(), nullable=False),
        sa.Column("exercise", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("date", sa.Text(), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["lifter"], ["lifters.lifter"], name=op.f("fk_profile_versions_lifter")),
        sa.PrimaryKeyConstraint("lifter", "exercise", "digest", name=op.f("pk_profile_versions")),
    )
    op.create_table(
        "sessions",
        sa.Column("session", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("lifter", sa.Text(), nullable=False),
        sa.Column("minutes", sa.Double(), nullable=False),
        sa.Column("begun_at_s", sa.Double(), nullable=False),
        sa.Column("ended_at_s", sa.Double(), nullable=False),
        sa.Column("ended_because", sa.Text(), nullable=True),
        sa.Column("blinded", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["lifter"], ["lifters.lifter"], name=op.f("fk_sessions_lifter")),
        sa.PrimaryKeyConstraint("session", name=op.f("pk_sessions")),
    )
    op.create_index(op.f("ix_sessions_lifter_begun_at_s"), "sessions", ["lifter", "begun_at_s"], unique=False)
    op.create_table(
        "sets",
        sa.Column("nonce", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("lifter", sa.Text(), nullable=True),
        sa.Column("exercise", sa.Text(), nullable=False),
        sa.Column("rig", sa.Text(), nullable=False),
        sa.Column("prescription", sa.Text(), nullable=False),
        sa.Column("prescription_digest", sa.Text(), nullable=False),
        sa.Column("units", sa.Text(), nullable=False),
        sa.Column("profile_digest", sa.Text(), nullable=True),
        sa.Column("profile_doubted", sa.Boolean(), nullable=False),
        sa.Column("study", sa.Text(), nullable=True),
        sa.Column("blinded", sa.Boolean(), nullable=False),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        sa.Column("begun_at_s", sa.Double(), nullable=True),
        sa.Column("duration_s", sa.Double(), nullable=False),
        sa.Column("cables", sa.BigInteger(), nullable=False),
        sa.Column("start_load_n", sa.Double(), nullable=False),
        sa.Column("final_load_n", sa.Double(), nullable=True),
        sa.Column("repetitions", sa.Double(), nullable=False),
        sa.Column("hard_fresh", sa.Double(), nullable=False),
        sa.Column("hard_in_fatigue", sa.Double(), nullable=False),
        sa.Column("drops", sa.BigInteger(), nullable=False),
        sa.Column("bouts", sa.BigInteger(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("ended_because", sa.Text(), nullable=True),
        sa.Column("one_rm_n", sa.Double(), nullable=True),
        sa.Column("one_rm_low_n", sa.Double(), nullable=True),
        sa.Column("one_rm_high_n", sa.Double(), nullable=True),
        sa.Column("budget_spent", sa.Double(), nullable=True),
        sa.Column("finished", sa.Boolean(), nullable=False),
        sa.Column("fullness", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["lifter"], ["lifters.lifter"], name=op.f("fk_sets_lifter")),
        sa.ForeignKeyConstraint(["sha256"], ["recordings.sha256"], name=op.f("fk_sets_sha256"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("nonce", name=op.f("pk_sets")),
    )
    op.create_index(op.f("ix_sets_lifter_begun_at_s"), "sets", ["lifter", "begun_at_s"], unique=False)
    op.create_index(
        op.f("ix_sets_lifter_exercise_begun_at_s"), "sets", ["lifter", "exercise", "begun_at_s"], unique=False
    )
    op.create_index(op.f("ix_sets_sha256"), "sets", ["sha256"], unique=False)
    op.create_table(
        "decisions",
        sa.Column("nonce", sa.Text(), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("t_s", sa.Double(), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("repetition", sa.BigInteger(), nullable=False),
        sa.Column("told", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["nonce"], ["sets.nonce"], name=op.f("fk_decisions_nonce"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("nonce", "position", name=op.f("pk_decisions")),
    )
    op.create_table(
        "repetitions",
        sa.Column("nonce", sa.Text(), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("bout", sa.BigInteger(), nullable=False),
        sa.Column("step", sa.BigInteger(), nullable=False),
        sa.Column("cable", sa.BigInteger(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("tried_n", sa.Double(), nullable=False),
        sa.Column("load_n", sa.Double(), nullable=False),
        sa.Column("t_start_s", sa.Double(), nullable=False),
        sa.Column("t_end_s", sa.Double(), nullable=False),
        sa.Column("rom_m", sa.Double(), nullable=True),
        sa.Column("mean_velocity_m_s", sa.Double(), nullable=True),
        sa.Column("peak_velocity_m_s", sa.Double(), nullable=True),
        sa.Column("mean_force_n", sa.Double(), nullable=True),
        sa.Column("capacity_n", sa.Double(), nullable=True),
        sa.Column("capacity_low_n", sa.Double(), nullable=True),
        sa.Column("capacity_high_n", sa.Double(), nullable=True),
        sa.Column("one_rm_n", sa.Double(), nullable=True),
        sa.Column("one_rm_low_n", sa.Double(), nullable=True),
        sa.Column("one_rm_high_n", sa.Double(), nullable=True),
        sa.Column("repetitions_in_reserve", sa.Double(), nullable=True),
        sa.Column("budget_spent", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["nonce"], ["sets.nonce"], name=op.f("fk_repetitions_nonce"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("nonce", "position", name=op.f("pk_repetitions")),
    )
    op.create_table(
        "session_steps",
        sa.Column("session", sa.Text(), nullable=False),
        sa.Column("step", sa.BigInteger(), nullable=False),
        sa.Column("exercise", sa.Text(), nullable=False),
        sa.Column("rig", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("rest_before_s", sa.Double(), nullable=False),
        sa.Column("planned_start_n", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(
            ["session"], ["sessions.session"], name=op.f("fk_session_steps_session"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("session", "step", name=op.f("pk_session_steps")),
    )
    op.create_table(
        "session_sets",
        sa.Column("session", sa.Text(), nullable=False),
        sa.Column("nonce", sa.Text(), nullable=False),
        sa.Column("step", sa.BigInteger(), nullable=False),
        sa.Column("begun_at_s", sa.Double(), nullable=False),
        sa.Column("ended_at_s", sa.Double(), nullable=False),
        sa.Column("start_load_n", sa.Double(), nullable=False),
        sa.Column("rested_s", sa.Double(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["session", "step"],
            ["session_steps.session", "session_steps.step"],
            name=op.f("fk_session_sets_session_step"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("session", "nonce", name=op.f("pk_session_sets")),
    )
    op.create_index(op.f("ix_session_sets_session_step"), "session_sets", ["session", "step"], unique=False)


def downgrade() -> None:
    """Remove all tables, and what is in them."""
    op.drop_index(op.f("ix_session_sets_session_step"), table_name="session_sets")
    op.drop_table("session_sets")
    op.drop_table("session_steps")
    op.drop_table("repetitions")
    op.drop_table("decisions")
    op.drop_index(op.f("ix_sets_sha256"), table_name="sets")
    op.drop_index(op.f("ix_sets_lifter_exercise_begun_at_s"), table_name="sets")
    op.drop_index(op.f("ix_sets_lifter_begun_at_s"), table_name="sets")
    op.drop_table("sets")
    op.drop_index(op.f("ix_sessions_lifter_begun_at_s"), table_name="sessions")
    op.drop_table("sessions")
    op.drop_table("profile_versions")
    op.drop_table("recordings")
    op.drop_table("lifters")
