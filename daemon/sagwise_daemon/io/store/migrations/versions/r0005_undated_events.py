"""Alarm events outside of rides that wait for a trusted time."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Of events so far nobody noted by which clock they could be dated."""
    op.add_column("events", sa.Column("host_boot", sa.Text))
    op.add_column("events", sa.Column("monotonic_s", sa.Float))
