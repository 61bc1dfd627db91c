"""Brings a store's file to the newest schema, in a process of its own. Law: all of a migration or none of it.

`python -m sagwise_daemon.io.store.migrate PATH`. Exit status 0 done, 2 it could not, with one line on standard
error.
"""

from __future__ import annotations

import sys
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.util import CommandError
from sqlalchemy.exc import SQLAlchemyError

from sagwise_daemon.io.store.engine import writer_engine


def configuration() -> Config:
    """Alembic's configuration, with the scripts that lie in this package and no ini file."""
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    return config


def migrate(path: Path, revision: str = "head") -> None:
    """Upgrade the file at `path`, creating it where missing. Raises SQLAlchemyError or CommandError."""
    engine = writer_engine(path)
    try:
        with engine.begin() as connection:
            config = configuration()
            config.attributes["connection"] = connection
            command.upgrade(config, revision)
    finally:
        engine.dispose()


def main(arguments: list[str]) -> int:
    """The command line."""
    if len(arguments) != 1:
        sys.stderr.write("usage: python -m sagwise_daemon.io.store.migrate PATH\n")
        return 2
    try:
        migrate(Path(arguments[0]))
    except (SQLAlchemyError, CommandError, OSError) as fault:
        sys.stderr.write(str(fault).splitlines()[0] + "\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
