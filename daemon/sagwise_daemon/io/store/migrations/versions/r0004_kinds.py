"""Kinds of record, names and notes, deletion that can be undone, and summaries."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Every record so far is a ride."""
    op.add_column("rides", sa.Column("kind", sa.Text, nullable=False, server_default="ride"))
    op.add_column("rides", sa.Column("ride_name", sa.Text))
    op.add_column("rides", sa.Column("note", sa.Text, nullable=False, server_default=sa.text("''")))
    op.add_column("rides", sa.Column("deleted_unix_s", sa.Float))
    op.add_column("rides", sa.Column("origin", sa.Text))
    op.create_table(
        "summaries",
        sa.Column("ride_id", sa.Integer, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("ride_id", name="pk_summaries"),
        sa.ForeignKeyConstraint(["ride_id"], ["rides.ride_id"], name="fk_summaries_ride_id"),
    )
