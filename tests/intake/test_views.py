"""The read side: the ledger now and as it was known, what changed and because of what, and the way home."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from drainledger.intake.intake import Intake
from drainledger.intake.views import Views
from drainledger.store.store import Store
from tests.intake.service import TENANT, renderer_of, running, send, sqlite_url
from tests.journals.books import mappings, outputs
from tests.journals.raw import collector, connected, correction, drain, level, replaced, retraction

SETUP = (drain(), collector("col-1"), collector("col-2"), connected("06:00"))


@pytest.fixture
def service(tmp_path: Path) -> Iterator[tuple[Store, Intake, Views]]:
    with running(sqlite_url(tmp_path)) as (store, intake):
        yield store, intake, Views(store, mappings().rules, renderer=renderer_of)


def shown(views: Views, **more: object) -> list[str]:
    found = views.ledger(TENANT, "drn-1", **more)  # type: ignore[arg-type]  # known_at or nothing
    assert found is not None
    return outputs(found[0])


def test_a_ledger_follows_the_journal(service: tuple[Store, Intake, Views]) -> None:
    _, intake, views = service
    assert views.ledger(TENANT, "drn-1") is None
    send(intake, *SETUP, level("07:00", 40))
    assert shown(views) == ["40"]
    send(intake, level("08:00", 90))
    assert shown(views) == ["40", "50"]
    send(intake, retraction("r-0700", "09:00"))
    assert shown(views) == ["90"]


def test_a_ledger_as_it_was_known(service: tuple[Store, Intake, Views]) -> None:
    store, intake, views = service
    send(intake, *SETUP, level("07:00", 300), level("08:00", 120))
    with store.read(TENANT) as read:
        then = read.rows(0, 100)[-1].received_at
    send(intake, replaced("07:30", "col-2", final=340))
    assert shown(views) == ["300", "40", "120"]
    assert shown(views, known_at=then) == ["300", "?"]


def test_what_changed_since_and_because_of_what(service: tuple[Store, Intake, Views]) -> None:
    store, intake, views = service
    at_eight = level("08:00", 90)
    send(intake, *SETUP, level("07:00", 40), at_eight, level("09:00", 120))
    with store.read(TENANT) as read:
        then = read.rows(0, 100)[-1].received_at
    send(intake, correction(at_eight, "09:10", level={"value": 70, "unit": "mL"}))
    page = views.changes_since(TENANT, "drn-1", then)
    assert page is not None
    changes = page.changes
    assert [change.cause.record.key.id for change in changes] == ["c-r-0800"]
    changed = {node.key.id: node.new for node in changes[0].nodes}
    assert set(changed) == {"r-0800", "r-0900"}
    assert views.changes_since(TENANT, "unknown", then) is None


def test_a_value_leads_to_its_raw_records_and_back(service: tuple[Store, Intake, Views]) -> None:
    _, intake, views = service
    send(intake, *SETUP, level("07:00", 40))
    answer = send(intake, level("08:00", 90))
    reference = next(
        w.reference for w in answer.results[0].resources if w.reference.endswith(".interval-output")
    )
    trace = views.trace(TENANT, reference)
    assert trace is not None
    assert [row.record.key.id for row in trace.rows] == ["r-0800", "r-0700"]
    assert b'"value":90' in trace.rows[0].raw
    back = views.trace(TENANT, "ward/r-0800")
    assert back is not None
    assert any("interval-output" in row.parts for row in back.versions)
    assert views.trace(TENANT, "ward/unknown") is None
    assert views.trace("other", reference) is None


def test_a_rate_per_weight_leads_to_who_gave_the_weight(service: tuple[Store, Intake, Views]) -> None:
    _, intake, views = service
    send(intake, drain(weight={"value": 72, "unit": "kg"}), *SETUP[1:])
    answer = send(intake, level("07:00", 40))
    reference = next(w.reference for w in answer.results[0].resources if "per-weight" in w.reference)
    trace = views.trace(TENANT, reference)
    assert trace is not None
    assert {row.record.key.id for row in trace.rows} == {"r-0700", "connected-0600", "drn-1"}


def test_drains_come_a_page_at_a_time(service: tuple[Store, Intake, Views]) -> None:
    _, intake, views = service
    send(intake, *(drain(f"d{number}") for number in range(5)))
    first, _ = views.drains(TENANT, "", 3)
    assert [ledger.drain.id for ledger in first] == ["d0", "d1", "d2"]
    assert [ledger.drain.id for ledger in views.drains(TENANT, "d2", 3)[0]] == ["d3", "d4"]


def test_held_records_are_counted(service: tuple[Store, Intake, Views]) -> None:
    _, intake, views = service
    send(intake, *SETUP)
    send(intake, level("07:00", 40) | {"at": "2026-03-02T07:00:00"})
    found = views.ledger(TENANT, "drn-1")
    assert found is not None
    assert found[0].held == 1


def test_a_window_has_its_versions_and_no_record_of_its_own(service: tuple[Store, Intake, Views]) -> None:
    _, intake, views = service
    send(intake, *SETUP)
    answer = send(intake, level("07:00", 40))
    reference = next(w.reference for w in answer.results[0].resources if "charted-total" in w.reference)
    trace = views.trace(TENANT, reference)
    assert trace is not None
    assert (trace.rows, trace.entries, len(trace.versions)) == ((), (), 1)
