"""Pieces in a table of their own, levels and overviews, and rides that may be thinned.

Rides of before have no levels yet; whoever writes the store next makes them in the background.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

COLUMNS = "ride_id, kind, first_time_us, last_time_us, samples, blob"


def upgrade() -> None:
    """Create the tables and move the pieces over."""
    op.create_table(
        "pieces",
        sa.Column("piece_id", sa.Integer, nullable=False),
        sa.Column("ride_id", sa.Integer, nullable=False),
        sa.Column("kind", sa.Integer, nullable=False),
        sa.Column("first_time_us", sa.Integer, nullable=False),
        sa.Column("last_time_us", sa.Integer, nullable=False),
        sa.Column("samples", sa.Integer, nullable=False),
        sa.Column("blob", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("piece_id", name="pk_pieces"),
        sa.ForeignKeyConstraint(["ride_id"], ["rides.ride_id"], name="fk_pieces_ride_id"),
    )
    op.execute(f"INSERT INTO pieces ({COLUMNS}) SELECT {COLUMNS} FROM chunks WHERE piece ORDER BY chunk_id")  # noqa: S608
    op.execute("DELETE FROM chunks WHERE piece")
    op.execute("ALTER TABLE chunks DROP COLUMN piece")
    op.create_table(
        "overviews",
        sa.Column("ride_id", sa.Integer, nullable=False),
        sa.Column("channels", sa.Text, nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("ride_id", name="pk_overviews"),
        sa.ForeignKeyConstraint(["ride_id"], ["rides.ride_id"], name="fk_overviews_ride_id"),
    )
    for name in ("levels", "thinned"):
        op.add_column("rides", sa.Column(name, sa.Boolean, nullable=False, server_default=sa.text("0")))
    op.create_index("ix_rides_started_unix_s_ride_id", "rides", ["started_unix_s", "ride_id"])
