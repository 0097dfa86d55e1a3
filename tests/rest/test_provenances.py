"""Provenances as a source: narrowed or not, the same are found; and those of a page of resources are found by them."""

from __future__ import annotations

import json

from drainledger.rest.provenance import Provenances
from drainledger.rest.stored import Position, Stored, Wanted
from drainledger.store.read import Read
from tests.web.http import Http, store_of
from tests.web_fhir.journals import Journals

TYPES = frozenset({"Provenance"})


def scanned(source: Provenances, read: Read, **narrowed: object) -> list[tuple[Position, Stored]]:
    wanted = Wanted(types=TYPES, **narrowed)  # type: ignore[arg-type]  # the test's own names of its fields
    return list(source.scan(read, wanted, read.last_seq()))


def source_of(http: Http) -> Provenances:
    found = http.app.state.service.rest.sources["Provenance"]
    assert isinstance(found, Provenances)
    return found


def test_scans_narrowed_find_what_a_whole_scan_finds(journals: Journals) -> None:
    source = source_of(journals.http)
    for tenant in journals.keys:
        with store_of(journals.http.app).read(tenant) as read:
            every = scanned(source, read)
            assert len(every) > 10
            assert [place for place, _ in every] == sorted(
                (place for place, _ in every), key=lambda place: (-place[0], *place[1:])
            )
            for place, _ in every[:: len(every) // 5]:
                rest = source.scan(read, Wanted(types=TYPES), read.last_seq(), place)
                assert list(rest) == [
                    each for each in every if (-each[0][0], *each[0][1:]) > (-place[0], *place[1:])
                ]
            _, some = every[len(every) // 2]
            targets = frozenset(
                target["reference"].partition("/_history")[0] for target in json.loads(some.body)["target"]
            )
            about = [
                each
                for each in every
                if any(f"{target}/_history".encode() in each[1].body for target in targets)
            ]
            assert scanned(source, read, targets=targets) == about
            assert scanned(source, read, ids=frozenset({some.id})) == [
                each for each in every if each[1] == some
            ]
            assert scanned(source, read, since=some.updated) == [
                each for each in every if each[1].updated > some.updated
            ]
            assert scanned(source, read, until=some.updated) == [
                each for each in every if each[1].updated <= some.updated
            ]
            for patient in {each.patient for _, each in every if each.patient is not None}:
                assert scanned(source, read, patients=frozenset({patient})) == [
                    each for each in every if each[1].patient in (None, patient)
                ]
