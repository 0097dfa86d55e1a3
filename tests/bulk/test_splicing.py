"""Many at once are written as one is (rest/splicing.py, rest/stored.py)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from drainledger.rest.splicing import Splicer
from drainledger.rest.stored import Stored
from drainledger.store.rows import Part
from tests.convert.journals import ward as ward_records
from tests.web.http import caller, settings_for
from tests.web_fhir.journals import emitted

TIMES = [datetime(2026, 12, 1, tzinfo=UTC), datetime(2026, 12, 1, 1, 2, 3, 400, tzinfo=UTC)]


def test_many_are_written_as_one_is(tmp_path: Path) -> None:
    with caller(settings_for(tmp_path)) as http:
        for record in ward_records():
            http.post(record)
        bodies = [(each.type, each.id, each.version, each.body) for each in emitted(http)]
    splicer, seen = Splicer(), 0
    for type_, id_, version, body in bodies:
        for updated in (*TIMES, _issued(body)):
            one = Stored(type=type_, id=id_, version=version, updated=updated, body=body)
            assert spliced(splicer, type_, body, version, updated) == one.wire("R4")
            seen += 1
    assert seen > 500


def spliced(splicer: Splicer, type_: str, body: bytes, version: int, updated: datetime) -> bytes:
    parts = {"p": Part(type_, version, 1, b"", "", ""), "q": Part("Another", 1, 1, b"", "", "")}
    (lines,) = splicer.row(parts, {"p": body}, {"p": updated}, {type_}).values()
    assert (lines.count, bytes(lines.data[-1:])) == (1, b"\n")
    return bytes(lines.data[:-1])


def _issued(body: bytes) -> datetime:
    """The instant that the body says itself, where it does."""
    found = body.partition(b'"issued":"')[2].partition(b'"')[0]
    return datetime.fromisoformat(found.decode()) if found else TIMES[0] + timedelta(days=1)


def test_a_resource_without_meta_or_with_an_empty_one_gets_it() -> None:
    for body in (
        b'{"resourceType":"Device","id":"a","x":1}',
        b'{"resourceType":"Device","id":"a","meta":{}}',
    ):
        one = Stored(type="Device", id="a", version=2, updated=TIMES[1], body=body)
        assert spliced(Splicer(), "Device", body, 2, TIMES[1]) == one.wire("R4")
