"""The check finds what was changed behind the store's back, and nothing where nothing was."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import msgspec
import pytest
from sqlalchemy import Connection, delete, insert, select, update

from drainledger.store import codec
from drainledger.store.checking import Fault, check
from drainledger.store.instants import from_micros
from drainledger.store.schema import (
    audit,
    exports,
    held,
    journal,
    journal_names,
    mapping_versions,
    metadata,
    outbox,
    tenants,
    versions,
)
from drainledger.store.store import Store
from tests.store.filled import fill, writing
from tests.store.samples import NOON, TENANT, correction

Change = Callable[[Connection], Any]


def mine(table: Any, **key: Any) -> list[Any]:
    return [table.c.tenant == TENANT, *(table.c[name] == value for name, value in key.items())]


def changed(table: Any, values: dict[str, Any], **key: Any) -> Change:
    return lambda connection: connection.execute(update(table).where(*mine(table, **key)).values(values))


def removed(table: Any, **key: Any) -> Change:
    return lambda connection: connection.execute(delete(table).where(*mine(table, **key)))


def added(table: Any, **values: Any) -> Change:
    return lambda connection: connection.execute(insert(table).values(tenant=TENANT, **values))


def repainted(version: int) -> Change:
    """The parts of a row say another version."""

    def run(connection: Connection) -> None:
        where = mine(versions, id="x", seq=7)
        parts = codec.decode_parts(connection.scalar(select(versions.c.parts).where(*where)))  # type: ignore[arg-type]  # the statement is of the engine in use
        parts["level"] = msgspec.structs.replace(parts["level"], version=version)
        connection.execute(update(versions).where(*where).values(parts=codec.encode_parts(parts)))

    return run


CHANGES: dict[str, tuple[Change, str]] = {
    "a row of the journal is gone": (removed(journal, seq=3), "journal 4 of tenant north: it comes after 2"),
    "the last row of the journal is gone": (removed(journal, seq=7), "it ends at 6, and 7 was given"),
    "the journal is ahead of what was given": (
        changed(tenants, {"last_seq": 5}),
        "it ends at 7, and 5 was given",
    ),
    "time runs backwards": (
        changed(journal, {"received_at": from_micros(0)}, seq=4),
        "journal 4 .*received before",
    ),
    "time runs ahead": (changed(tenants, {"last_received_at": NOON}), "ends later than was noted"),
    "a record can't be read": (changed(journal, {"record": b"\xc1"}, seq=2), "journal 2 .*can't be read"),
    "a record is another one": (
        changed(journal, {"record": codec.encode_record(correction("x9"))}, seq=5),
        "journal 5 .*name different ids",
    ),
    "a record's id is another one": (
        changed(journal, {"record_id": "r9"}, seq=3),
        "journal 3 .*different ids",
    ),
    "a version of the rules is gone": (removed(mapping_versions), "journal 1 .*rules is not stored"),
    "a name is gone": (removed(journal_names, seq=3, name_kind="drain"), "journal 3 .*1 of its names"),
    "a name too many": (
        added(journal_names, name_kind="drain", name="d9", seq=3),
        "journal_names .*1 rows belong",
    ),
    "one name for another": (
        changed(journal_names, {"name": "d9"}, seq=3, name_kind="drain"),
        "journal 3 .*1 of its",
    ),
    "a body is another one": (
        changed(versions, {"bodies": codec.encode_bodies({"level": b"other"})}, id="x", seq=7),
        "versions x at 7 .*'level' is not the one",
    ),
    "a body is gone": (
        changed(versions, {"bodies": codec.encode_bodies({})}, id="x", seq=7),
        "not those of the parts",
    ),
    "a row of versions can't be read": (
        changed(versions, {"parts": b"\xc1"}, id="x", seq=7),
        "x at 7 .*can't be read",
    ),
    "a version is left out": (repainted(3), "version 3, and 2 is next"),
    "a version comes twice": (repainted(1), "version 1, and 2 is next"),
    "the first row of an id is gone": (removed(versions, id="x", seq=6), "version 2, and 1 is next"),
    "a row of versions at no commit": (
        changed(versions, {"seq": 99}, id="y", seq=6),
        "y at 99 .*no record was received",
    ),
    "a row received at another time": (
        changed(versions, {"received_at": from_micros(5)}, id="y", seq=6),
        "y at 6 .*no record was received",
    ),
    "a held record in no state": (changed(held, {"state": "lost"}, state="held"), "held .*state can't be"),
    "a replayed record became nothing": (
        changed(held, {"replayed_as": None}, state="replayed"),
        "state can't be",
    ),
    "a replayed record became what isn't there": (
        changed(held, {"replayed_as": 99}, state="replayed"),
        "replayed as is not in the journal",
    ),
    "a held record's bytes": (changed(held, {"raw": b"other"}, state="held"), "held .*bytes are not those"),
    "a held record's problems": (
        changed(held, {"problems": b"\xc1"}, state="held"),
        "problems can't be read",
    ),
    "an audit row is gone": (removed(audit, audit_seq=1), "audit 2 .*comes after 0"),
    "the last audit row is gone": (removed(audit, audit_seq=2), "audit .*ends at 1, and 2 was given"),
    "an audit row can't be read": (changed(audit, {"drains": b"\xc1"}, audit_seq=1), "touched can't be read"),
    "more was sent than wanted": (changed(outbox, {"sent": 9}), "outbox .*1 rows have sent"),
    "an export of what isn't there": (changed(exports, {"horizon": 99}), "exports .*1 rows tell of"),
    "a tenant without a row": (removed(tenants), "journal of tenant north: the tenant has no row"),
}


def test_what_was_written_has_no_fault(store: Store) -> None:
    assert check(store) == []
    for tenant in (TENANT, "south"):
        fill(store, tenant)
    assert check(store) == []


def test_a_store_that_is_being_written_has_no_fault(store: Store) -> None:
    with writing(store):
        assert check(store) == []


@pytest.mark.parametrize(("change", "want"), CHANGES.values(), ids=list(CHANGES))
def test_what_was_changed_is_found(store: Store, change: Change, want: str) -> None:
    fill(store)
    fill(store, "south")
    with store.database.write() as connection:
        change(connection)
    found = check(store)
    assert any(_fits(fault, want) for fault in found), list(map(str, found))
    assert {fault.tenant for fault in found} == {TENANT}


def _fits(fault: Fault, want: str) -> bool:
    return re.search(want, str(fault)) is not None


def test_every_table_of_the_check_was_changed() -> None:
    """Keys, clients and assertions hold nothing that another row could contradict."""
    text = " ".join(want for _, want in CHANGES.values())
    for name in metadata.tables.keys() - {
        *("api_keys", "assertions", "clients", "mapping_versions", "tenants")
    }:
        assert name in text
