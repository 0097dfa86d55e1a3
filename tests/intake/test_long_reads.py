"""What one tenant's readers may take up, and what a view says of another time."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from drainledger.domain.book import Book
from drainledger.intake.folds import LET_IN, Folds, TooManyReads
from drainledger.intake.intake import Intake
from drainledger.intake.views import Views
from drainledger.store.store import Store
from tests.intake.service import TENANT, renderer_of, send
from tests.journals.books import mappings
from tests.journals.raw import Raw, collector, connected, drain, level, retraction

EITHER = tuple[Store, Intake]
SETUP = (drain(), collector("col-1"), connected("06:00"))
EVER = datetime(2020, 1, 1, tzinfo=UTC)
LATER = datetime(2199, 1, 1, tzinfo=UTC)
READS: dict[str, Callable[[Views], object]] = {
    "ledger": lambda views: views.ledger(TENANT, "drn-1"),
    "drains": lambda views: views.drains(TENANT, "", 10),
    "known_at": lambda views: views.ledger(TENANT, "drn-1", known_at=LATER),
    "changes_since": lambda views: views.changes_since(TENANT, "drn-1", EVER),
    "trace": lambda views: views.trace(TENANT, "ward/r-0700"),
}


def new_views(store: Store) -> Views:
    return Views(store, mappings().rules, renderer=renderer_of)


# Turns


def test_two_work_and_others_wait_for_their_turn() -> None:
    folds = Folds(at_work=2, wait_seconds=0.1)
    with folds.turn("t"), folds.turn("t"):
        with pytest.raises(TooManyReads), folds.turn("t"):
            pass
        with folds.turn("other"):
            pass
    with folds.turn("t"):
        pass
    assert not folds._working


def test_who_can_not_be_let_in_is_told_at_once() -> None:
    folds = Folds(let_in=2)
    with folds.let_in("t"), folds.let_in("t"):
        with pytest.raises(TooManyReads), folds.let_in("t"):
            pass
        with folds.let_in("other"):
            pass
    assert not folds._inside


def test_who_waits_goes_on_when_another_is_done() -> None:
    folds = Folds(at_work=1)
    with ThreadPoolExecutor(1) as pool:
        with folds.turn("t"):
            waiting = pool.submit(lambda: folds.turn("t").__enter__())
            assert not waiting.done()
        waiting.result(timeout=30)


# What others have left


@pytest.mark.parametrize("read", READS.values(), ids=READS)
def test_no_connection_is_held_while_a_ledger_is_folded(
    read: Callable[[Views], object], either: EITHER, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, intake = either
    send(intake, *SETUP, level("07:00", 40))
    checked_out: list[int] = []
    fold = Book.refold

    def counted(self: Book) -> Any:
        checked_out.append(store.database._reading.pool.checkedout())  # type: ignore[attr-defined]  # of a queue pool
        return fold(self)

    monkeypatch.setattr(Book, "refold", counted)
    assert read(new_views(store)) is not None
    assert set(checked_out) == {0}


def test_many_long_reads_of_a_tenant_leave_room_for_others(
    either: EITHER, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, intake = either
    send(intake, *SETUP, level("07:00", 40))
    send(intake, *SETUP, tenant="south")
    views = new_views(store)
    go_on = threading.Event()
    fold = Book.refold

    def slow(self: Book) -> Any:
        if threading.current_thread().name.startswith("many"):
            assert go_on.wait(60)
        return fold(self)

    monkeypatch.setattr(Book, "refold", slow)
    refused = threading.Semaphore(0)

    def ask() -> object:
        try:
            return READS["changes_since"](views)
        except TooManyReads:
            refused.release()
            raise

    with ThreadPoolExecutor(20, thread_name_prefix="many") as many:
        asked = [many.submit(ask) for _ in range(20)]
        try:
            for _ in range(20 - LET_IN):
                assert refused.acquire(timeout=30), "who can't be let in is told before any other is done"
            assert views.ledger("south", "drn-1") is not None
            store.ping()
        finally:
            go_on.set()
        faults = [one.exception(timeout=60) for one in asked]
    assert [type(fault) for fault in faults if fault is not None] == [TooManyReads] * (20 - LET_IN)


# Other times


def shown_held(views: Views, known_at: datetime | None = None) -> int:
    found = views.ledger(TENANT, "drn-1", known_at=known_at)
    assert found is not None
    return found[0].held


def without_zone(clock: str, **more: object) -> Raw:
    return level(clock, 40) | {"at": f"2026-03-02T{clock}:00"} | more


def test_held_records_are_counted_as_they_were(either: EITHER) -> None:
    store, intake = either
    views = new_views(store)
    send(intake, *SETUP)
    at, held = [store.last_received_at()], []
    for clock in ("07:00", "08:00"):
        held.append(send(intake, without_zone(clock)).results[0].held_id)
        at.append(store.last_received_at())
    send(intake, level("07:00", 40), replays=held[0])
    at.append(store.last_received_at())
    with store.write(TENANT, at[-1] + timedelta(seconds=5)) as write:
        write.set_held(held[1] or "", "discarded", reason="a test", by="key:k1")
    at.append(store.last_received_at())
    assert [shown_held(views, one) for one in at] == [0, 1, 2, 1, 0]
    assert shown_held(views) == 0


def test_a_retracted_drain_has_changes_and_why(either: EITHER) -> None:
    store, intake = either
    views = new_views(store)
    send(intake, *SETUP, level("07:00", 40))
    before = store.last_received_at()
    send(intake, retraction("drn-1", "09:00"))
    page = views.changes_since(TENANT, "drn-1", before)
    assert page is not None
    (change,) = page.changes
    assert change.cause.key.kind == "retraction"
    gone = {node.key.id: node for node in change.nodes}
    assert {"connected-0600", "r-0700"} <= set(gone)
    assert all(node.old is not None and node.new is None for node in gone.values())
    assert change.windows
    assert page.time_zone == drain()["time_zone"]
    assert views.ledger(TENANT, "drn-1") is None
    assert views.changes_since(TENANT, "nobody", before) is None


def test_a_retracted_drain_without_records_has_a_change_too(either: EITHER) -> None:
    store, intake = either
    send(intake, drain())
    before = store.last_received_at()
    send(intake, retraction("drn-1", "09:00"))
    page = new_views(store).changes_since(TENANT, "drn-1", before)
    assert page is not None
    assert [change.cause.key.kind for change in page.changes] == ["retraction"]


def test_changes_come_a_page_at_a_time(either: EITHER) -> None:
    store, intake = either
    views = new_views(store)
    send(intake, *SETUP, *(level(f"{hour:02}:00", 10 * hour) for hour in range(7, 14)))
    whole = views.changes_since(TENANT, "drn-1", EVER)
    assert whole is not None
    assert whole.after is None
    found, after, pages = [], 0, 0
    while True:
        page = views.changes_since(TENANT, "drn-1", EVER, after=after, limit=2)
        assert page is not None
        assert len(page.changes) <= 2
        found += page.changes
        pages += 1
        if page.after is None:
            break
        after = page.after
    assert found == whole.changes
    assert pages == -(-len(found) // 2)
