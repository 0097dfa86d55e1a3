"""A fault of the database while a book is read leaves nothing behind: what is read next is what a fresh fold gives."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

import pytest
from sqlalchemy import event

from drainledger.intake.intake import Intake
from drainledger.intake.loading import Loaded
from drainledger.intake.views import Views
from drainledger.store.errors import StoreBusy
from drainledger.store.store import Store
from tests.intake.service import TENANT, renderer_of, send
from tests.journals.books import mappings
from tests.journals.raw import collector, connected, correction, drain, level, replaced, retraction

EITHER = tuple[Store, Intake]
FIRST = level("07:00", 40)
JOURNAL = (
    *(drain(), drain("drn-2"), collector("col-1"), collector("col-2"), connected("06:00")),
    *(FIRST, level("08:00", 90), level("09:00", 120), replaced("09:30", "col-2", final=150)),
    *(level("10:00", 60), correction(FIRST, "09:10", level={"value": 30, "unit": "mL"})),
    retraction("r-0800", "09:20"),
)
READS: dict[str, Callable[[Views], object]] = {
    "ledger": lambda views: views.ledger(TENANT, "drn-1"),
    "drains": lambda views: views.drains(TENANT, "", 10),
    "trace": lambda views: views.trace(TENANT, "ward/r-0900"),
}


@contextmanager
def fault_at(store: Store, nth: int) -> Iterator[list[int]]:
    """The n-th statement of a reader fails; yields how many there were, in a list that grows."""
    engine = store.database._reading
    seen: list[int] = []

    def before(*_: Any) -> None:
        seen.append(len(seen) + 1)
        if seen[-1] == nth:
            raise StoreBusy

    event.listen(engine, "before_cursor_execute", before)
    try:
        yield seen
    finally:
        event.remove(engine, "before_cursor_execute", before)


def new_views(store: Store) -> Views:
    return Views(store, mappings().rules, renderer=renderer_of)


@pytest.mark.parametrize("read", READS.values(), ids=READS)
def test_after_a_fault_at_any_statement_a_view_is_whole(
    read: Callable[[Views], object], either: EITHER
) -> None:
    store, intake = either
    send(intake, *JOURNAL)
    fresh = {name: each(new_views(store)) for name, each in READS.items()}
    wanted = read(new_views(store))
    nth, failed = 1, True
    while failed:
        views = new_views(store)
        with fault_at(store, nth) as seen:
            try:
                assert read(views) == wanted
                failed = False
            except StoreBusy:
                pass
        assert {name: each(views) for name, each in READS.items()} == fresh, f"after a fault at {nth}"
        nth += 1
    assert len(seen) == nth - 2 >= 3, "every statement was tried"


def test_after_a_fault_while_catching_up_a_view_is_whole(either: EITHER) -> None:
    store, intake = either
    send(intake, *JOURNAL[:5])
    nth, failed = 1, True
    while failed:
        views = new_views(store)
        read = READS["ledger"]
        read(views)
        send(intake, level("11:00", 60 + nth, id=f"more-{nth}"))
        with fault_at(store, nth):
            try:
                read(views)
                failed = False
            except StoreBusy:
                pass
        assert read(views) == read(new_views(store)), f"after a fault at {nth}"
        nth += 1
    assert nth > 4


def test_a_book_itself_goes_on_after_a_fault(either: EITHER) -> None:
    """Also where nobody lets go of it: what it says is loaded is loaded."""
    store, intake = either
    send(intake, *JOURNAL)
    name = ("drain", "drn-1")

    def load(loaded: Loaded) -> None:
        with store.read(TENANT) as read:
            loaded.catch_up(read)
            loaded.ensure(read, [name])

    fresh = Loaded(mappings().rules, renderer_of(TENANT))
    load(fresh)
    nth, failed = 1, True
    while failed:
        loaded = Loaded(mappings().rules, renderer_of(TENANT))
        with fault_at(store, nth):
            try:
                load(loaded)
                failed = False
            except StoreBusy:
                pass
        load(loaded)
        assert loaded.names == fresh.names
        assert loaded.size == fresh.size
        assert loaded.book.ledger("drn-1") == fresh.book.ledger("drn-1")
        nth += 1
    assert nth > 4


def test_who_waited_for_a_book_that_failed_gets_a_new_one(either: EITHER) -> None:
    store, intake = either
    send(intake, *JOURNAL)
    views = new_views(store)
    wanted = READS["ledger"](new_views(store))
    holding, go_on = threading.Event(), threading.Event()

    def fails() -> None:
        with views._shelf.book(TENANT, ("drain", "drn-1")) as loaded, store.read(TENANT) as read:
            loaded._names.add(("drain", "drn-1"))  # half loaded
            loaded.last_seq = read.last_seq()
            holding.set()
            assert go_on.wait(30)
            raise StoreBusy

    with ThreadPoolExecutor(2) as pool:
        first = pool.submit(fails)
        assert holding.wait(30)
        behind = pool.submit(READS["ledger"], views)
        while not views._folds._inside and not behind.done():
            pass
        go_on.set()
        with pytest.raises(StoreBusy):
            first.result(timeout=30)
        assert behind.result(timeout=30) == wanted
