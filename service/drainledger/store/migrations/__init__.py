"""Brings a database's schema up to this release, from nothing or from any older one."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

from drainledger.store.engine import Database, make_private

#: Any number that nothing else locks in this database: two upgrades at once take turns.
_ADVISORY_LOCK: Final = 0x6472_6169_6E


def upgrade(url: str, to: str = "head") -> None:
    """Upgrades in one transaction: all of it or nothing. Nothing to do is no error."""
    database = Database(url, readers=1)
    try:
        if not database.exists:
            make_private(Path(database.url.database or ""))
        with database.write() as connection:
            upgrade_within(connection, to)
    finally:
        database.close()


def upgrade_within(connection: Connection, to: str = "head") -> None:
    """The same within a transaction of the caller's."""
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_ADVISORY_LOCK})")
    config = _config()
    config.attributes["connection"] = connection
    command.upgrade(config, to)


def scripts() -> ScriptDirectory:
    """The revisions that there are."""
    return ScriptDirectory.from_config(_config())


def known_revisions() -> set[str]:
    """Every revision that this release can start from."""
    return {script.revision for script in scripts().walk_revisions()}


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    return config
