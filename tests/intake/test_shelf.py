"""Readers of one drain do not wait for those of another, and what is kept in memory is bounded."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from drainledger.intake.intake import Intake
from drainledger.intake.loading import Loaded
from drainledger.intake.shelf import Shelf
from drainledger.intake.views import Views
from drainledger.store.rows import JournalRow
from drainledger.store.store import Store
from tests.intake.service import TENANT, renderer_of, running, send, sqlite_url
from tests.journals.books import mappings
from tests.journals.raw import collector, connected, drain, level

DRAINS = ("d0", "d1", "d2")


@pytest.fixture
def service(tmp_path: Path) -> Iterator[tuple[Store, Intake]]:
    with running(sqlite_url(tmp_path)) as (store, intake):
        for name in DRAINS:
            first = connected("06:00", unit=f"c-{name}", drain=name, id=f"e-{name}")
            send(
                intake,
                drain(name),
                collector(f"c-{name}"),
                first,
                level("07:00", 40, drain=name, id=f"r-{name}"),
            )
        yield store, intake


def new_shelf(most: int) -> Shelf:
    return Shelf(lambda tenant: Loaded(mappings().rules, renderer_of(tenant)), most=most)


def read_all(shelf: Shelf, store: Store, name: str) -> int:
    """Loads a drain's four records and gives how many were in memory before."""
    with store.read(TENANT) as read, shelf.book(TENANT, ("drain", name)) as loaded:
        before = loaded.size
        loaded.catch_up(read)
        loaded.ensure(read, [("drain", name)])
    return before


def test_a_slow_reader_of_one_drain_stops_nobody_else(service: tuple[Store, Intake]) -> None:
    store, _ = service
    views = Views(store, mappings().rules, renderer=renderer_of)
    reading, go_on = threading.Event(), threading.Event()

    def slow() -> None:
        with views._shelf.book(TENANT, ("drain", "d0")):
            reading.set()
            assert go_on.wait(30)

    with ThreadPoolExecutor(3) as pool:
        first = pool.submit(slow)
        assert reading.wait(30)
        try:
            assert pool.submit(views.ledger, TENANT, "d1").result(timeout=30) is not None
            behind = pool.submit(views.ledger, TENANT, "d0")
            assert not behind.done()
        finally:
            go_on.set()
        first.result(timeout=30)
        assert behind.result(timeout=30) is not None


def test_what_was_read_longest_ago_goes_first(service: tuple[Store, Intake]) -> None:
    store, _ = service
    shelf = new_shelf(most=8)
    assert [read_all(shelf, store, name) for name in ("d0", "d1", "d0", "d1")] == [0, 0, 4, 4]
    assert shelf.records == 8
    assert [read_all(shelf, store, name) for name in ("d2", "d1", "d0")] == [0, 4, 0]
    assert shelf.records == 8


def test_names_that_lead_nowhere_are_not_kept(service: tuple[Store, Intake]) -> None:
    store, _ = service
    shelf = new_shelf(most=8)
    for number in range(50):
        read_all(shelf, store, f"nobody-{number}")
    assert len(shelf._books) == 0


def test_a_book_that_failed_is_not_kept(service: tuple[Store, Intake]) -> None:
    store, _ = service
    shelf = new_shelf(most=8)
    read_all(shelf, store, "d0")
    with pytest.raises(RuntimeError), shelf.book(TENANT, ("drain", "d0")):
        raise RuntimeError
    assert shelf.records == 0
    assert read_all(shelf, store, "d0") == 0


def test_an_empty_book_does_not_read_the_whole_journal(service: tuple[Store, Intake]) -> None:
    store, _ = service
    asked: list[int] = []

    def rows_after(after: int, limit: int) -> list[JournalRow]:
        asked.append(after)
        return []

    loaded = Loaded(mappings().rules, renderer_of(TENANT))
    with store.read(TENANT) as read:
        loaded.catch_up(read, rows_after)
        assert (asked, loaded.last_seq) == ([], read.last_seq())
