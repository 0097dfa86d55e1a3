"""`drainledger export --table`: a table of what the database holds, or of a file of records."""

from __future__ import annotations

import getpass
import sys
from collections.abc import Collection, Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from uuid import uuid4

from msgspec import Struct

from drainledger.convert.report import Report, ndjson
from drainledger.convert.settings import Settings as Conversion
from drainledger.convert.tables import Json, To, decoded, observations_of, write_table
from drainledger.domain.statements import Slot
from drainledger.fhir.tables import IDENTIFIERS, TABLES, Column, Row, Table
from drainledger.fhir.tables import row as row_of
from drainledger.rest.scan import VersionsSource
from drainledger.rest.stored import Wanted
from drainledger.settings import Settings
from drainledger.store.errors import UnknownTenant
from drainledger.store.rows import AuditRow
from drainledger.store.store import Store


class Asked(Struct, frozen=True, kw_only=True):
    """Which rows: those whose time is after `since` and not after `until`, of `drains` (record ids; none: all)."""

    table: str
    to: To
    out: Path | None
    since: datetime | None = None
    until: datetime | None = None
    drains: frozenset[str] = frozenset()
    identifiers: bool = False


class UnknownDrain(Exception):
    """No such drain in this tenant."""

    def __init__(self, drain: str) -> None:
        super().__init__(f"there is no drain {drain!r} in this tenant; GET /v1/drains lists those there are")


class SeveralTenants(Exception):
    """The database holds more than one tenant, and none is named."""

    def __init__(self, tenants: Collection[str]) -> None:
        super().__init__(f"say which tenant with --tenant: {', '.join(sorted(tenants))}")


def table_of_database(asked: Asked, settings: Settings, tenant: str | None) -> int:
    """How many rows. Raises UnknownTenant, SeveralTenants, UnknownDrain, StoreFault, UnwritableOutput."""
    store = Store.open(settings.database.get_secret_value())
    try:
        of = _tenant(store, tenant)
        _check_drains(store, of, asked.drains)
        # Before the first row leaves: who took them out is known even if the writing stops midway.
        with store.write(of, datetime.now(UTC)) as write:
            write.audit(_access(asked))
        return _write(asked, _stored(store, of, asked))
    finally:
        store.close()


def table_of_file(asked: Asked, records: Path | None, conversion: Conversion) -> tuple[int, int]:
    """How many rows, and how many records were held; problems go to standard error. Raises UnreadableInput,
    UnwritableOutput, MappingError."""
    report = Report(ndjson(sys.stderr.buffer))
    return _write(asked, observations_of(records, conversion, report)), report.held


def _write(asked: Asked, observations: Iterable[Json]) -> int:
    table = TABLES[asked.table]
    columns = table.columns + (IDENTIFIERS if asked.identifiers else ())
    return write_table(asked.out, asked.to, table, columns, _rows(table, columns, observations, asked))


def _rows(
    table: Table, columns: Collection[Column], observations: Iterable[Json], asked: Asked
) -> Iterator[Row]:
    more = tuple(columns)[len(table.columns) :]
    for one in observations:
        row = row_of(table, one, more)
        if row is not None and _is_within(row[table.time], asked):
            yield row


def _is_within(at: object, asked: Asked) -> bool:
    assert isinstance(at, datetime), "every table's time is an instant"
    return (asked.since is None or at > asked.since) and (asked.until is None or at <= asked.until)


def _stored(store: Store, tenant: str, asked: Asked) -> Iterator[Json]:
    """The Observations as they stand, some hundred in memory at a time."""
    wanted = Wanted(types=frozenset({"Observation"}), codes=frozenset(TABLES[asked.table].codes))
    with store.read(tenant) as read:
        for _, one in VersionsSource().scan(read, wanted, read.last_seq()):
            if not asked.drains or one.drain in asked.drains:
                yield decoded(one.body)


def _tenant(store: Store, named: str | None) -> str:
    known = store.tenants()
    if named is not None:
        if named not in known:
            raise UnknownTenant(named)
        return named
    if len(known) != 1:
        raise SeveralTenants(known) if known else UnknownTenant("default")
    return known[0]


def _check_drains(store: Store, tenant: str, drains: Collection[str]) -> None:
    with store.read(tenant) as read:
        for drain in sorted(drains):
            if not read.find([Slot("drain", "", drain)]):
                raise UnknownDrain(drain)


def _access(asked: Asked) -> AuditRow:
    return AuditRow(
        at=datetime.now(UTC),
        principal=f"cli:{getpass.getuser()}",
        action="export",
        method="CLI",
        route=f"export --table {asked.table}",
        outcome="200",
        request_id=str(uuid4()),
        drains=tuple(sorted(asked.drains)),
    )
