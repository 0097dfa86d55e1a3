"""An intake over a database of its own, and what it has written."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

from drainledger.convert.settings import BASE
from drainledger.domain.collectors import Rules
from drainledger.fhir import Renderer
from drainledger.intake.answers import Answer, Submission
from drainledger.intake.intake import Intake
from drainledger.store.codec import split_id
from drainledger.store.migrations import upgrade
from drainledger.store.store import Store
from tests.journals.books import line, mappings
from tests.journals.raw import Raw

TENANT = "t"
Resource = dict[str, Any]


class Clock:
    """Moves on by a second at each look."""

    def __init__(self, start: datetime = datetime(2026, 12, 1, tzinfo=UTC)) -> None:
        self.now = start

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


def renderer_of(tenant: str) -> Renderer:
    return Renderer(mappings().codes, base=BASE, tenant=tenant, patient_secret=b"")


def new_intake(store: Store, rules: Rules | None = None, clock: Clock | None = None) -> Intake:
    shipped = mappings()
    return Intake(store, rules or shipped.rules, shipped.units, renderer=renderer_of, clock=clock or Clock())


@contextmanager
def running(url: str) -> Iterator[tuple[Store, Intake]]:
    """A fresh database with an intake over it."""
    upgrade(url)
    store = Store.open(url)
    intake = new_intake(store)
    try:
        yield store, intake
    finally:
        intake.close()
        store.close()


def sqlite_url(folder: Path) -> str:
    return f"sqlite:///{folder / 'journal.db'}"


def send(
    intake: Intake,
    *raws: Raw | bytes,
    source: str = "ward",
    tenant: str = TENANT,
    replays: str | None = None,
) -> Answer:
    lines = tuple(raw if isinstance(raw, bytes) else line(raw) for raw in raws)
    submission = Submission(
        tenant=tenant, source=source, lines=lines, principal="test", request_id="r", replays=replays
    )
    return intake.submit(submission).result(timeout=60)


def latest(store: Store, tenant: str = TENANT) -> dict[str, Resource]:
    """The latest version of every resource, by `Type/id`, with `versionId` as a field of its own."""
    found: dict[str, Resource] = {}
    with store.read(tenant) as read:
        for seq in [row.seq for row in read.rows(0, 1_000_000)]:
            for row in read.written_at(seq, with_bodies=True):
                for part, body in (row.bodies or {}).items():
                    resource = json.loads(body, parse_float=Decimal, parse_int=Decimal)
                    reference = f"{resource['resourceType']}/{resource['id']}"
                    found[reference] = resource | {"versionId": row.parts[part].version}
    return found


def histories(store: Store, references: Sequence[str], tenant: str = TENANT) -> dict[str, list[str]]:
    """The statuses of the versions of resources, oldest first."""
    found: dict[str, list[str]] = {}
    with store.read(tenant) as read:
        for reference in references:
            id_, part = split_id(reference.split("/")[1])
            statuses = [row.parts[part].status for row in read.history(id_) if part in row.written]
            found[reference] = statuses
    return found
