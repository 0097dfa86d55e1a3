"""What a submission is answered (DESIGN 3 'Answer')."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Literal

from msgspec import Struct

from drainledger.domain.problems import Problem

Status = Literal["accepted", "duplicate", "waiting", "held", "set-aside"]
HeldAs = Literal["held", "discarded"]


class Submission(Struct, frozen=True, kw_only=True):
    """Raw records of one source, one `lines` item each, with who sent them and under which request. `replays` names the
    held record that the one line is to take the place of. `read_as`: where the lines are of another format, the record
    of the contract that each was read as; None where they are of it. `whole`: all of them or none, in one commit."""

    tenant: str
    source: str
    lines: tuple[bytes, ...]
    principal: str
    request_id: str
    method: str = "POST"
    route: str = "/v1/records"
    replays: str | None = None
    read_as: tuple[bytes, ...] | None = None
    whole: bool = False


class FindingView(Struct, frozen=True, kw_only=True):
    """A finding about the record, in the sentence of the ledger."""

    code: str
    issue: bool
    at: datetime
    text: str


class Written(Struct, frozen=True):
    """A version of a resource that the commit wrote: `Type/id` and its number."""

    reference: str
    version: int
    status: str


class Result(Struct, frozen=True, kw_only=True):
    """What became of one record. `resources` are the versions that it gave; where it was sent alone, also those that
    it changed of others. `held_id` names a held one under /v1/held; `held_as` is `discarded` where the same bytes were
    held and given up before: they are not held anew."""

    id: str | None
    record: str | None
    status: Status
    findings: tuple[FindingView, ...] = ()
    resources: tuple[Written, ...] = ()
    problems: tuple[Problem, ...] = ()
    held_id: str | None = None
    held_as: HeldAs | None = None


class NothingTaken(Exception):
    """A submission that was to be taken as a whole, of which some can't be: none is, and none is held. `problems` of
    those that can't be, by their place in it."""

    def __init__(self, problems: Mapping[int, tuple[Problem, ...]]) -> None:
        super().__init__(len(problems))
        self.problems = problems


class Answer(Struct, frozen=True, kw_only=True):
    """Counts and results, in the order of the request. Set aside counts as accepted: it is in the journal."""

    accepted: int
    duplicates: int
    waiting: int
    held: int
    results: tuple[Result, ...]


def answer(results: tuple[Result, ...]) -> Answer:
    """The answer that holds these results."""

    def count(*statuses: Status) -> int:
        return sum(result.status in statuses for result in results)

    return Answer(
        accepted=count("accepted", "set-aside"),
        duplicates=count("duplicate"),
        waiting=count("waiting"),
        held=count("held"),
        results=results,
    )
