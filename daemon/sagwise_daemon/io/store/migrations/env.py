"""Runs the migrations on the connection that `migrate` hands over. Law: no logging set-up, no ini file, no second
way.

Batch mode, since SQLite alters a table only by copying it. The caller's transaction surrounds everything.
"""

from __future__ import annotations

from alembic import context

from sagwise_daemon.io.store.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
