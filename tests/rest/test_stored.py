"""A body as it was emitted, with what the server says of it spliced in."""

from __future__ import annotations

from datetime import UTC, datetime

import msgspec
import pytest

from drainledger.rest.stored import Stored

AT = datetime(2026, 3, 2, 10, 12, 45, 120000, tzinfo=UTC)
TOLD = '"versionId":"3","lastUpdated":"2026-03-02T10:12:45.120000+00:00"'


def stored(body: str) -> Stored:
    return Stored(type="Observation", id="x", version=3, updated=AT, body=body.encode())


@pytest.mark.parametrize(
    ("body", "wire"),
    [
        (
            '{"resourceType":"Patient","id":"x","identifier":[]}',
            '{"resourceType":"Patient","id":"x","meta":{TOLD},"identifier":[]}',
        ),
        (
            '{"id":"x","meta":{"source":"u"},"status":"final"}',
            '{"id":"x","meta":{TOLD,"source":"u"},"status":"final"}',
        ),
        (
            '{"id":"x","status":"final","meta":{"source":"u"}}',
            '{"id":"x","status":"final","meta":{TOLD,"source":"u"}}',
        ),
        ('{"id":"x","meta":{},"status":"final"}', '{"id":"x","meta":{TOLD},"status":"final"}'),
        (
            '{"id":"x","note":[{"text":"\\"meta\\":{ \\"id\\":\\"y\\","}],"value":40.0}',
            '{"id":"x","meta":{TOLD},"note":[{"text":"\\"meta\\":{ \\"id\\":\\"y\\","}],"value":40.0}',
        ),
    ],
)
def test_version_and_time_are_put_in_and_nothing_else_changes(body: str, wire: str) -> None:
    assert stored(body).wire("R4") == wire.replace("TOLD", TOLD).encode()


def test_numbers_keep_the_precision_that_they_have() -> None:
    resource = stored('{"resourceType":"Observation","id":"x","value":40.0,"other":0.010}')
    encoder = msgspec.json.Encoder(decimal_format="number")
    assert b'"value":40.0,"other":0.010' in encoder.encode(resource.resource("R4"))
    assert b'"value":40.0,"other":0.010' in resource.wire("R5")


@pytest.mark.parametrize(
    ("issued", "told"),
    [
        (
            "2026-03-02T05:12:45.120000-05:00",
            "2026-03-02T05:12:45.120000-05:00",
        ),  # the same instant, as the ward writes it
        ("2026-03-03T07:00:00+00:00", "2026-03-02T10:12:45.120000+00:00"),  # a window that ends later
    ],
)
def test_the_time_is_written_as_issued_is_where_they_are_one(issued: str, told: str) -> None:
    body = f'{{"resourceType":"Observation","id":"x","issued":"{issued}","status":"final"}}'
    assert stored(body).resource("R4")["meta"]["lastUpdated"] == told
