"""The fixtures: written by their scripts, taken in as they should be, and covering what they claim to."""

from __future__ import annotations

import runpy
from collections import Counter
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from drainledger.domain.book import Book, Outcome
from drainledger.domain.records import Correction, Drain, Event, Reading, Retraction
from drainledger.domain.validation import Parsed, Refused, read
from tests.journals.books import FIXTURES, SOURCE, findings, intervals, ledger_of, mappings, records_in

EVENT_KINDS = {
    *("connected", "replaced", "disconnected", "removed", "tipped", "emptied", "sampled", "reinfused"),
    *("irrigated", "clamped", "unclamped", "milked", "vented", "suction-prescribed", "weighed"),
}
RECEIVED = datetime(2026, 4, 1, tzinfo=UTC)


def _script(name: str) -> dict[str, Any]:
    return runpy.run_path(str(FIXTURES / name))


@pytest.fixture(scope="module")
def ward() -> Book:
    book = Book(mappings().rules)
    for record in records_in(FIXTURES / "ward.ndjson"):
        book.add(record)
    book.refold()
    return book


def test_ward_is_what_its_script_writes() -> None:
    script = _script("make_ward.py")
    assert (FIXTURES / "ward.ndjson").read_text() == script["lines"](script["ward_records"]())


def test_bad_is_what_its_script_writes() -> None:
    assert (FIXTURES / "bad.ndjson").read_bytes().splitlines() == _script("make_bad.py")["lines"]()


def test_ward_has_what_it_claims(ward: Book) -> None:
    records = ward.records()
    drains = [record for record in records if isinstance(record, Drain)]
    assert (len(drains), len({drain.patient.value for drain in drains})) == (11, 8)
    assert [drain.reads for drain in drains].count("volume") == 1
    assert [len(drain.joins) for drain in drains if drain.joins] == [2]
    assert {type(record).__name__ for record in records} == {
        *("Drain", "Collector", "Event", "Reading", "Correction", "Retraction")
    }
    assert {record.kind for record in records if isinstance(record, Event)} == EVENT_KINDS
    used = {connection.collector for id in ward.drain_ids() for connection in ledger_of(ward, id).connections}
    profiles = {use.profile.id for use in ward.collectors() if use.collector.id in used}
    assert profiles == set(mappings().rules.profiles)


def test_ward_spans_four_days_with_a_clock_change() -> None:
    zone = ZoneInfo("Europe/Lisbon")
    times = [
        r.at.astimezone(zone) for r in records_in(FIXTURES / "ward.ndjson") if isinstance(r, Event | Reading)
    ]
    assert {time.date().isoformat() for time in times} == {f"2026-03-{day}" for day in (27, 28, 29, 30)}
    assert {time.utcoffset() for time in times} == {timedelta(0), timedelta(hours=1)}


def test_ward_comes_out_of_order_and_twice() -> None:
    records = records_in(FIXTURES / "ward.ndjson")
    times = [record.at for record in records if isinstance(record, Event | Reading)]
    assert times != sorted(times)
    assert max(Counter(record.key for record in records).values()) == 2


def test_ward_has_one_of_every_standing(ward: Book) -> None:
    standings = Counter(ward.status(record.key) for record in ward.records())
    assert standings["waiting"] >= 2
    assert standings["set-aside"] >= 4
    bounds = {interval.bound for id in ward.drain_ids() for interval in intervals(ledger_of(ward, id))}
    assert bounds == {"exact", "at-least", "unknown"}
    assert any(isinstance(record, Correction) for record in ward.records())
    assert any(
        isinstance(record, Retraction) and ward.status(record.key) == "used" for record in ward.records()
    )


def test_ward_shows_these_findings(ward: Book) -> None:
    found = set().union(*(findings(ledger_of(ward, id)) for id in ward.drain_ids()))
    assert found >= {
        *(
            "already-in-place",
            "chamber-full",
            "chamber-nearly-full",
            "charted-twice",
            "closing-level-not-charted",
        ),
        *(
            "counter-reset",
            "drain-removed",
            "finer-than-graduation",
            "grade-off-scale",
            "level-beyond-capacity",
        ),
        *(
            "milked-while-clamped",
            "output-while-clamped",
            "pressure-held-after-decrease",
            "readings-disagree",
        ),
        *(
            "reads-otherwise",
            "reading-overdue",
            "reinfusion-not-measured",
            "scale-mismatch",
            "start-level-not-known",
        ),
        *(
            "suction-differs-from-prescribed",
            "suction-not-reached",
            "suspected-misread",
            "unit-change-not-charted",
        ),
        *("beyond-relief-pressure", "vented-without-suction", "within-reading-tolerance", "still-clamped"),
    }


BAD = _script("make_bad.py")["KINDS"]


def test_there_are_forty_kinds_of_bad_record() -> None:
    assert len(BAD) >= 40
    assert len({bad.what for bad in BAD}) == len(BAD)


@pytest.mark.parametrize("bad", BAD, ids=lambda bad: bad.what.replace(" ", "-"))
def test_each_kind_of_bad_record(bad: Any) -> None:
    book = Book(mappings().rules)
    became: dict[bytes, Outcome] = {}
    for text in (FIXTURES / "bad.ndjson").read_bytes().splitlines():
        outcome = read(text, source=SOURCE, units=mappings().units, received_at=RECEIVED)
        if isinstance(outcome, Parsed):
            became[text] = book.add(outcome.record)
    book.refold()
    outcome = read(bad.line, source=SOURCE, units=mappings().units, received_at=RECEIVED)
    if isinstance(outcome, Refused):
        assert [(problem.code, problem.pointer) for problem in outcome.problems] == [
            (bad.becomes, bad.pointer)
        ]
        assert all(problem.text for problem in outcome.problems)
    elif bad.becomes == "conflict":
        assert became[bad.line].status == "conflict"
    else:
        assert book.status(outcome.record.key) == bad.becomes


def test_the_good_records_come_out_as_if_alone() -> None:
    alone, among = Book(mappings().rules), Book(mappings().rules)
    script = _script("make_bad.py")
    for line in map(script["as_line"], script["GOOD"]):
        outcome = read(line, source=SOURCE, units=mappings().units, received_at=None)
        assert isinstance(outcome, Parsed)
        alone.add(outcome.record)
    for text in (FIXTURES / "bad.ndjson").read_bytes().splitlines():
        outcome = read(text, source=SOURCE, units=mappings().units, received_at=RECEIVED)
        if isinstance(outcome, Parsed):
            among.add(outcome.record)
    alone.refold()
    among.refold()
    assert ledger_of(among, "drn-1") == ledger_of(alone, "drn-1")
    assert [interval.output for interval in intervals(ledger_of(among, "drn-1"))] == [40, 50, 30]
