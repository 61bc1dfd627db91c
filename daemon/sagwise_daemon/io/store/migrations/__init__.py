"""Alembic's scripts, packaged. Law: a released revision is never edited; a change of schema is a new one."""
