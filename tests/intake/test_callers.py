"""Many callers of one intake: what each is told, what one that goes away costs the others, and whose turn it is."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from datetime import UTC, datetime

import pytest

from drainledger.intake import turns
from drainledger.intake.answers import Answer, Submission
from drainledger.intake.intake import Closed, Intake, PartlyTaken
from drainledger.intake.turns import Job, Turns, shared
from drainledger.store.errors import StoreBusy, UnknownHeld
from drainledger.store.rows import AuditRow
from drainledger.store.store import Store
from drainledger.store.write import Write
from tests.intake.service import TENANT, latest, send
from tests.journals.books import line
from tests.journals.raw import Raw, collector, connected, drain, level

Service = tuple[Store, Intake]


def submission(
    *raws: Raw | bytes, source: str = "ward", tenant: str = TENANT, replays: str | None = None
) -> Submission:
    lines = tuple(raw if isinstance(raw, bytes) else line(raw) for raw in raws)
    return Submission(
        tenant=tenant, source=source, lines=lines, principal="test", request_id="r", replays=replays
    )


def bed(number: int) -> tuple[Raw, Raw, Raw]:
    """A drain of a patient of its own on a unit of its own."""
    patient = {"system": "https://ward.example/mrn", "value": f"P-{number}"}
    place = {"drain": f"drn-{number}", "id": f"on-{number}"}
    return (
        drain(f"drn-{number}", patient=patient),
        collector(f"col-{number}"),
        connected("06:00", unit=f"col-{number}", **place),
    )


def at_bed(number: int, clock: str, value: int, **fields: str) -> Raw:
    return level(clock, value, **{"id": f"r-{number}-{clock}", "drain": f"drn-{number}"} | fields)


@contextmanager
def standing(intake: Intake) -> Iterator[None]:
    """While the block runs, the intake is at a commit that doesn't end, and whatever is submitted waits."""
    begun, may_end = threading.Event(), threading.Event()
    run = intake._run

    def slow(tenant: str, shares: object) -> object:
        begun.set()
        may_end.wait(30)
        return run(tenant, shares)  # type: ignore[arg-type]  # handed on as it came

    intake._run = slow  # type: ignore[method-assign,assignment]  # what stands in for a slow database
    waits = intake.submit(submission(tenant="another"))
    begun.wait(30)
    intake._run = run  # type: ignore[method-assign]  # as it was
    try:
        yield
    finally:
        may_end.set()
        waits.result(30)


def drains_told(store: Store, answer: Answer) -> set[str | None]:
    """The drains of all the resources that an answer names."""
    ids = {written.reference.split("/")[1].split(".")[0] for r in answer.results for written in r.resources}
    with store.read(TENANT) as read:
        return {row.drain for row in read.current(ids).values()}


def test_each_caller_is_told_what_it_changed_and_nothing_of_the_others(either: Service) -> None:
    """30 posts of one record share a commit; where two of them touch one drain, each is told what it changed itself."""
    store, intake = either
    for number in range(15):
        send(intake, *bed(number))
    with standing(intake):
        sent = {
            (number, source): intake.submit(
                submission(at_bed(number, clock, value, id=f"{source}-{number}"), source=source)
            )
            for number in range(15)
            for source, clock, value in (("ward", "07:00", 40), ("theatre", "08:00", 70))
        }
    told: dict[tuple[int, str], set[tuple[str, int]]] = {}
    for (number, source), future in sent.items():
        answer = future.result(30)
        assert drains_told(store, answer) == {f"drn-{number}"}
        told[number, source] = {(w.reference, w.version) for w in answer.results[0].resources}
    everything = [one for each in told.values() for one in each]
    assert len(everything) == len(set(everything)), "two callers were told of one version"
    assert all(told.values())
    with store.read(TENANT) as read:
        receipts = {row.received_at for row in read.rows(0, 1000) if row.record.key.kind == "reading"}
    assert len(receipts) == 1, "they shared a commit"


def test_a_caller_that_goes_away_costs_the_others_nothing(either: Service) -> None:
    """Its record is taken all the same, and the next one is answered."""
    _, intake = either
    send(intake, *bed(1))
    with standing(intake):
        gone = intake.submit(submission(at_bed(1, "07:00", 40)))
        other = intake.submit(submission(at_bed(1, "08:00", 50)))
        assert gone.cancel()
    assert other.result(30).accepted == 1
    assert intake.alive
    assert send(intake, at_bed(1, "09:00", 60)).accepted == 1
    assert send(intake, at_bed(1, "07:00", 40)).duplicates == 1


def test_nothing_but_close_ends_the_thread(either: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    _, intake = either

    def broken(*_: object) -> None:
        raise SystemExit

    for owner, name in ((Intake, "_run"), (Turns, "next")):
        with monkeypatch.context() as patch:
            patch.setattr(owner, name, broken)
            with pytest.raises(SystemExit):
                intake.submit(submission(drain())).result(30)
        assert intake.alive
        assert send(intake, drain()).results[0].status in ("accepted", "duplicate")
    intake.close()
    assert not intake.alive


def test_one_that_fails_costs_the_others_of_its_group_nothing(either: Service) -> None:
    store, intake = either
    with standing(intake):
        sent = [
            intake.submit(submission(drain("drn-1"))),
            intake.submit(submission(drain("drn-2"), replays="nothing-of-this-id")),
            intake.submit(submission(drain("drn-3"))),
        ]
    with pytest.raises(UnknownHeld):
        sent[1].result(30)
    assert [sent[place].result(30).accepted for place in (0, 2)] == [1, 1]
    with store.read(TENANT) as read:
        assert read.drains("", 10) == ["drn-1", "drn-3"]


def test_a_write_names_the_drains_that_it_touched(either: Service) -> None:
    """Each caller's row has its own: the drain of a reading, and those of a unit that a record names alone."""
    store, intake = either
    send(intake, *bed(1))
    send(intake, *bed(2))
    with standing(intake):
        for number in (1, 2):
            intake.submit(submission(at_bed(number, "07:00", 40)))
        intake.submit(submission(collector("col-2", serial="S-9"), b"{}"))
    send(intake, at_bed(1, "07:00", 40))
    with store.read(TENANT) as read:
        rows = read.audits(0, 100)
    assert [row.drains for row in rows] == [
        ("drn-1",),
        ("drn-2",),
        ("drn-1",),
        ("drn-2",),
        ("drn-2",),
        ("drn-1",),
    ]
    assert all(len(row.patients) == 1 for row in rows)


# Parts


def many(count: int, number: int = 1) -> list[Raw]:
    """A bed, and readings a minute apart."""
    clocks = [
        f"{place // 1440}+{place // 60 % 24:02d}:{place % 60:02d}" for place in range(400, 400 + count - 3)
    ]
    return [*bed(number), *(at_bed(number, clock, place // 10) for place, clock in enumerate(clocks))]


def test_a_large_submission_goes_in_parts_and_is_answered_once(
    either: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The answer tells how things are at its end: a reading that came a part before its drain does not wait."""
    store, intake = either
    monkeypatch.setattr(turns, "PART", 20)
    records = many(65)[::-1]
    answer = send(intake, *records)
    assert (answer.accepted, answer.waiting, answer.duplicates, answer.held) == (65, 0, 0, 0)
    assert [result.id for result in answer.results] == [raw["id"] for raw in records]
    with store.read(TENANT) as read:
        assert len({row.received_at for row in read.rows(0, 1000)}) == 4
        assert len(read.audits(0, 100)) == 4
    now = {reference: resource["versionId"] for reference, resource in latest(store).items()}
    told = {w.reference: w.version for result in answer.results for w in result.resources}
    assert {reference: now[reference] for reference in told} == told
    assert send(intake, *records).duplicates == 65


def test_a_small_submission_waits_for_one_part_at_most(
    either: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, intake = either
    monkeypatch.setattr(turns, "PART", 20)
    ended: list[str] = []

    def noted(name: str, future: Future[Answer]) -> Future[Answer]:
        future.add_done_callback(lambda _: ended.append(name))
        return future

    with standing(intake):
        waiting = [
            noted("large", intake.submit(submission(*many(200, 1)))),
            noted("large too", intake.submit(submission(*many(200, 2)))),
            noted("theirs", intake.submit(submission(*many(200, 3), tenant="theirs"))),
            noted("small", intake.submit(submission(drain("drn-9")))),
            noted("small, theirs", intake.submit(submission(drain("drn-9"), tenant="theirs"))),
        ]
    wait(waiting, 60)
    assert set(ended[:2]) == {"small", "small, theirs"}
    assert sorted(ended[2:]) == ["large", "large too", "theirs"]


def test_turns_are_shared_and_nobody_waits_for_good() -> None:
    def job(count: int) -> Job:
        return Job(submission(*[b"{}"] * count), Future())

    large, other, small, none = job(2000), job(900), job(3), job(0)
    half, part = turns.PART // 2, turns.PART
    assert [(share.job, share.count) for share in shared([large])] == [(large, part)]
    assert [(share.job, share.count) for share in shared([large, other, small, none])] == [
        (large, half),
        (other, part - half - 3),
        (small, 3),
        (none, 0),
    ]
    assert [share.count for share in shared([job(part) for _ in range(3)])] == [part]
    assert len(shared([job(1) for _ in range(1000)])) == turns.MOST_SHARED
    waiting = Turns()
    for each in (large, other):
        waiting.add(each)
    heads = []
    for _ in range(4):
        _, shares = waiting.next()
        heads.append(shares[0].job if len(shares) == 1 else max(shares, key=lambda share: share.count).job)
    assert {id(head) for head in heads} == {id(large), id(other)}


def test_a_fault_between_parts_is_told_and_may_be_repeated(
    either: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, intake = either
    monkeypatch.setattr(turns, "PART", 20)
    append, calls = Write.append, [0]

    def breaks(self: Write, rows: object) -> list[int]:
        calls[0] += 1
        if calls[0] == 3:
            raise StoreBusy
        return append(self, rows)  # type: ignore[arg-type]  # handed on as it came

    records = many(65)
    with monkeypatch.context() as patch:
        patch.setattr(Write, "append", breaks)
        with pytest.raises(PartlyTaken) as told:
            send(intake, *records)
    assert (told.value.taken, told.value.records, told.value.stopped) == (40, 65, False)
    assert isinstance(told.value.__cause__, StoreBusy)
    answer = send(intake, *records)
    assert (answer.duplicates, answer.accepted) == (40, 25)
    assert latest(store)


def test_a_cut_tells_each_caller_what_became_of_its_records(
    either: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The large one is partly taken, the small one, whose turn had not come, not at all."""
    store, intake = either
    monkeypatch.setattr(turns, "PART", 20)
    run = intake._run

    def cut_after(tenant: str, shares: object) -> object:
        made = run(tenant, shares)  # type: ignore[arg-type]  # handed on as it came
        small.append(intake.submit(submission(drain("drn-9"))))
        intake.cut()
        return made

    small: list[Future[Answer]] = []
    intake._run = cut_after  # type: ignore[method-assign,assignment]  # cut while a part is being written
    large = intake.submit(submission(*many(65)))
    with pytest.raises(PartlyTaken) as told:
        large.result(30)
    assert (told.value.taken, told.value.records, told.value.stopped) == (20, 65, True)
    with pytest.raises(Closed):
        small[0].result(30)
    with pytest.raises(Closed):
        intake.submit(submission(drain("drn-8")))
    intake.close()
    with store.read(TENANT) as read:
        assert read.last_seq() == 20
        assert read.drains("", 10) == ["drn-1"]


def test_parts_write_what_one_commit_would(either: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two tenants, the same records; only ids, versions and statuses of a history may differ."""
    store, intake = either
    records = many(65)
    send(intake, *records, tenant="whole")
    monkeypatch.setattr(turns, "PART", 7)
    send(intake, *records)
    texts = [
        sorted(
            (each["resourceType"], str(each.get("valueQuantity"))) for each in latest(store, tenant).values()
        )
        for tenant in ("whole", TENANT)
    ]
    assert texts[0] == texts[1]


def test_callers_by_the_dozen(either: Service) -> None:
    """All at once from threads of their own: everything is taken once."""
    _, intake = either
    send(intake, *bed(1))
    with ThreadPoolExecutor(24) as pool:
        answers = list(
            pool.map(
                lambda place: send(intake, at_bed(1, f"{place % 12 + 7:02d}:00", 5 * (place % 12))), range(48)
            )
        )
    assert sum(answer.accepted for answer in answers) == 12
    assert sum(answer.duplicates for answer in answers) == 36


def test_others_write_between_the_parts_of_a_large_submission(
    either: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing that is read is answered before its row in the audit trail is written, by another thread."""
    store, intake = either
    monkeypatch.setattr(turns, "PART", 20)
    large = intake.submit(submission(*many(400)))
    between = 0
    while not large.done():
        with store.write("theirs", datetime.now(UTC)) as write:
            write.audit(
                AuditRow(
                    at=write.clock,
                    principal="p",
                    action="read",
                    method="GET",
                    route="r",
                    outcome="200",
                    request_id="r",
                )
            )
        between += not large.done()
        time.sleep(0.001)
    assert large.result(30).accepted == 400
    with store.read(TENANT) as read:
        parts = len({row.received_at for row in read.rows(0, 1000)})
    assert between >= parts / 2
