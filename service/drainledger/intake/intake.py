"""The one way in: requests that arrive together share a commit; what was answered is on disk (DESIGN 9)."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from datetime import datetime

from msgspec import Struct

from drainledger.domain.collectors import Rules
from drainledger.domain.quantities import Units
from drainledger.fhir import Renderer
from drainledger.intake.answers import Answer, Submission
from drainledger.intake.loading import Loaded
from drainledger.intake.writing import Commit
from drainledger.store.store import Store

#: Records in memory a tenant, beyond which the book is loaded anew as needed.
MOST_LOADED = 200_000
#: Submissions that may share a commit.
MOST_SHARED = 64


class Closed(Exception):
    """The service is stopping and takes no more."""


class _Waiting(Struct, eq=False):
    submission: Submission
    future: Future[Answer]


class Intake:
    """Takes submissions from any thread; one thread of its own writes them, a group at a time.

    `renderer` makes the renderer of a tenant. A failed commit leaves nothing behind, in the database or in memory.
    """

    def __init__(
        self,
        store: Store,
        rules: Rules,
        units: Units,
        *,
        renderer: Callable[[str], Renderer],
        clock: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._rules = rules
        self._units = units
        self._renderer = renderer
        self._clock = clock
        self._queue: queue.SimpleQueue[_Waiting | None] = queue.SimpleQueue()
        self._loaded: dict[str, Loaded] = {}
        self._closed = False
        self._gate = threading.Lock()
        self._thread = threading.Thread(target=self._work, name="intake", daemon=True)
        self._thread.start()

    def submit(self, submission: Submission) -> Future[Answer]:
        """The answer, once it is on disk. Raises Closed when the service is stopping."""
        future: Future[Answer] = Future()
        with self._gate:
            if self._closed:
                raise Closed
            self._queue.put(_Waiting(submission, future))
        return future

    def close(self) -> None:
        """Finishes what was submitted, and takes no more."""
        with self._gate:
            if self._closed:
                return
            self._closed = True
            self._queue.put(None)
        self._thread.join()

    def _work(self) -> None:
        while True:
            group, more = self._gather()
            by_tenant: dict[str, list[_Waiting]] = {}
            for waiting in group:
                by_tenant.setdefault(waiting.submission.tenant, []).append(waiting)
            for tenant, mine in by_tenant.items():
                self._commit(tenant, mine)
            if not more:
                return

    def _gather(self) -> tuple[list[_Waiting], bool]:
        """All that waits, up to a limit; and whether more may come."""
        first = self._queue.get()
        if first is None:
            return [], False
        group = [first]
        while len(group) < MOST_SHARED:
            try:
                found = self._queue.get_nowait()
            except queue.Empty:
                break
            if found is None:
                return group, False
            group.append(found)
        return group, True

    def _commit(self, tenant: str, group: Sequence[_Waiting]) -> None:
        try:
            answers = self._run(tenant, [waiting.submission for waiting in group])
        except Exception as fault:
            if len(group) == 1:
                group[0].future.set_exception(fault)
                return
            # One of them is at fault: each by itself, so that it costs the others nothing.
            for waiting in group:
                self._commit(tenant, [waiting])
            return
        for waiting, answered in zip(group, answers, strict=True):
            waiting.future.set_result(answered)

    def _run(self, tenant: str, group: Sequence[Submission]) -> list[Answer]:
        loaded = self._loaded.pop(tenant, None)
        if loaded is None or loaded.size > MOST_LOADED:
            loaded = Loaded(self._rules, self._renderer(tenant))
        with self._store.write(tenant, self._clock()) as write:
            answers = Commit(write, loaded, self._units).run(group)
        # Only now: after a fault, what is in memory is not what is on disk.
        self._loaded[tenant] = loaded
        return answers
