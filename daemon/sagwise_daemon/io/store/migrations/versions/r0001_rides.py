"""Counters, packs, rides, boots, events, chunks and gaps."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Create the first tables."""
    _counters()
    _packs_and_rides()
    _parts_of_a_ride()
    op.create_index("ix_events_ride_id", "events", ["ride_id"])
    op.create_index("ix_chunks_ride_id_kind_first_time_us", "chunks", ["ride_id", "kind", "first_time_us"])
    op.create_index("ix_gaps_ride_id", "gaps", ["ride_id"])


def _counters() -> None:
    counters = op.create_table(
        "counters",
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("next_id", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_counters"),
    )
    op.bulk_insert(counters, [{"name": "ride", "next_id": 1}, {"name": "event", "next_id": 1}])


def _packs_and_rides() -> None:
    op.create_table(
        "packs",
        sa.Column("pack_id", sa.Integer, nullable=False),
        sa.Column("digest", sa.Text, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("series", sa.Integer, nullable=False),
        sa.Column("snapshot", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("pack_id", name="pk_packs"),
        sa.UniqueConstraint("digest", name="uq_packs_digest"),
    )
    op.create_table(
        "rides",
        sa.Column("ride_id", sa.Integer, nullable=False),
        sa.Column("pack_id", sa.Integer, nullable=False),
        sa.Column("started_unix_s", sa.Float, nullable=False),
        sa.Column("started_trusted", sa.Boolean, nullable=False),
        sa.Column("ended_by", sa.Text),
        sa.Column("duration_s", sa.Float, nullable=False),
        sa.Column("samples", sa.Integer, nullable=False),
        sa.Column("alarms", sa.Integer, nullable=False),
        sa.Column("temperatures", sa.Integer, nullable=False),
        sa.Column("energy_wh", sa.Float),
        sa.Column("charge_ah", sa.Float),
        sa.Column("distance_m", sa.Float),
        sa.Column("current_max_a", sa.Float),
        sa.Column("loaded_min_v", sa.Float),
        sa.Column("rest_min_v", sa.Float),
        sa.Column("host_boot", sa.Text, nullable=False),
        sa.Column("last_monotonic_s", sa.Float, nullable=False),
        sa.PrimaryKeyConstraint("ride_id", name="pk_rides"),
        sa.ForeignKeyConstraint(["pack_id"], ["packs.pack_id"], name="fk_rides_pack_id"),
    )


def _parts_of_a_ride() -> None:
    op.create_table(
        "boots",
        sa.Column("ride_id", sa.Integer, nullable=False),
        sa.Column("boot_id", sa.Integer, nullable=False),
        sa.Column("first_time_us", sa.Integer, nullable=False),
        sa.Column("uptime_us", sa.Integer, nullable=False),
        sa.Column("unix_s", sa.Float, nullable=False),
        sa.Column("trusted", sa.Boolean, nullable=False),
        sa.Column("monotonic_s", sa.Float, nullable=False),
        sa.Column("host_boot", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("ride_id", "boot_id", name="pk_boots"),
        sa.ForeignKeyConstraint(["ride_id"], ["rides.ride_id"], name="fk_boots_ride_id"),
    )
    op.create_table(
        "events",
        sa.Column("event_id", sa.Integer, nullable=False),
        sa.Column("ride_id", sa.Integer),
        sa.Column("ride_time_us", sa.Integer),
        sa.Column("unix_s", sa.Float, nullable=False),
        sa.Column("time_s", sa.Float, nullable=False),
        sa.Column("rule", sa.Text, nullable=False),
        sa.Column("group_number", sa.Integer),
        sa.Column("to_state", sa.Text, nullable=False),
        sa.Column("priority", sa.Text, nullable=False),
        sa.Column("value", sa.Float),
        sa.Column("limit_value", sa.Float),
        sa.Column("unit", sa.Text, nullable=False),
        sa.Column("basis", sa.Text),
        sa.Column("by", sa.Text),
        sa.PrimaryKeyConstraint("event_id", name="pk_events"),
        sa.ForeignKeyConstraint(["ride_id"], ["rides.ride_id"], name="fk_events_ride_id"),
    )
    op.create_table(
        "chunks",
        sa.Column("chunk_id", sa.Integer, nullable=False),
        sa.Column("ride_id", sa.Integer, nullable=False),
        sa.Column("kind", sa.Integer, nullable=False),
        sa.Column("piece", sa.Boolean, nullable=False),
        sa.Column("first_time_us", sa.Integer, nullable=False),
        sa.Column("last_time_us", sa.Integer, nullable=False),
        sa.Column("samples", sa.Integer, nullable=False),
        sa.Column("blob", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("chunk_id", name="pk_chunks"),
        sa.ForeignKeyConstraint(["ride_id"], ["rides.ride_id"], name="fk_chunks_ride_id"),
    )
    op.create_table(
        "gaps",
        sa.Column("gap_id", sa.Integer, nullable=False),
        sa.Column("ride_id", sa.Integer, nullable=False),
        sa.Column("cause", sa.Text, nullable=False),
        sa.Column("first_time_us", sa.Integer, nullable=False),
        sa.Column("last_time_us", sa.Integer, nullable=False),
        sa.Column("samples", sa.Integer),
        sa.PrimaryKeyConstraint("gap_id", name="pk_gaps"),
        sa.ForeignKeyConstraint(["ride_id"], ["rides.ride_id"], name="fk_gaps_ride_id"),
    )
