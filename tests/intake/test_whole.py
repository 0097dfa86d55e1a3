"""Submissions that go as a whole, and those that were read from another format."""

from __future__ import annotations

from concurrent.futures import Future

import pytest
from msgspec.structs import replace

from drainledger.domain.records import Key
from drainledger.domain.statements import slot_of
from drainledger.intake.answers import NothingTaken, Submission
from drainledger.intake.intake import Intake
from drainledger.intake.turns import PART, Job, shared
from drainledger.store.store import Store
from tests.intake.service import TENANT
from tests.intake.test_callers import at_bed, bed, submission
from tests.journals.books import line

Service = tuple[Store, Intake]


def whole(*raws: object) -> Submission:
    return replace(submission(*raws), whole=True)  # type: ignore[arg-type]  # records of the samples


def job(sent: Submission) -> Job:
    return Job(sent, Future())


def readings(count: int) -> Submission:
    return replace(submission(*([b"{}"] * count)), whole=True)


def test_one_that_cant_be_taken_stops_all(either: Service) -> None:
    store, intake = either
    intake.submit(submission(*bed(1))).result()
    with pytest.raises(NothingTaken) as stopped:
        intake.submit(whole(at_bed(1, "07:00", 40), b'{"record":"reading"}')).result()
    assert list(stopped.value.problems) == [1]
    with store.read(TENANT) as read:
        assert read.held() == []
        assert read.find([slot_of(Key("reading", "ward", "r-1-07:00"))]) == {}
        assert read.audits(0, 100)[-1].outcome == "nothing taken"
    # What is in memory is what is on disk: the same record is new, not a duplicate.
    answer = intake.submit(whole(at_bed(1, "07:00", 40))).result()
    assert answer.accepted == 1


def test_a_conflict_stops_all_also_within_the_submission(either: Service) -> None:
    _, intake = either
    intake.submit(submission(*bed(1), at_bed(1, "07:00", 40))).result()
    for sent in (
        whole(at_bed(1, "08:00", 60), at_bed(1, "07:00", 50)),
        whole(at_bed(1, "08:00", 60), at_bed(1, "08:00", 61)),
    ):
        with pytest.raises(NothingTaken) as stopped:
            intake.submit(sent).result()
        assert [one.code for one in stopped.value.problems[1]] == ["conflict"]
    assert intake.submit(whole(at_bed(1, "08:00", 60), at_bed(1, "07:00", 40))).result().duplicates == 1


def test_a_whole_is_one_share_however_long() -> None:
    """Alone it takes a turn of its own; beside others it waits until it is first, and they have theirs."""
    long, short = job(readings(2 * PART)), job(submission(b"{}"))
    assert [(share.job is long, share.count) for share in shared([long])] == [(True, 2 * PART)]
    assert [(share.job, share.count) for share in shared([short, long])] == [(short, 1)]
    assert shared([long, short])[0].count == 2 * PART
    fits = job(readings(10))
    assert [share.count for share in shared([short, fits])] == [1, 10]


def test_the_bytes_as_received_are_journaled_beside_what_they_were_read_as(either: Service) -> None:
    store, intake = either
    intake.submit(submission(*bed(1))).result()
    record = line(at_bed(1, "07:00", 40))
    sent = replace(submission(b"as it came"), read_as=(record,))
    assert intake.submit(sent).result().accepted == 1
    with store.read(TENANT) as read:
        last = read.row(read.last_seq())
    assert last is not None
    assert (last.raw, last.record.key.id) == (b"as it came", "r-1-07:00")


def test_what_is_held_of_another_format_is_held_as_it_came(either: Service) -> None:
    store, intake = either
    sent = replace(submission(b"as it came"), read_as=(b'{"record":"reading"}',))
    assert intake.submit(sent).result().held == 1
    with store.read(TENANT) as read:
        assert [one.raw for one in read.held()] == [b"as it came"]
