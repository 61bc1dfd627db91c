"""What rides taught about a pack."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Create the table; rides of before have taught nothing that was kept."""
    op.create_table(
        "learnt",
        sa.Column("pack_digest", sa.Text, nullable=False),
        sa.Column("pack", sa.Text, nullable=False),
        sa.Column("rides", sa.Integer, nullable=False),
        sa.Column("updated_unix_s", sa.Float, nullable=False),
        sa.Column("updated_trusted", sa.Boolean, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("pack_digest", name="pk_learnt"),
    )
