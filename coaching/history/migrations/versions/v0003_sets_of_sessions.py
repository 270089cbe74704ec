"""An index by which a set finds the session that it was done in."""

from __future__ import annotations

from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the index."""
    op.create_index(op.f("ix_session_sets_nonce"), "session_sets", ["nonce"], unique=False)


def downgrade() -> None:
    """Take it away."""
    op.drop_index(op.f("ix_session_sets_nonce"), table_name="session_sets")
