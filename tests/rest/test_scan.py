"""Scans against what plainly follows from the rows: every version up to a horizon, the last of each resource."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from sqlalchemy import Connection, event

from drainledger.rest.scan import VersionsSource, whole_id
from drainledger.rest.stored import Position, Stored, Wanted
from drainledger.store.read import Read
from drainledger.store.store import Store
from tests.convert.journals import correction, reading, ward
from tests.intake.service import TENANT, running, send, sqlite_url
from tests.journals.seeded import journal
from tests.web.http import postgres_url

TYPES = ("DetectedIssue", "Device", "DeviceMetric", "DeviceUseStatement", "Observation", "Patient")


class Version(NamedTuple):
    position: Position
    updated: datetime
    type: str
    id: str
    version: int
    body: bytes


def versions(read: Read) -> list[Version]:
    """All that was ever written, the oldest first."""
    return [
        Version(
            (row.seq, row.id, part),
            row.received_at,
            row.parts[part].type,
            whole_id(row.id, part),
            row.parts[part].version,
            body,
        )
        for row in sorted(
            (row for id_ in read.ids("", 1_000_000) for row in read.history(id_, with_bodies=True)),
            key=lambda row: row.seq,
        )
        for part, body in (row.bodies or {}).items()
    ]


def standing(every: list[Version], horizon: int) -> list[Version]:
    """The last of each up to the horizon, the newest first."""
    last = {each.id: each for each in every if each.position[0] <= horizon}
    return sorted(last.values(), key=lambda each: (-each.position[0], *each.position[1:]))


def patient_of(body: bytes) -> str | None:
    resource = json.loads(body)
    if resource["resourceType"] == "Patient":
        return str(resource["id"])
    who = resource.get("subject") or resource.get("patient")
    return None if who is None else str(who["reference"].removeprefix("Patient/"))


def local_code(body: bytes) -> str:
    return str(json.loads(body)["code"]["coding"][0]["code"])


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A ward, two journals, a drain given to another patient, and a reading moved in time."""
    folder = tmp_path_factory.mktemp("scan")
    url = sqlite_url(folder) if request.param == "sqlite" else postgres_url()
    with running(url) as (store, intake):
        first = ward()
        for raw in [*first, *journal(3), *journal(8)]:
            send(intake, raw)
        send(
            intake,
            correction(
                "to-p2", first[0], "11:00", patient={"system": "https://ward.example/mrn", "value": "P-2"}
            ),
        )
        send(
            intake,
            correction(
                "later", reading("a-3", "09:00", 120, "drn-1"), "11:30", at="2026-03-02T09:10:00+00:00"
            ),
        )
        yield store


def told(found: Iterator[tuple[Position, Stored]]) -> list[tuple[Position, str, str, int, bytes]]:
    return [(position, each.type, each.id, each.version, each.body) for position, each in found]


def expected(every: list[Version]) -> list[tuple[Position, str, str, int, bytes]]:
    return [(each.position, each.type, each.id, each.version, each.body) for each in every]


def horizons(every: list[Version]) -> list[int]:
    last = max(each.position[0] for each in every)
    return [0, last, *random.Random(5).sample(range(1, last), 6)]


@pytest.mark.parametrize("type_", TYPES)
def test_each_once_as_things_stood(store: Store, type_: str) -> None:
    source = VersionsSource()
    with store.read(TENANT) as read:
        every = versions(read)
        assert any(each.type == type_ and each.version > 1 for each in every) or type_ in (
            "Patient",
            "DeviceMetric",
        )
        for horizon in horizons(every):
            wanted = [each for each in standing(every, horizon) if each.type == type_]
            assert told(source.scan(read, Wanted(types=frozenset({type_})), horizon)) == expected(wanted)


@pytest.mark.parametrize("type_", TYPES)
def test_pages_put_together_are_the_whole(store: Store, type_: str) -> None:
    source = VersionsSource()
    with store.read(TENANT) as read:
        horizon = read.last_seq()
        wanted = Wanted(types=frozenset({type_}))
        whole = told(source.scan(read, wanted, horizon))
        found: list[tuple[Position, str, str, int, bytes]] = []
        after: Position | None = None
        while page := told(islice(source.scan(read, wanted, horizon, after), 7)):
            found += page
            after = page[-1][0]
        assert found == whole


@pytest.mark.parametrize("type_", ["DetectedIssue", "DeviceUseStatement", "Observation", "Patient"])
def test_no_resource_of_a_patient_is_passed_over(store: Store, type_: str) -> None:
    source = VersionsSource()
    with store.read(TENANT) as read:
        every = versions(read)
        patients = {patient_of(each.body) for each in every} - {None}
        assert len(patients) > 2
        for horizon in horizons(every):
            now = [each for each in standing(every, horizon) if each.type == type_]
            for patient in patients:
                assert patient is not None
                narrowed = source.scan(
                    read, Wanted(types=frozenset({type_}), patients=frozenset({patient})), horizon
                )
                found = [each for each in told(narrowed) if patient_of(each[4]) == patient]
                assert found == expected([each for each in now if patient_of(each.body) == patient])


def test_codes_ids_and_instants_narrow(store: Store) -> None:
    source = VersionsSource()
    types = frozenset({"Observation"})
    with store.read(TENANT) as read:
        every = versions(read)
        horizon = read.last_seq()
        now = [each for each in standing(every, horizon) if each.type == "Observation"]
        codes = frozenset({"interval-output", "tidaling"})
        by_code = source.scan(read, Wanted(types=types, codes=codes), horizon)
        assert told(by_code) == expected([each for each in now if local_code(each.body) in codes])
        ids = frozenset(each.id for each in random.Random(1).sample(now, 20)) | {"nobody", "x.y"}
        by_id = source.scan(read, Wanted(types=types, ids=ids), horizon)
        assert told(by_id) == expected([each for each in now if each.id in ids])
        since, until = now[len(now) * 2 // 3].updated, now[len(now) // 3].updated
        by_time = source.scan(read, Wanted(types=types, since=since, until=until), horizon)
        between = [each for each in now if since < each.updated <= until]
        assert between
        assert told(by_time) == expected(between)


def test_current_at_a_horizon(store: Store) -> None:
    source = VersionsSource()
    with store.read(TENANT) as read:
        every = versions(read)
        for horizon in horizons(every):
            now = {each.id: each for each in standing(every, horizon) if each.type == "Observation"}
            found = source.current(
                read, "Observation", [*now, "nobody", *(e.id for e in every if e.type == "Device")], horizon
            )
            assert {id: each.body for id, each in found.items()} == {
                id: each.body for id, each in now.items()
            }


def test_a_narrow_scan_looks_up_rows_by_key(tmp_path: Path) -> None:
    """SQLite's planner is asked what it does with the statements that the scans and reads give it."""
    with running(sqlite_url(tmp_path)) as (store, intake):
        send(intake, *ward())
        given: list[tuple[str, Any]] = []
        with store.database.read() as connection:
            event.listen(connection, "before_cursor_execute", lambda *all_: given.append(all_[2:4]))
            read = Read(connection, TENANT)
            read.newest_places(9, 5, after=(3, "a"), patients=["p"], or_of_nobody=True)
            read.newest_places(9, 5, ids=["p"])
            read.rows_at([("a", 1), ("b", 2)])
            read.last_seqs(["a", "b"], 3)
            read.current(["a", "b"], horizon=3)
            statements = list(given)
            plans = [_plan(connection, *each) for each in statements]
    assert len(plans) == 6
    assert ["versions_patient_ix (tenant=? AND patient=?)" in plan for plan in plans] == [True] * 2 + [
        False
    ] * 4
    assert all("(tenant=? AND id=?" in plan for plan in plans[2:])


def _plan(connection: Connection, statement: str, parameters: Any) -> str:
    rows = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
    return "; ".join(row.detail for row in rows)
