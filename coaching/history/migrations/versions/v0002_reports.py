"""Reports of sites, as a centre gathers them: results, decisions and repetitions, sets at a glance, health."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "reports",
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("rig", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("nonce", sa.Text(), nullable=True),
        sa.Column("received_at_s", sa.Double(), nullable=False),
        sa.Column("told", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_reports")),
    )
    op.create_index(op.f("ix_reports_nonce"), "reports", ["nonce"], unique=False)
    op.create_index(op.f("ix_reports_site_received_at_s"), "reports", ["site", "received_at_s"], unique=False)
    op.create_table(
        "reported_sets",
        sa.Column("nonce", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("rig", sa.Text(), nullable=False),
        sa.Column("prescription", sa.Text(), nullable=False),
        sa.Column("prescription_digest", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("repetitions", sa.BigInteger(), nullable=False),
        sa.Column("drops", sa.BigInteger(), nullable=False),
        sa.Column("bouts", sa.BigInteger(), nullable=False),
        sa.Column("duration_s", sa.Double(), nullable=False),
        sa.Column("budget_spent", sa.Double(), nullable=True),
        sa.Column("refused_inputs", sa.BigInteger(), nullable=False),
        sa.Column("guard_refusals", sa.BigInteger(), nullable=False),
        sa.Column("received_at_s", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("nonce", name=op.f("pk_reported_sets")),
    )
    op.create_index(
        op.f("ix_reported_sets_site_received_at_s"), "reported_sets", ["site", "received_at_s"], unique=False
    )
    op.create_table(
        "site_health",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("at_s", sa.Double(), nullable=False),
        sa.Column("healthy", sa.Boolean(), nullable=False),
        sa.Column("told", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", name=op.f("pk_site_health")),
    )


def downgrade() -> None:
    """Remove the tables, and what is in them."""
    op.drop_table("site_health")
    op.drop_index(op.f("ix_reported_sets_site_received_at_s"), table_name="reported_sets")
    op.drop_table("reported_sets")
    op.drop_index(op.f("ix_reports_site_received_at_s"), table_name="reports")
    op.drop_index(op.f("ix_reports_nonce"), table_name="reports")
    op.drop_table("reports")
