"""A store with something in every table, and the writers that go on while it is copied."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

from drainledger.domain.problems import Problem
from drainledger.store import clients, exports, keys
from drainledger.store.rows import AuditRow, NewDelivery, NewHeld
from drainledger.store.store import Store
from tests.store.samples import EVERY_KIND, NOON, TENANT, put, readings, row


def fill(store: Store, tenant: str = TENANT) -> None:
    """Every table has rows of the tenant."""
    with store.write(tenant, NOON) as write:
        write.put_mapping("v1", b"{}")
        write.append([row(record) for record in EVERY_KIND])
        write.put_versions([put("x", 1, "level", "output"), put("y", 1)])
        one, two, _ = write.hold(
            [NewHeld("ward", b"%d" % n, (Problem("bad-json", "", "t"),), "d1") for n in range(3)]
        )
        write.set_held(one, "replayed", 1, by="key:k1")
        write.set_held(two, "discarded", reason="a test", by="key:k1")
        write.enqueue([NewDelivery("records", "x", "level", 1)])
        write.audit(access("a"), access("b"))
    with store.write(tenant, NOON) as write:
        write.append(readings(1, "later"))
        write.put_versions([put("x", 2, body=b"changed")])
    keys.create(store, tenant, source="ward", scopes=["read"], now=NOON)
    program = clients.create(
        store, tenant, name="a", jwks=b"{}", jwks_url=None, scopes=["system/*.rs"], now=NOON
    )
    assert clients.use_assertion(store, program, "j", expires_at=NOON + timedelta(minutes=5), now=NOON)
    exports.add(store, exports.new(tenant, "client:a", b"ordered", horizon=1, as_of=NOON, now=NOON), most=1)


def access(request_id: str) -> AuditRow:
    return AuditRow(
        at=NOON,
        principal="key:k1",
        action="read",
        method="GET",
        route="/v1/drains",
        outcome="200",
        request_id=request_id,
        drains=("d1",),
    )


@contextmanager
def writing(store: Store, at_least: int = 3) -> Iterator[list[int]]:
    """Another thread commits for as long as the block lasts, and has committed before it begins; its commits so far."""
    done, started = threading.Event(), threading.Event()
    commits = [0]

    def run() -> None:
        while not done.is_set():
            number = commits[0] + 1
            with store.write(TENANT, NOON + timedelta(seconds=number)) as write:
                write.put_mapping("v1", b"{}")
                write.append(readings(3, prefix=f"w{number}-"))
                write.put_versions([put(f"w{number}", 1, "a", "b"), put("turn", number)])
                write.audit(access(str(number)))
            commits[0] = number
            if number >= at_least:
                started.set()

    thread = threading.Thread(target=run)
    thread.start()
    try:
        assert started.wait(30)
        yield commits
    finally:
        done.set()
        thread.join()
