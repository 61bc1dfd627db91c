"""The tables of the ride store. Law: migrations make them, this file describes them, a test holds the two
together.

Names are snake_case with the unit last. Times inside a ride are microseconds from its first sample; `unix_s` is
wall time. `host_boot` and `monotonic_s` say when something was in terms of the host's own boot, so that a ride
recorded before the clock was set can be dated later.
"""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
    text,
)

# In order, oldest first; the last is what this program reads and writes.
REVISIONS = ("0001", "0002", "0003", "0004", "0005")

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# The next identifier to reserve, by kind ("ride", "event").
counters = Table(
    "counters",
    metadata,
    Column("name", Text, primary_key=True),
    Column("next_id", Integer, nullable=False),
)

# A pack as it was when ridden; never changed. `snapshot` is JSON, `digest` its SHA-256.
packs = Table(
    "packs",
    metadata,
    Column("pack_id", Integer, primary_key=True),
    Column("digest", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("series", Integer, nullable=False),
    Column("snapshot", Text, nullable=False),
    UniqueConstraint("digest"),
)

# One ride and its running totals, true to the last flush. Null: unknown, or none seen. `levels`: whether they are
# stored for it. `thinned`: whether samples at full rate were dropped to make room. `kind`: "ride", "charge" or
# "standing". `deleted_unix_s`: since when nobody wants it. `origin`: SHA-256 of the trace it was imported from.
rides = Table(
    "rides",
    metadata,
    Column("ride_id", Integer, primary_key=True),
    Column("pack_id", Integer, ForeignKey("packs.pack_id"), nullable=False),
    Column("started_unix_s", Float, nullable=False),
    Column("started_trusted", Boolean, nullable=False),
    Column("ended_by", Text),
    Column("duration_s", Float, nullable=False),
    Column("samples", Integer, nullable=False),
    Column("alarms", Integer, nullable=False),
    Column("temperatures", Integer, nullable=False),
    Column("energy_wh", Float),
    Column("charge_ah", Float),
    Column("distance_m", Float),
    Column("current_max_a", Float),
    Column("loaded_min_v", Float),
    Column("rest_min_v", Float),
    Column("host_boot", Text, nullable=False),
    Column("last_monotonic_s", Float, nullable=False),
    Column("levels", Boolean, nullable=False, server_default=text("0")),
    Column("thinned", Boolean, nullable=False, server_default=text("0")),
    Column("kind", Text, nullable=False, server_default="ride"),
    Column("ride_name", Text),
    Column("note", Text, nullable=False, server_default=text("''")),
    Column("deleted_unix_s", Float),
    Column("origin", Text),
    Index(None, "started_unix_s", "ride_id"),
)

# The board's boots within a ride. `uptime_us` is the board's own at `first_time_us`, as a signed 64-bit integer.
boots = Table(
    "boots",
    metadata,
    Column("ride_id", Integer, ForeignKey("rides.ride_id"), primary_key=True),
    Column("boot_id", Integer, primary_key=True),
    Column("first_time_us", Integer, nullable=False),
    Column("uptime_us", Integer, nullable=False),
    Column("unix_s", Float, nullable=False),
    Column("trusted", Boolean, nullable=False),
    Column("monotonic_s", Float, nullable=False),
    Column("host_boot", Text, nullable=False),
)

# Every alarm transition. `time_s` is the core's clock, `ride_time_us` the ride's. `host_boot`, `monotonic_s`: of one
# that no ride dates, while its `unix_s` is of a clock that nothing had set; null once it is dated.
events = Table(
    "events",
    metadata,
    Column("event_id", Integer, primary_key=True),
    Column("ride_id", Integer, ForeignKey("rides.ride_id")),
    Column("ride_time_us", Integer),
    Column("unix_s", Float, nullable=False),
    Column("time_s", Float, nullable=False),
    Column("rule", Text, nullable=False),
    Column("group_number", Integer),
    Column("to_state", Text, nullable=False),
    Column("priority", Text, nullable=False),
    Column("value", Float),
    Column("limit_value", Float),
    Column("unit", Text, nullable=False),
    Column("basis", Text),
    Column("by", Text),
    Column("host_boot", Text),
    Column("monotonic_s", Float),
    Index(None, "ride_id"),
)

# Columnar chunks (`codec`) of samples, estimates and levels, by kind (`columns`).
chunks = Table(
    "chunks",
    metadata,
    Column("chunk_id", Integer, primary_key=True),
    Column("ride_id", Integer, ForeignKey("rides.ride_id"), nullable=False),
    Column("kind", Integer, nullable=False),
    Column("first_time_us", Integer, nullable=False),
    Column("last_time_us", Integer, nullable=False),
    Column("samples", Integer, nullable=False),
    Column("blob", LargeBinary, nullable=False),
    Index(None, "ride_id", "kind", "first_time_us"),
)

# What one flush wrote, until enough of it is folded into a chunk. No index but the key's: there are few, and each one
# would cost a page at every flush.
pieces = Table(
    "pieces",
    metadata,
    Column("piece_id", Integer, primary_key=True),
    Column("ride_id", Integer, ForeignKey("rides.ride_id"), nullable=False),
    Column("kind", Integer, nullable=False),
    Column("first_time_us", Integer, nullable=False),
    Column("last_time_us", Integer, nullable=False),
    Column("samples", Integer, nullable=False),
    Column("blob", LargeBinary, nullable=False),
)

# A whole ride as the body of a chart (`overview`). `channels`: their names in the body's order, as JSON.
overviews = Table(
    "overviews",
    metadata,
    Column("ride_id", Integer, ForeignKey("rides.ride_id"), primary_key=True),
    Column("channels", Text, nullable=False),
    Column("body", LargeBinary, nullable=False),
)

# Where samples are missing, and why: "queue_full", "order" (time did not rise), "restart" (the daemon was away).
gaps = Table(
    "gaps",
    metadata,
    Column("gap_id", Integer, primary_key=True),
    Column("ride_id", Integer, ForeignKey("rides.ride_id"), nullable=False),
    Column("cause", Text, nullable=False),
    Column("first_time_us", Integer, nullable=False),
    Column("last_time_us", Integer, nullable=False),
    Column("samples", Integer),
    Index(None, "ride_id"),
)

# What is worth knowing of a record that is over (`history`); made again where `version` is not this program's.
summaries = Table(
    "summaries",
    metadata,
    Column("ride_id", Integer, ForeignKey("rides.ride_id"), primary_key=True),
    Column("version", Integer, nullable=False),
    Column("document", Text, nullable=False),
)

# What rides taught about a pack, the newest only (`memory`). `pack_digest`: SHA-256 of the pack's electrical facts, so
# that a rebuilt pack finds nothing here. `document` is JSON.
learnt = Table(
    "learnt",
    metadata,
    Column("pack_digest", Text, primary_key=True),
    Column("pack", Text, nullable=False),
    Column("rides", Integer, nullable=False),
    Column("updated_unix_s", Float, nullable=False),
    Column("updated_trusted", Boolean, nullable=False),
    Column("document", Text, nullable=False),
)
