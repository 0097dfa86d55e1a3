"""Whose records are next: large submissions go in parts, so that a small one never waits for all of a large one."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator, Sequence
from concurrent.futures import Future
from typing import Final

from msgspec import Struct, field

from drainledger.intake.answers import Answer, Submission, Written
from drainledger.intake.taken import Taken

#: Records that one commit takes, unless a submission goes as a whole. A caller waits for one part of its own tenant,
#: and one of each other that has work.
PART: Final = 500
#: Submissions that may share a commit.
MOST_SHARED: Final = 64


class Job(Struct, eq=False):
    """A submission on its way: what of it is committed, and the versions that it gave, by the id that they share."""

    submission: Submission
    future: Future[Answer]
    taken: list[Taken] = field(default_factory=list)
    written: dict[str, dict[str, Written]] = field(default_factory=dict)

    @property
    def left(self) -> int:
        """How many of its records are not committed yet."""
        return len(self.submission.lines) - len(self.taken)


class Share(Struct, eq=False):
    """What one commit takes of a submission: its next `count` records."""

    job: Job
    count: int

    @property
    def lines(self) -> list[tuple[bytes, bytes]]:
        """Each as received, and the record of the contract that it is or was read as."""
        submission, done = self.job.submission, len(self.job.taken)
        place = slice(done, done + self.count)
        received = submission.lines[place]
        read_as = received if submission.read_as is None else submission.read_as[place]
        return list(zip(received, read_as, strict=True))

    @property
    def is_last(self) -> bool:
        return self.count == self.job.left


class Turns:
    """Submissions that wait, by tenant. Tenants take turns; within one, half of a part is for who has waited longest
    since its last turn, the rest for the shortest first. Not thread-safe: it has one owner."""

    def __init__(self) -> None:
        self._jobs: OrderedDict[str, list[Job]] = OrderedDict()

    def __bool__(self) -> bool:
        return bool(self._jobs)

    def __iter__(self) -> Iterator[Job]:
        return (job for jobs in self._jobs.values() for job in jobs)

    def add(self, job: Job) -> None:
        self._jobs.setdefault(job.submission.tenant, []).append(job)

    def remove(self, job: Job) -> None:
        """It has been answered."""
        jobs = self._jobs[job.submission.tenant]
        jobs.remove(job)
        if not jobs:
            del self._jobs[job.submission.tenant]

    def next(self) -> tuple[str, list[Share]]:
        """The tenant whose turn it is, and what its next commit takes; there must be something that waits."""
        tenant, jobs = next(iter(self._jobs.items()))
        self._jobs.move_to_end(tenant)
        shares = shared(jobs)
        jobs.append(jobs.pop(0))
        return tenant, shares


def shared(jobs: Sequence[Job]) -> list[Share]:
    """What one commit takes of these, which stand in the order in which they came or last had a turn."""
    first = jobs[0]
    shares = {0: Share(first, first.left if first.submission.whole else min(first.left, PART // 2))}
    room = max(0, PART - shares[0].count)
    for place, job in sorted(enumerate(jobs), key=lambda found: found[1].left):
        share = shares.get(place) or Share(job, 0)
        more = min(job.left - share.count, room)
        if place not in shares and (len(shares) == MOST_SHARED or (job.left and not more)):
            continue
        if job.submission.whole and share.count + more < job.left:
            continue  # it waits for a turn of its own, which takes all of it
        share.count += more
        room -= more
        shares[place] = share
    return [shares[place] for place in sorted(shares)]
