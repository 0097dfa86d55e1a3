"""Every access to patient data leaves a row before it is answered (DESIGN 9, 10); those of a moment share a commit."""

from __future__ import annotations

import asyncio
import queue
import threading
from collections.abc import AsyncIterator, Callable, Collection, Mapping, Sequence
from concurrent.futures import Future
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import datetime

from msgspec.structs import replace
from starlette.requests import Request

from drainledger.intake.folds import TooManyReads
from drainledger.store.errors import ClockBehind, StoreFault
from drainledger.store.read import Read
from drainledger.store.rows import AuditRow
from drainledger.store.store import Store
from drainledger.web import logs
from drainledger.web.auth.principal import Principal
from drainledger.web.problems import Refusal
from drainledger.web.routes import template_of

_MOST_SHARED = 500


#: Drain -> the id of its Patient, of the drains that are known.
PatientsOf = Callable[[Read, Collection[str]], Mapping[str, str]]


@dataclass(slots=True)
class Access:
    """One access, to be filled in by the route: the drains touched, and the status of the answer. The Patients of those
    drains are named with them; `patients` are ids of others that were touched."""

    drains: set[str] = field(default_factory=set)
    patients: set[str] = field(default_factory=set)
    outcome: int = 200


class Audit:
    """Writes rows from any thread; one thread of its own commits them, many at a time. What intake takes in has its row
    in the same commit, and none here. `patients` tells the ids of the Patients of drains."""

    def __init__(self, store: Store, clock: Callable[[], datetime], patients: PatientsOf) -> None:
        self._store, self._clock, self._patients = store, clock, patients
        self._queue: queue.SimpleQueue[tuple[str, AuditRow, Future[None]] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="audit", daemon=True)
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether rows are written; nothing that is read is answered without."""
        return self._thread.is_alive()

    @asynccontextmanager
    async def access(self, request: Request, principal: Principal, action: str) -> AsyncIterator[Access]:
        """Around a route's work; at its end the row is on disk, also where the work ends in a refusal or
        a fault; if after a fault it can't be written either, the log says that it is missing.

        `action`: read (one drain's data, or a resource), search (a list), trace, operate (held records); of FHIR also
        history, operation and export.
        """
        access = Access()
        try:
            yield access
        except Refusal as refusal:
            access.outcome = refusal.status
            await self.note(request, principal, action, access)
            raise
        except Exception as fault:
            access.outcome = _status_of(fault)
            await self._try_to_note(request, principal, action, access)
            raise
        await self.note(request, principal, action, access)

    async def _try_to_note(self, request: Request, principal: Principal, action: str, access: Access) -> None:
        try:
            await self.note(request, principal, action, access)
        except Exception as fault:  # the first fault is the one to be answered
            logs.logger().error(
                "no audit row",
                request=request.state.request,
                principal=principal.name,
                action=action,
                route=route_of(request),
                outcome=access.outcome,
                **logs.told(fault),
            )

    async def note(self, request: Request, principal: Principal, action: str, access: Access) -> None:
        """One row, on disk when this returns."""
        row = AuditRow(
            at=self._clock(),
            principal=principal.name,
            action=action,
            method=getattr(request.state, "asked_as", request.method),
            route=route_of(request),
            outcome=str(access.outcome),
            request_id=request.state.request,
            patients=tuple(access.patients),
            drains=tuple(sorted(access.drains)),
        )
        written: Future[None] = Future()
        self._queue.put((principal.tenant, row, written))
        await asyncio.wrap_future(written)

    def close(self) -> None:
        """Writes what waits, and ends."""
        self._queue.put(None)
        self._thread.join()

    def _work(self) -> None:
        more = True
        while more:
            waiting, more = self._gather()
            by_tenant: dict[str, list[tuple[AuditRow, Future[None]]]] = {}
            for tenant, row, written in waiting:
                by_tenant.setdefault(tenant, []).append((row, written))
            for tenant, rows in by_tenant.items():
                self._commit(tenant, rows)

    def _gather(self) -> tuple[list[tuple[str, AuditRow, Future[None]]], bool]:
        waiting = []
        found = self._queue.get()
        while found is not None:
            waiting.append(found)
            if len(waiting) == _MOST_SHARED or self._queue.empty():
                return waiting, True
            found = self._queue.get()
        return waiting, False

    def _commit(self, tenant: str, rows: Sequence[tuple[AuditRow, Future[None]]]) -> None:
        try:
            with self._store.write(tenant, self._clock()) as write:
                known = self._patients(write, {drain for row, _ in rows for drain in row.drains})
                write.audit(*(_named(row, known) for row, _ in rows))
        except BaseException as fault:  # told to each caller: without its row nothing is answered
            for _, written in rows:
                if written.set_running_or_notify_cancel():
                    written.set_exception(fault)
            return
        for _, written in rows:
            if written.set_running_or_notify_cancel():
                written.set_result(None)


def _status_of(fault: Exception) -> int:
    """What drainledger.web.app answers to it."""
    if isinstance(fault, TooManyReads):
        return 429
    return 503 if isinstance(fault, (StoreFault, ClockBehind)) else 500


def _named(row: AuditRow, known: Mapping[str, str]) -> AuditRow:
    """The row with the Patients of its drains."""
    patients = {*row.patients, *(known[drain] for drain in row.drains if drain in known)}
    return replace(row, patients=tuple(sorted(patients)))


def route_of(request: Request) -> str:
    """The template of the route, never the path: that can name a drain."""
    return template_of(request.scope)
