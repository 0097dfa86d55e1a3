"""The engine over a ward: pages while others write, totals, orders, and what comes along."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from drainledger.intake.intake import Intake
from drainledger.rest import candidates, companions, engine
from drainledger.rest.engine import Mark, Page
from drainledger.rest.rest import Rest
from drainledger.rest.stored import Source, Stored
from drainledger.rest.too_costly import TooCostly
from drainledger.store.store import Store
from tests.convert.journals import correction, reading, retraction, ward
from tests.intake.service import TENANT, renderer_of, running, send, sqlite_url
from tests.rest.asked import Along, Asked, By, Named, Said

Json = dict[str, Any]


@pytest.fixture
def place(tmp_path: Path) -> Iterator[tuple[Store, Intake]]:
    with running(sqlite_url(tmp_path)) as (store, intake):
        for raw in ward():
            send(intake, raw)
        yield store, intake


@pytest.fixture
def rest(place: tuple[Store, Intake]) -> Rest:
    return Rest(place[0], renderer_of)


def page(rest: Rest, query: Asked, start: Mark | None = None, *, without: str = "") -> Page:
    return rest.search.page(TENANT, query, "R4", start, lambda kind: kind != without)


def pages(rest: Rest, query: Asked, between: Any = lambda number: None) -> list[Stored]:
    found: list[Stored] = []
    start: Mark | None = None
    number = 0
    while True:
        one = page(rest, query, start)
        assert one.matches or one.next is None
        found += one.matches
        if one.next is None:
            return found
        number += 1
        between(number)
        start = one.next


def names(found: list[Stored]) -> list[tuple[str, int]]:
    return [(each.reference, each.version) for each in found]


@pytest.mark.parametrize(
    "sort", [(), (By(Named("issued", "date"), descending=True), By(Named("status", "token")))]
)
def test_pages_are_of_one_moment_whatever_is_written_between(
    place: tuple[Store, Intake], rest: Rest, sort: tuple[By, ...]
) -> None:
    whole = names(pages(rest, Asked(count=1000, sort=sort)))
    assert len(whole) > 60
    written = [
        lambda: reading("new-1", "10:00", 130, "drn-1"),
        lambda: correction(
            "new-2", reading("a-3", "09:00", 120, "drn-1"), "11:00", level={"value": 125, "unit": "mL"}
        ),
        lambda: retraction("new-3", "c-3", "11:00"),
        lambda: reading("new-4", "07:10", 45, "drn-1"),
    ]

    def between(number: int) -> None:
        if number <= len(written):
            assert send(place[1], written[number - 1]()).accepted == 1

    assert names(pages(rest, Asked(count=13, sort=sort), between)) == whole
    assert names(pages(rest, Asked(count=13, sort=sort))) != whole


def test_the_newest_come_first(rest: Rest) -> None:
    updated = [each.updated for each in pages(rest, Asked(count=9))]
    assert updated == sorted(updated, reverse=True)


def test_a_total_is_told_where_it_is_asked_for_or_known(rest: Rest) -> None:
    every = len(pages(rest, Asked(count=1000)))
    assert page(rest, Asked(count=10)).total is None
    first = page(rest, Asked(count=10, total="accurate"))
    assert first.total == every
    assert page(rest, Asked(count=10, total="accurate"), first.next).total == every
    assert page(rest, Asked(count=1000)).total == every
    counted = page(rest, Asked(summary="count"))
    assert (counted.total, counted.matches, counted.next) == (every, (), None)


def test_an_order_by_two_keys_and_what_has_none_last(rest: Rest) -> None:
    sort = (By(Named("effectiveDateTime", "date"), descending=True), By(Named("id", "string")))
    found = [each.resource("R4") for each in pages(rest, Asked(count=7, sort=sort))]
    dated = [each for each in found if "effectiveDateTime" in each]
    assert found[: len(dated)] == dated
    assert 0 < len(dated) < len(found)
    expected = sorted(dated, key=lambda each: str(each["id"]))
    expected.sort(key=lambda each: str(each["effectiveDateTime"]), reverse=True)
    assert [each["id"] for each in dated] == [each["id"] for each in expected]


def test_a_page_that_looked_at_too_much_ends_early_and_loses_nothing(
    rest: Rest, monkeypatch: pytest.MonkeyPatch
) -> None:
    def rare(resource: Json) -> bool:
        return bool(resource["code"]["coding"][0]["code"] == "tidaling")

    whole = names(pages(rest, Asked(predicate=rare)))
    assert whole
    monkeypatch.setattr(engine, "EXAMINED", 5)
    start: Mark | None = None
    found: list[Stored] = []
    rounds = 0
    while rounds == 0 or start is not None:
        one = page(rest, Asked(predicate=rare), start)
        found += one.matches
        start = one.next
        rounds += 1
    assert names(found) == whole
    assert rounds > 5


def test_what_would_take_too_much_is_refused(rest: Rest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "COUNTED", 20)
    monkeypatch.setattr(engine, "SORTED", 10)
    monkeypatch.setattr(candidates, "REFERRING", 3)
    monkeypatch.setattr(companions, "REFERRING", 3)
    monkeypatch.setattr(companions, "MOST", 1)
    device = Named("device")
    for query in (
        Asked(total="accurate", count=5),
        Asked(summary="count"),
        Asked(sort=(By(Named("issued", "date")),)),
        Asked("DeviceMetric", has=(Said(device, Asked()),)),
        Asked("DeviceMetric", revincludes=(Along("Observation", device),)),
        Asked(includes=(Along("Observation", Named("derivedFrom")),)),
    ):
        with pytest.raises(TooCostly):
            page(rest, query)


def test_what_a_resource_refers_to_comes_along_once(rest: Rest) -> None:
    along = Along("Observation", Named("device"))
    found = page(rest, Asked(count=1000, includes=(along,)))
    expected = {
        each.resource("R4")["device"]["reference"]
        for each in found.matches
        if "device" in each.resource("R4")
    }
    assert expected
    assert sorted(each.reference for each in found.included) == sorted(expected)


def test_what_came_along_may_bring_more(rest: Rest) -> None:
    device, source = Named("device"), Named("source")

    def levels(resource: Json) -> bool:
        return bool(resource["code"]["coding"][0]["code"] == "chamber-level")

    plain = (Along("Observation", device), Along("DeviceMetric", source))
    once = page(rest, Asked(predicate=levels, includes=plain))
    assert {each.type for each in once.included} == {"DeviceMetric"}
    iterated = (Along("Observation", device), Along("DeviceMetric", source, iterate=True))
    again = page(rest, Asked(predicate=levels, includes=iterated))
    units = {each.resource("R4")["source"]["reference"] for each in once.included}
    assert {each.reference for each in again.included} == units | {each.reference for each in once.included}


def test_a_target_narrows_and_a_scope_leaves_out(rest: Rest) -> None:
    focus = Along("Observation", Named("focus"), target="Patient")
    assert page(rest, Asked(includes=(focus,))).included == []
    subject = (Along("Observation", Named("subject")),)
    assert {each.type for each in page(rest, Asked(includes=subject)).included} == {"Patient"}
    assert page(rest, Asked(includes=subject), without="Patient").included == []


@pytest.mark.parametrize(
    ("type_", "along"),
    [
        ("Patient", Along("Observation", Named("subject"))),
        ("Device", Along("DeviceMetric", Named("source"))),
        ("Observation", Along("Provenance", Named("target"))),
    ],
)
def test_what_refers_to_a_resource_comes_along(rest: Rest, type_: str, along: Along) -> None:
    found = page(rest, Asked(type_, count=2, revincludes=(along,)))
    targets = {each.reference for each in found.matches}
    every = pages(rest, Asked(along.type, count=1000))
    expected = [
        each.reference
        for each in every
        if targets
        & {one["reference"].partition("/_history")[0] for one in along.parameter.values(each.resource("R4"))}
    ]
    assert expected
    assert sorted(each.reference for each in found.included) == sorted(expected)


def test_whom_something_is_said_of(rest: Rest) -> None:
    def tidaling(resource: Json) -> bool:
        return bool(resource["code"]["coding"][0]["code"] == "tidaling")

    subjects = {
        each.resource("R4")["subject"]["reference"] for each in pages(rest, Asked(predicate=tidaling))
    }
    assert len(subjects) == 1
    found = pages(rest, Asked("Patient", has=(Said(Named("subject"), Asked(predicate=tidaling)),)))
    assert {each.reference for each in found} == subjects
    metrics = pages(rest, Asked("DeviceMetric", has=(Said(Named("device"), Asked()),)))
    assert {each.reference for each in metrics} == {
        each.resource("R4")["device"]["reference"]
        for each in pages(rest, Asked())
        if each.resource("R4").get("device", {}).get("type") == "DeviceMetric"
    }


def test_the_last_of_each_code(rest: Rest) -> None:
    every = [each.resource("R4") for each in pages(rest, Asked(count=1000))]
    latest: dict[str, str] = {}
    for each in every:
        code = each["code"]["coding"][0]["code"]
        at = each.get("effectiveDateTime") or each["effectivePeriod"]["end"]
        latest[code] = max(latest.get(code, ""), at)
    found = rest.search.last_of_each(TENANT, Asked(), "R4", 1)
    told = [each.resource("R4") for each in found.matches]
    assert {each["code"]["coding"][0]["code"] for each in told} == set(latest)
    assert found.total == len(told)
    for each in told:
        at = each.get("effectiveDateTime") or each["effectivePeriod"]["end"]
        assert at == latest[each["code"]["coding"][0]["code"]]


class Counting:
    """A source that says how many resources were taken out of it."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.taken = 0

    def scan(self, *asked: Any) -> Iterator[Any]:
        for each in self.source.scan(*asked):
            self.taken += 1
            yield each

    def current(self, *asked: Any) -> dict[str, Stored]:
        return self.source.current(*asked)


def test_no_more_is_gathered_than_may_come_along(
    place: tuple[Store, Intake], monkeypatch: pytest.MonkeyPatch
) -> None:
    sources = dict(Rest(place[0], renderer_of).search._sources)
    counting = sources["Observation"] = Counting(sources["Observation"])
    search = engine.Engine(place[0], sources)
    query = Asked("Patient", revincludes=(Along("Observation", Named("subject")),))
    every = search.page(TENANT, query, "R4", None, lambda kind: True)
    assert len(every.included) == counting.taken > 10
    counting.taken = 0
    monkeypatch.setattr(companions, "MOST", 5)
    with pytest.raises(TooCostly):
        search.page(TENANT, query, "R4", None, lambda kind: True)
    assert counting.taken == 6


def test_looking_for_what_refers_is_bounded_as_a_whole(rest: Rest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two times as much for two of them, and again for what came along."""
    along = Along("Observation", Named("focus"))
    every = len(pages(rest, Asked(count=1000)))
    monkeypatch.setattr(companions, "REFERRING", every + 1)
    assert page(rest, Asked("Device", revincludes=(along,))).included
    with pytest.raises(TooCostly):
        page(rest, Asked("Device", revincludes=(along, Along("Observation", Named("device")))))
