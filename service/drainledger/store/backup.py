"""Copies of everything, as it is at one moment, while others write; and a database filled from one (DESIGN 9).

A backup holds rows, not an engine's pages: what was written from SQLite can be restored into PostgreSQL and back. It is
as confidential as the database, and is not encrypted.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from msgspec import Struct
from sqlalchemy import Connection, TableClause, column, exc, insert, inspect, select
from sqlalchemy import table as named

from drainledger.store import schema
from drainledger.store.archive import Archive, Columns, Counter, Row, Tally, open_archive, write_archive
from drainledger.store.engine import Database, make_private
from drainledger.store.errors import BadArchive, NotEmpty
from drainledger.store.migrations import known_revisions, upgrade_within
from drainledger.store.store import Store, revision

#: How many rows the database hands over at once.
_AT_ONCE = 500
#: What a database says of a value that its column can't hold, or of a key that comes twice.
_UNFIT = (exc.IntegrityError, exc.DataError, exc.ProgrammingError, exc.InterfaceError, OverflowError)


class Manifest(Struct, frozen=True):
    """What a backup holds: the schema's revision and the number of rows a table."""

    schema: str
    rows: dict[str, int]


def backup(store: Store, path: Path) -> Manifest:
    """Writes the whole database, all tenants, to a new file. Raises FileIsThere, OSError.

    It is one state: every commit is in it whole or not at all. Writers are not held up.
    """
    columns = {
        str(table.name): [str(c.name) for c in table.columns] for table in schema.metadata.sorted_tables
    }
    with store.database.read(unhurried=True) as connection:
        rows_of = {name: _rows(connection, name, columns) for name in columns}
        tallies = write_archive(path, schema.HEAD, columns, rows_of)
    return _manifest(schema.HEAD, tallies)


def restore(path: Path, url: str) -> Manifest:
    """Fills an empty database, whichever engine's, and brings it up to this release: all of it or nothing.

    What the database then holds is read again and compared with what was written. Raises BadArchive, NotEmpty, OSError.
    """
    database = Database(url, readers=1)
    made = not database.exists
    try:
        with open_archive(path) as archive:
            if made:
                make_private(Path(database.url.database or ""))
            with database.write() as connection:
                tallies = _fill(connection, archive)
        made = False
    finally:
        database.close()
        if made:
            _remove(Path(database.url.database or ""))
    return _manifest(archive.schema, tallies)


def _fill(connection: Connection, archive: Archive) -> dict[str, Tally]:
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql("SET LOCAL statement_timeout = 0")
    _prepare(connection, archive)
    for name, rows in archive.rows():
        _insert(connection, name, archive.columns[name], rows)
    assert archive.tallies is not None, "all was read"
    for name, tally in archive.tallies.items():
        if Counter().count(_rows(connection, name, archive.columns)) != tally:
            raise BadArchive(f"the table {name} came out otherwise than it went in")
    upgrade_within(connection)
    return archive.tallies


def _insert(connection: Connection, name: str, columns: list[str], rows: list[list[Any]]) -> None:
    values = [dict(zip(columns, row, strict=True)) for row in rows]
    try:
        connection.execute(insert(_table(name, columns)), values)
    except _UNFIT as error:
        raise BadArchive(f"a row of it doesn't fit the table {name}") from error


def _prepare(connection: Connection, archive: Archive) -> None:
    """The empty tables of the backup's own schema; it is upgraded when they are filled."""
    wanted = archive.schema
    if wanted not in known_revisions():
        raise BadArchive(f"it has schema {wanted}, and this release knows none after {schema.HEAD}")
    have = revision(connection)
    if have is None:
        upgrade_within(connection, wanted)
    elif have != wanted:
        raise BadArchive(
            f"it has schema {wanted} and the database has {have}; give a database without tables"
        )
    look = inspect(connection)
    tables = set(look.get_table_names()) - {"alembic_version"}
    if {name: {each["name"] for each in look.get_columns(name)} for name in tables} != {
        name: set(columns) for name, columns in archive.columns.items()
    }:
        raise BadArchive("its tables are not those of its schema")
    for name in sorted(tables):
        if connection.execute(select(_table(name, archive.columns[name])).limit(1)).first() is not None:
            raise NotEmpty(name)


def _table(name: str, columns: list[str]) -> TableClause:
    """A table of any schema, its values as the driver gives and takes them."""
    return named(name, *(column(each) for each in columns))


def _rows(connection: Connection, name: str, columns: Columns) -> Iterator[Row]:
    table = _table(name, columns[name])
    query = select(table).order_by(*(table.c[each] for each in _order(name, columns)))
    yield from map(tuple, connection.execute(query, execution_options={"yield_per": _AT_ONCE}))


def _order(name: str, columns: Columns) -> list[str]:
    """A key orders the rows the same on every engine. A table that is no more is ordered by all it has."""
    known: Any = schema.metadata.tables.get(name)
    return columns[name] if known is None else [each.name for each in known.primary_key.columns]


def _remove(path: Path) -> None:
    for each in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
        each.unlink(missing_ok=True)


def _manifest(revision_: str, tallies: dict[str, Tally]) -> Manifest:
    return Manifest(revision_, {name: tally.rows for name, tally in tallies.items()})
