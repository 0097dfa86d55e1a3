"""Writing and reading: seqs, snapshots, savepoints, versions, held records, on both engines."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime, timedelta

import pytest
from sqlalchemy import select

from drainledger.domain.naming import slot_tie
from drainledger.domain.problems import Problem
from drainledger.domain.records import Record
from drainledger.domain.statements import Slot, slot_of
from drainledger.store import codec
from drainledger.store.errors import (
    ClockBehind,
    HeldIsClosed,
    SeqNotAdvanced,
    SlotTaken,
    StoreUnavailable,
    UnknownHeld,
    VersionSkipped,
)
from drainledger.store.instants import after
from drainledger.store.rows import AuditRow, NewDelivery, NewHeld, NewPart, NewVersions
from drainledger.store.schema import journal_names, outbox
from drainledger.store.store import Store
from drainledger.store.write import Write
from tests.store.samples import (
    EVERY_KIND,
    NOON,
    TENANT,
    collector,
    correction,
    drain,
    part,
    put,
    reading,
    readings,
    retraction,
    row,
)

SECOND = timedelta(seconds=1)
PROBLEM = Problem("missing-unit", "/level", "The level has no unit.")


# The journal


def test_what_was_committed_is_read_again(store: Store) -> None:
    with store.write(TENANT, NOON) as write:
        assert write.append([row(record, b"raw \xff\x00") for record in EVERY_KIND]) == [1, 2, 3, 4, 5, 6]
    with store.read(TENANT) as read:
        rows = read.rows(0, 100)
        assert [one.record for one in rows] == list(EVERY_KIND)
        assert [one.seq for one in rows] == [1, 2, 3, 4, 5, 6]
        assert {(one.received_at, one.raw, one.rules_version, one.principal) for one in rows} == {
            (NOON, b"raw \xff\x00", "v1", "key:k1")
        }
        assert read.last_seq() == 6
        assert read.row(3) == rows[2]
        assert read.row(7) is None
        assert [one.seq for one in read.rows(2, 2)] == [3, 4]


def test_a_failure_leaves_nothing(store: Store) -> None:
    def fail() -> None:
        with store.write(TENANT, NOON) as write:
            write.append(readings(3))
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    with store.read(TENANT) as read:
        assert (read.last_seq(), read.rows(0, 9)) == (0, [])
    with store.write(TENANT, NOON) as write:
        assert write.append(readings(1)) == [1]


def test_tenants_do_not_see_each_other(store: Store) -> None:
    for tenant in ("north", "south"):
        with store.write(tenant, NOON) as write:
            assert write.append([row(drain()), *readings(2)]) == [1, 2, 3]
            write.put_versions([put("a", 1, body=tenant.encode())])
            write.hold([NewHeld("ward", b"{", (PROBLEM,), "d1")])
            write.put_mapping("v1", tenant.encode())
            write.audit(access(tenant))
            write.enqueue([NewDelivery("records", "a", "level", 1)])
    assert store.tenants() == ["north", "south"]
    for tenant in ("north", "south"):
        with store.read(tenant) as read:
            body = read.body("a", "level")
            assert body is not None
            assert body.body == tenant.encode()
            assert read.mapping("v1") == tenant.encode()
            assert [one.request_id for one in read.audits(0, 9)] == [tenant]
            assert [len(found) for found in (read.rows(0, 99), read.held(), read.history("a"))] == [3, 1, 1]
            assert read.drains("", 9) == ["d1"]
            assert len(read.rows_naming([("drain", "d1")])) == 3
    with store.read("nobody") as read:
        assert (read.last_seq(), read.rows(0, 9), read.held(), read.mappings()) == (0, [], [], [])


def test_received_at_goes_on_even_where_the_clock_goes_back(store: Store) -> None:
    found: list[datetime] = []
    for clock in (NOON, NOON - 60 * SECOND, NOON, NOON + SECOND):
        with store.write(TENANT, clock) as write:
            write.append(readings(2, prefix=f"r{len(found)}-"))
            found.append(write.received_at)
    tick = timedelta(microseconds=1)
    assert found == [NOON, NOON + tick, NOON + 2 * tick, NOON + SECOND]
    with store.read(TENANT) as read:
        assert [one.received_at for one in read.rows(0, 99)] == [at for at in found for _ in range(2)]
        assert [read.seq_at(at) for at in (NOON - tick, *found, NOON + 9 * SECOND)] == [0, 2, 4, 6, 8, 8]


def test_an_id_is_taken_once(store: Store) -> None:
    with store.write(TENANT, NOON) as write:
        write.append([row(reading("r1")), row(reading("r1", source="other")), row(drain("r1"))])
    for record in (reading("r1", "41"), retraction("r1"), drain("r1")):
        with pytest.raises(SlotTaken), store.write(TENANT, NOON) as write:
            write.append([row(record)])
    with store.read(TENANT) as read:
        assert read.last_seq() == 3


def fail_within(write: Write) -> None:
    with write.savepoint():
        write.append(readings(1, "b"))
        write.put_versions([put("x", 2), put("y", 1)])
        write.hold([NewHeld("ward", b"{", (PROBLEM,))])
        write.audit(access("lost"))
        write.append(readings(1, "a"))


def test_a_savepoint_undoes_its_block_alone(store: Store) -> None:
    with store.write(TENANT, NOON) as write:
        write.append(readings(1, "a"))
        write.put_versions([put("x", 1)])
        with pytest.raises(SlotTaken):
            fail_within(write)
        assert write.seq == 1
        with write.savepoint():
            assert write.append(readings(1, "c")) == [2]
            write.put_versions([put("x", 2)])
            write.audit(access("kept"))
    with store.read(TENANT) as read:
        assert [one.key.id for one in read.rows(0, 9)] == ["a0", "c0"]
        assert [version.seq for version in read.history("x")] == [1, 2]
        assert (read.history("y"), read.held()) == ([], [])
        assert [(one.audit_seq, one.request_id) for one in read.audits(0, 9)] == [(1, "kept")]


def test_a_reader_sees_one_state(store: Store) -> None:
    with store.write(TENANT, NOON) as write:
        write.append(readings(1))
    with store.read(TENANT) as read:
        assert read.last_seq() == 1
        with store.write(TENANT, NOON) as write:
            write.append(readings(5, "later"))
            write.put_versions([put("x", 1)])
        assert (read.last_seq(), len(read.rows(0, 99)), read.current(["x"])) == (1, 1, {})
        assert read.rows_naming([("drain", "d1")], after=1) == []
    with store.read(TENANT) as read:
        assert (read.last_seq(), len(read.rows(0, 99)), len(read.current(["x"]))) == (6, 6, 1)


def test_a_reader_can_write_nothing(store: Store) -> None:
    with pytest.raises(StoreUnavailable), store.read(TENANT) as read:
        read._connection.exec_driver_sql("DELETE FROM tenants")


def test_writers_of_one_tenant_take_turns(store: Store) -> None:
    """Eight threads: seqs without a gap, and a later seq never has an earlier received_at."""

    def run(number: int) -> None:
        for turn in range(10):
            with store.write(TENANT, NOON - number * SECOND) as write:
                write.append(readings(2, prefix=f"{number}-{turn}-"))

    threads = [threading.Thread(target=run, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with store.read(TENANT) as read:
        rows = read.rows(0, 999)
    assert [one.seq for one in rows] == list(range(1, 161))
    assert [one.received_at for one in rows] == sorted(one.received_at for one in rows)
    assert len({one.received_at for one in rows}) == 80


def test_a_first_write_at_once_by_many(store: Store) -> None:
    """The tenant's row is made once, whoever comes first."""
    barrier = threading.Barrier(4)
    failures: list[BaseException] = []

    def run(number: int) -> None:
        barrier.wait()
        try:
            with store.write("new", NOON) as write:
                write.append(readings(1, prefix=str(number)))
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=run, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    with store.read("new") as read:
        assert [one.seq for one in read.rows(0, 9)] == [1, 2, 3, 4]


def test_rows_that_name_something(store: Store) -> None:
    records: list[Record] = [
        drain("d1"),
        collector("c1"),
        reading("r1"),
        reading("r2", drain="d2"),
        correction(),
        retraction(),
    ]
    with store.write(TENANT, NOON) as write:
        write.append([row(record) for record in records])
    with store.write(TENANT, NOON + SECOND) as write:
        write.append([row(reading("r3"))])
    slot = slot_tie(slot_of(reading("r1").key))
    with store.read(TENANT) as read:
        for names, want in (
            ([("drain", "d1")], [1, 3, 5, 7]),
            ([("drain", "d7")], [1]),
            ([("drain", "d1"), ("collector", "c1")], [1, 2, 3, 4, 5, 7]),
            ([slot], [5, 6]),
            ([("drain", "nobody")], []),
            ([], []),
        ):
            assert [one.seq for one in read.rows_naming(names)] == want
        assert [one.seq for one in read.rows_naming([("drain", "d1")], after=3)] == [5, 7]
        assert [one.seq for one in read.rows_naming([("drain", "d1")], until_received=NOON)] == [1, 3, 5]


def test_more_names_than_one_statement_takes(store: Store) -> None:
    with store.write(TENANT, NOON) as write:
        write.append([row(reading(f"r{n}", drain=f"d{n}")) for n in range(2500)])
    with store.read(TENANT) as read:
        found = read.rows_naming([("drain", f"d{n}") for n in range(2500)])
        assert [one.seq for one in found] == list(range(1, 2501))
        slots = [slot_of(one.key) for one in found]
        assert {slot: one.seq for slot, one in read.find(slots).items()} == dict(
            zip(slots, range(1, 2501), strict=True)
        )


def test_records_are_found_by_slot(store: Store) -> None:
    with store.write(TENANT, NOON) as write:
        write.append([row(record) for record in EVERY_KIND])
    slots = [slot_of(record.key) for record in EVERY_KIND]
    with store.read(TENANT) as read:
        found = read.find([*slots, Slot("other", "elsewhere", "r1"), Slot("drain", "", "none")])
        assert {slot: one.record for slot, one in found.items()} == dict(zip(slots, EVERY_KIND, strict=True))
        assert read.find([]) == {}


def test_drains_are_listed_by_code_point(store: Store) -> None:
    ids = ["a", "B", "ä", "Z-1", "b", "\U0001f9ea", "\uffee", "10", "9"]
    with store.write(TENANT, NOON) as write:
        write.append([row(drain(id_)) for id_ in ids])
        write.append([row(reading(drain="only-named"))])
    with store.read(TENANT) as read:
        assert read.drains("", 99) == sorted(ids)
        assert read.drains("B", 2) == ["Z-1", "a"]


def test_a_name_with_a_zero_byte_can_be_stored(store: Store) -> None:
    """A slot's name separates its parts by U+0000, which PostgreSQL's text refuses."""
    with store.write(TENANT, NOON) as write:
        write.append([row(retraction())])
    with store.database.read() as connection:
        names = list(connection.scalars(select(journal_names.c.name)))
    assert not any("\0" in name for name in names)


# Resource versions


def commit(store: Store, prefix: str, *rows: NewVersions) -> None:
    with store.write(TENANT, NOON) as write:
        write.append(readings(1, prefix))
        write.put_versions(rows)


def test_versions_of_an_id(store: Store) -> None:
    with store.write(TENANT, NOON) as write:
        write.append(readings(1, "a"))
        write.put_versions([put("x", 1, "level", "output", body=b"one"), put("y", 1)])
    with store.write(TENANT, NOON + SECOND) as write:
        write.append(readings(2, "b"))
        write.put_versions([put("x", 2, "output", body=b"two")])
    with store.read(TENANT) as read:
        first, second = read.history("x", with_bodies=True)
        assert (first.bodies, second.bodies) == ({"level": b"one", "output": b"one"}, {"output": b"two"})
        assert {name: (p.version, p.seq) for name, p in second.parts.items()} == {
            "level": (1, 1),
            "output": (2, 3),
        }
        assert second.written.keys() == {"output"}
        assert (second.received_at, second.patient, second.drain, second.at) == (
            NOON + SECOND,
            "p1",
            "d1",
            NOON,
        )
        current = read.current(["x", "y", "z"])
        assert {id_: version.seq for id_, version in current.items()} == {"x": 3, "y": 1}
        assert current["x"].bodies is None
        assert [version.id for version in read.written_at(1)] == ["x", "y"]
        assert [version.id for version in read.written_at(3)] == ["x"]
        assert read.written_at(2) == []


@pytest.mark.parametrize(
    ("name", "version", "want"),
    [
        ("level", None, (1, b"one", 1, NOON)),
        ("output", None, (2, b"two", 2, NOON + SECOND)),
        ("output", 1, (1, b"one", 1, NOON)),
        ("output", 2, (2, b"two", 2, NOON + SECOND)),
        ("output", 3, None),
        ("level", 2, None),
        ("none", None, None),
    ],
)
def test_one_version_of_one_resource(store: Store, name: str, version: int | None, want: object) -> None:
    with store.write(TENANT, NOON) as write:
        write.append(readings(1, "a"))
        write.put_versions([put("x", 1, "level", "output", body=b"one")])
    with store.write(TENANT, NOON + SECOND) as write:
        write.append(readings(1, "b"))
        write.put_versions([put("x", 2, "output", body=b"two")])
    with store.read(TENANT) as read:
        found = read.body("x", name, version)
        assert want == (found and (found.version, found.body, found.seq, found.received_at))
        assert found is None or found.digest == codec.digest_of(found.body)
        assert read.body("nobody", name, version) is None


@pytest.mark.parametrize("version", [0, 1, 3])
def test_a_version_is_the_one_after_the_last(store: Store, version: int) -> None:
    with store.write(TENANT, NOON) as write:
        write.append(readings(1, "a"))
        write.put_versions([put("x", 1)])
    with pytest.raises(VersionSkipped, match=rf"version {version} of a Observation.* next is 2"):
        commit(store, "b", put("x", version))


def test_a_first_version_is_one(store: Store) -> None:
    with pytest.raises(VersionSkipped):
        commit(store, "a", put("x", 2))


def test_versions_follow_each_other_within_a_commit(store: Store) -> None:
    with store.write(TENANT, NOON) as write:
        for turn in (1, 2, 3):
            write.append(readings(1, prefix=f"{turn}-"))
            write.put_versions([put("x", turn, body=str(turn).encode())])
    with store.read(TENANT) as read:
        bodies = [read.body("x", "level", turn) for turn in (1, 2, 3)]
        assert [body and body.body for body in bodies] == [b"1", b"2", b"3"]


def test_versions_belong_to_a_record(store: Store) -> None:
    """Nothing is ever added under a seq that a reader may have passed."""
    with store.write(TENANT, NOON) as write:
        write.append(readings(1))
        write.put_versions([put("x", 1)])
        with pytest.raises(SeqNotAdvanced):
            write.put_versions([put("x", 2)])
    for id_ in ("x", "y"):
        with pytest.raises(SeqNotAdvanced), store.write(TENANT, NOON) as write:
            write.put_versions([put(id_, 2 if id_ == "x" else 1)])
    with store.write(TENANT, NOON) as write:
        write.put_versions([])


# Held records, rules, outbox, audit


def test_held_records_keep_bytes_reasons_and_order(store: Store) -> None:
    lines = [b"{", b"\xff\x00", b"[]"]
    ids: list[str] = []
    for turn in range(2):
        with store.write(TENANT, NOON) as write:
            ids += write.hold([NewHeld("ward", raw, (PROBLEM,), "d1", f"r{turn}") for raw in lines])
    assert ids == sorted(ids)
    assert len(set(ids)) == 6
    with store.read(TENANT) as read:
        rows = read.held()
        assert [one.held_id for one in rows] == ids
        assert [one.raw for one in rows] == lines * 2
        assert {(one.source, one.problems, one.drain, one.state, one.replayed_as) for one in rows} == {
            ("ward", (PROBLEM,), "d1", "held", None)
        }
        assert [one.held_id for one in read.held(after=ids[1], limit=2)] == ids[2:4]
        assert read.held(drain="d2") == []
        assert (read.held_count("d1"), read.held_count("d2")) == (6, 0)
        assert read.held_one(ids[4]) == rows[4]
        assert read.held_one("nobody") is None


def test_held_ids_can_not_be_guessed(store: Store) -> None:
    with store.write(TENANT, NOON) as write:
        ids = write.hold([NewHeld("ward", b"", (PROBLEM,))] * 200)
    # The last 80 bits are the 16 last characters of 5 bits each.
    assert len({id_[-16:] for id_ in ids}) == 200
    assert all(id_.isalnum() and id_ == id_.lower() for id_ in ids)


def test_a_held_record_is_closed_once(store: Store) -> None:
    with store.write(TENANT, NOON) as write:
        one, two, three = write.hold([NewHeld("ward", b"%d" % n, (PROBLEM,), "d1") for n in range(3)])
        seq = write.append(readings(1))[0]
        write.set_held(one, "replayed", seq, by="key:k1")
        write.set_held(two, "discarded", reason="line noise", by="key:k2")
    for held_id, state in ((one, "replayed"), (two, "discarded")):
        with pytest.raises(HeldIsClosed, match=state), store.write(TENANT, NOON) as write:
            write.set_held(held_id, "discarded", reason="why", by="key:k1")
    for wrong in ("nobody", ""):
        with pytest.raises(UnknownHeld), store.write(TENANT, NOON) as write:
            write.set_held(wrong, "discarded", reason="why", by="key:k1")
    with pytest.raises(UnknownHeld), store.write("south", NOON) as write:
        write.set_held(three, "discarded", reason="why", by="key:k1")
    for state, because in (("discarded", None), ("replayed", "why")):
        with pytest.raises(ValueError, match="reason"), store.write(TENANT, NOON) as write:
            write.set_held(three, state, 1 if because else None, reason=because, by="key:k1")  # type: ignore[arg-type]  # of the table above
    with pytest.raises(ValueError, match="seq"), store.write(TENANT, NOON) as write:
        write.set_held(three, "replayed", by="key:k1")
    with store.read(TENANT) as read:
        assert [found.held_id for found in read.held()] == [three]
        assert [found.held_id for found in read.held(state="replayed")] == [one]
        assert [found.replayed_as for found in read.held(state=None)] == [seq, None, None]
        assert [(found.reason, found.closed_by) for found in read.held(state=None)] == [
            (None, "key:k1"),
            ("line noise", "key:k2"),
            (None, None),
        ]
        assert read.held_count("d1") == 1


def test_held_records_are_counted_as_of_an_instant(store: Store) -> None:
    with store.write(TENANT, NOON) as write:
        one, two, _ = write.hold([NewHeld("ward", b"%d" % n, (PROBLEM,), "d1") for n in range(3)])
    with store.write(TENANT, NOON + SECOND) as write:
        write.set_held(one, "replayed", write.append(readings(1))[0], by="key:k1")
    with store.write(TENANT, NOON + 2 * SECOND) as write:
        write.set_held(two, "discarded", reason="why", by="key:k1")
    with store.read(TENANT) as read:
        tick = timedelta(microseconds=1)
        counts = [read.held_count("d1", NOON + n * SECOND) for n in range(-1, 4)]
        assert counts == [0, 3, 2, 1, 1]
        assert read.held_count("d1", NOON + SECOND - tick) == 3
        assert read.held_count("d1") == 1


def test_bytes_that_were_held_are_known_again(store: Store) -> None:
    """What is held still goes before what became of the same bytes at another time."""
    raws = (b"x", b"x", b"y", b"z", b"z", b"x")
    with store.write(TENANT, NOON) as write:
        (seq,) = write.append(readings(1))
        gone, first, closed, lost, became, _ = write.hold([NewHeld("ward", raw, (PROBLEM,)) for raw in raws])
        for held_id in (gone, closed, lost):
            write.set_held(held_id, "discarded", reason="why", by="key:k1")
        write.set_held(became, "replayed", seq, by="key:k1")
    with store.read(TENANT) as read:
        found = read.held_as("ward", [b"x", b"y", b"z", b"w"])
        assert {raw: (one.held_id, one.state) for raw, one in found.items()} == {
            b"x": (first, "held"),
            b"y": (closed, "discarded"),
            b"z": (became, "replayed"),
        }
        assert read.held_as("other", [b"x"]) == {}


def test_a_clock_that_is_set_back_a_little_only_orders(store: Store) -> None:
    with store.write(TENANT, NOON) as write:
        write.append(readings(1, prefix="a"))
        last = write.received_at
    with store.write(TENANT, NOON - timedelta(minutes=10)) as write:
        write.append(readings(1, prefix="b"))
        assert write.received_at > last
        assert write.clock == NOON - timedelta(minutes=10)
    assert store.last_received_at() > last


def test_nothing_is_dated_in_a_time_to_come(store: Store) -> None:
    """One jump of the clock ahead must not date all that comes after it; what was read is noted all the same."""
    with store.write(TENANT, NOON + timedelta(days=3650)) as write:
        write.append(readings(1, prefix="a"))
    with (
        pytest.raises(ClockBehind, match="Set the clock of this machine right"),
        store.write(TENANT, NOON) as write,
    ):
        write.append(readings(1, prefix="b"))
    with pytest.raises(ClockBehind), store.write(TENANT, NOON) as write:
        write.hold([NewHeld("ward", b"x", (PROBLEM,))])
    with store.write(TENANT, NOON) as write:
        write.audit(access("r"))
    with store.write("other", NOON) as write:
        write.append(readings(1, prefix="b"))
    with store.read(TENANT) as read:
        assert len(read.rows(0, 10)) == 1
        assert read.held() == []
        assert len(read.audits(0, 10)) == 1


def test_a_version_of_the_rules_is_kept_once(store: Store) -> None:
    for turn in range(2):
        with store.write(TENANT, NOON) as write:
            write.put_mapping("v1", b"first")
            write.append(readings(2, prefix=f"{turn}-"))
            write.put_mapping("v2", b"second")
    with store.read(TENANT) as read:
        assert [(one.version, one.first_seq, one.content) for one in read.mappings()] == [
            ("v1", 1, b"first"),
            ("v2", 3, b"second"),
        ]
        assert (read.mapping("v1"), read.mapping("v3")) == (b"first", None)


def test_the_outbox_keeps_the_latest_want(store: Store) -> None:
    def queue(*wanted: int) -> None:
        with store.write(TENANT, NOON) as write:
            write.enqueue([NewDelivery("records", "x", "level", version) for version in wanted])

    def rows() -> list[tuple[object, ...]]:
        with store.database.read() as connection:
            columns = outbox.c
            query = select(columns.wanted, columns.sent, columns.state, columns.attempts)
            return [tuple(found) for found in connection.execute(query)]

    queue(1)
    assert rows() == [(1, 0, "due", 0)]
    queue(3, 2)
    assert rows() == [(3, 0, "due", 0)]
    with store.database.write() as connection:
        connection.execute(outbox.update().values(state="leased"))
    queue(4)
    assert rows() == [(4, 0, "leased", 0)]
    with store.database.write() as connection:
        connection.execute(outbox.update().values(state="parked"))
    queue(5)
    assert rows() == [(5, 0, "due", 0)]


def access(request_id: str) -> AuditRow:
    return AuditRow(
        at=NOON,
        principal="key:k1",
        action="read",
        method="GET",
        route="/v1/drains/{id}",
        outcome="200",
        request_id=request_id,
        patients=("p1", "p2"),
        drains=("d1",),
    )


def test_audit_rows_are_numbered(store: Store) -> None:
    for turn in range(3):
        with store.write(TENANT, NOON) as write:
            write.audit(access(f"{turn}a"), access(f"{turn}b"))
    with store.read(TENANT) as read:
        rows = read.audits(0, 99)
        assert [one.audit_seq for one in rows] == [1, 2, 3, 4, 5, 6]
        assert [one.request_id for one in read.audits(2, 2)] == ["1a", "1b"]
        assert (rows[0].patients, rows[0].drains, rows[0].at) == (("p1", "p2"), ("d1",), NOON)


def test_audit_alone_moves_no_clock(store: Store) -> None:
    with store.write(TENANT, NOON) as write:
        write.audit(access("x"))
    with store.write(TENANT, NOON - SECOND) as write:
        assert write.received_at == NOON - SECOND


def test_an_unreachable_database_is_told(new_url: Callable[[str], str], engine: str) -> None:
    url = (
        "postgresql://nobody@/none?host=/nonexistent"
        if engine == "postgresql"
        else "sqlite:////nonexistent/x/store.db"
    )
    store = Store.open(url, check_schema=False)
    with pytest.raises(StoreUnavailable, match="unavailable"), store.read(TENANT):
        pass
    store.close()


def test_instants_are_told_apart_by_a_microsecond() -> None:
    assert after(NOON) - NOON == timedelta(microseconds=1)


def test_a_part_is_compared_by_its_digest(store: Store) -> None:
    with store.write(TENANT, NOON) as write:
        write.append(readings(1))
        write.put_versions([put("x", 1, body=b"same")])
        entry = write.current(["x"])["x"].parts["level"]
    assert entry.digest == codec.digest_of(b"same") != codec.digest_of(b"other")
    assert isinstance(part(), NewPart)
