"""The one way in: requests that arrive together share a commit; what was answered is on disk (DESIGN 9)."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future, InvalidStateError
from contextlib import suppress
from datetime import datetime

from drainledger.domain.collectors import Rules
from drainledger.domain.quantities import Units
from drainledger.fhir import Renderer
from drainledger.intake.answers import Answer, Submission
from drainledger.intake.loading import Loaded
from drainledger.intake.turns import Job, Share, Turns
from drainledger.intake.writing import Commit, Committed
from drainledger.store.store import Store

#: Records in memory a tenant, beyond which the book is loaded anew as needed.
MOST_LOADED = 200_000
#: How long a cut waits for the commit that is begun, s. Whoever sent it has not been told that it was taken.
LAST_SECONDS = 2
#: Between two parts, s.
BREATH = 0.02

_log = logging.getLogger(__name__)


class Closed(Exception):
    """The service is stopping and takes no more; nothing of this submission was taken."""


class PartlyTaken(Exception):
    """A submission was cut off after some of its parts had been committed. Sent again, those are duplicates.

    `taken` of its `records` are on disk; `stopped`: because the service stops, and not for a fault, which is the cause.
    """

    def __init__(self, taken: int, records: int, *, stopped: bool) -> None:
        super().__init__(taken, records)
        self.taken, self.records, self.stopped = taken, records, stopped


class Intake:
    """Takes submissions from any thread; one thread of its own writes them, a part of a group at a time.

    `rules` and `units` are those in force, `renderer` makes the renderer of a tenant. A failed commit leaves nothing
    behind, in the database or in memory. A future that is cancelled stops nothing: its submission is committed all the
    same.
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
        self.rules = rules
        self.units = units
        self._renderer = renderer
        self._clock = clock
        self._queue: queue.SimpleQueue[Job | None] = queue.SimpleQueue()
        self._turns = Turns()
        self._loaded: dict[str, Loaded] = {}
        self._closed = False
        self._cut = False
        self._gate = threading.Lock()
        self._thread = threading.Thread(target=self._work, name="intake", daemon=True)
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether anything that is submitted will be written."""
        return self._thread.is_alive()

    def submit(self, submission: Submission) -> Future[Answer]:
        """The answer, once all of it is on disk. Raises Closed when the service is stopping. The future may raise
        Closed or PartlyTaken where the intake was cut off, PartlyTaken or what went wrong where it failed."""
        job = Job(submission, Future())
        with self._gate:
            if self._closed:
                raise Closed
            self._queue.put(job)
        return job.future

    def cut(self) -> None:
        """Takes no more, and gives up what waits; what is being committed is finished. Returns at once."""
        self._cut = True
        self._end()

    def close(self) -> None:
        """Takes no more, and finishes what was submitted; where it was cut off, only what it is at, if that is soon."""
        self._end()
        self._thread.join(LAST_SECONDS if self._cut else None)

    def _end(self) -> None:
        with self._gate:
            if not self._closed:
                self._closed = True
                self._queue.put(None)

    # The thread

    def _work(self) -> None:
        more = True
        while more or self._turns:
            try:
                if more:
                    more = self._receive(wait=not self._turns)
                self._turn()
                if self._turns:
                    # Whoever waits for the database (the audit trail, another process) would else find it taken again.
                    time.sleep(BREATH)
            except (
                BaseException
            ) as fault:  # nothing but close() ends this thread: who submits would wait for good
                _log.exception("the intake goes on after a fault")
                self._give_up(fault)

    def _receive(self, *, wait: bool) -> bool:
        """Takes in all that has been submitted, waiting for the first where `wait`; whether more may come."""
        while True:
            try:
                job = self._queue.get(block=wait)
            except queue.Empty:
                return True
            if job is None:
                return False
            self._turns.add(job)
            wait = False

    def _turn(self) -> None:
        if self._cut:
            for job in list(self._turns):
                self._fail(job, Closed(), stopped=True)
        elif self._turns:
            tenant, shares = self._turns.next()
            self._commit(tenant, shares)

    def _give_up(self, fault: BaseException) -> None:
        """Tells all who wait that it is not known what was taken, and starts afresh."""
        jobs, self._turns = list(self._turns), Turns()
        self._loaded.clear()
        for job in jobs:
            with suppress(InvalidStateError):  # answered or given up by its caller
                job.future.set_exception(fault)

    def _commit(self, tenant: str, shares: Sequence[Share]) -> None:
        try:
            made = self._run(tenant, shares)
        except BaseException as fault:
            if len(shares) == 1:
                self._fail(shares[0].job, fault)
                return
            # One of them is at fault: each by itself, so that it costs the others nothing.
            for share in shares:
                if not self._cut:
                    self._commit(tenant, [share])
            return
        for share, committed in zip(shares, made, strict=True):
            self._took(share.job, committed)

    def _run(self, tenant: str, shares: Sequence[Share]) -> list[Committed]:
        loaded = self._loaded.pop(tenant, None)
        if loaded is None or loaded.size > MOST_LOADED:
            loaded = Loaded(self.rules, self._renderer(tenant))
        with self._store.write(tenant, self._clock()) as write:
            made = Commit(write, loaded, self.units).run(shares)
        # Only now: after a fault, what is in memory is not what is on disk.
        self._loaded[tenant] = loaded
        return made

    def _took(self, job: Job, committed: Committed) -> None:
        if committed.nothing is not None:
            self._fail(job, committed.nothing)
            return
        job.taken += committed.taken
        job.written = committed.written
        if committed.answer is not None:
            self._turns.remove(job)
            if job.future.set_running_or_notify_cancel():
                job.future.set_result(committed.answer)

    def _fail(self, job: Job, fault: BaseException, *, stopped: bool = False) -> None:
        self._turns.remove(job)
        if job.taken:
            told: BaseException = PartlyTaken(len(job.taken), len(job.submission.lines), stopped=stopped)
            told.__cause__ = fault
        else:
            told = fault
        if job.future.set_running_or_notify_cancel():
            job.future.set_exception(told)
