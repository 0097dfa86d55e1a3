"""What routes share: work in threads, views that are not there, submissions that wait for their commit."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import datetime
from typing import TypeVar

from starlette.concurrency import run_in_threadpool

from drainledger.domain.entries import DrainLedger
from drainledger.intake.answers import Answer, Submission
from drainledger.intake.intake import Closed, PartlyTaken
from drainledger.web import logs
from drainledger.web.problems import Refusal, retry_after
from drainledger.web.service import Service

T = TypeVar("T")


async def in_thread(work: Callable[[], T]) -> T:
    """The store is synchronous: it is asked from a worker thread."""
    return await run_in_threadpool(work)


async def ledger_of(
    service: Service, tenant: str, drain: str, known_at: datetime | None = None
) -> tuple[DrainLedger, str]:
    """Raises Refusal `not-found`; another tenant's drain is as unknown as one that nobody has."""
    found = await in_thread(lambda: service.views.ledger(tenant, drain, known_at=known_at))
    if found is None:
        raise no_such_drain()
    return found


def no_such_drain() -> Refusal:
    return Refusal(
        "not-found",
        "No drain of this id is known here, or none was known then. A drain is known once its drain record has come; "
        "records that name it wait until then.",
    )


async def submitted(service: Service, submission: Submission) -> Answer:
    """The answer, once it is on disk. Raises Refusal `stopping` or `partly-taken`, and what the commit raises."""
    try:
        future = service.intake.submit(submission)
        # Shielded: what was let in is written, also where nobody waits for the answer any more.
        answer = await asyncio.shield(asyncio.wrap_future(future))
    except Closed:
        raise Refusal(
            "stopping",
            "Nothing of this request was taken: send it again, to another instance or a little later.",
            headers=retry_after(5),
        ) from None
    except PartlyTaken as cut:
        raise _cut_off(submission, cut) from cut
    for result in answer.results:
        service.metrics.records(result.status, 1)
    return answer


def _cut_off(submission: Submission, cut: PartlyTaken) -> Refusal:
    if cut.__cause__ is not None and not cut.stopped:
        logs.logger().error("store", request=submission.request_id, **logs.told(cut.__cause__))
    return Refusal(
        "partly-taken",
        f"At least {cut.taken} of the {cut.records} records are taken, and on disk. Send all of them again: those that "
        "were taken are duplicates.",
        headers=retry_after(5 if cut.stopped else 2),
    )


def status_of(answer: Answer) -> int:
    """DESIGN 3 'Answer': 200 when none is held, 207 when some are, 422 when all are."""
    if answer.held == 0:
        return 200
    return 422 if answer.held == len(answer.results) else 207
