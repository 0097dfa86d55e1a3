"""Messages as FHIR transactions, one a line (R4 bundle.html, http.html#transaction): in the order given, nothing refers
to what no earlier transaction has brought."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from drainledger.fhir import Resource, bundle

#: A literal reference in a rendered body. Inside a JSON string its quotes would be escaped, so it can't match there.
_REFERENCE = re.compile(rb'"reference":"([A-Za-z]+/[A-Za-z0-9.-]+)"')


def transactions(
    messages: Iterable[list[Resource]], base: str, remember: int | None = None
) -> Iterator[bytes]:
    """One Bundle a line for each message that has something to bring; `remember` as in `resolvable`."""
    for message in resolvable(messages, remember):
        yield b"".join(bundle("transaction", message, base=base)) + b"\n"


def resolvable(messages: Iterable[list[Resource]], remember: int | None = None) -> Iterator[list[Resource]]:
    """The same resources; one that refers to a later message's (a suspected misreading is known by the reading after
    it) comes with that message instead, and what refers to it likewise.

    `remember` is how many resources it keeps in mind as sent, None for all. What refers to one further back comes with
    the last transaction.
    """
    sent = _Sent(remember)
    waiting: list[Resource] = []
    for message in messages:
        ready, waiting = _settled([*message, *waiting], sent)
        if ready:
            sent.add(resource.reference for resource in ready)
            yield ready
    if waiting:
        yield waiting


class _Sent:
    """The references sent, the latest `limit` at least; twice as many at most."""

    def __init__(self, limit: int | None) -> None:
        self._limit = limit
        self._recent: set[str] = set()
        self._earlier: set[str] = set()

    def add(self, references: Iterable[str]) -> None:
        self._recent.update(references)
        if self._limit is not None and len(self._recent) >= self._limit:
            self._earlier, self._recent = self._recent, set()

    def __contains__(self, reference: str) -> bool:
        return reference in self._recent or reference in self._earlier


def _settled(resources: list[Resource], sent: _Sent) -> tuple[list[Resource], list[Resource]]:
    """(what refers only to what is sent or goes along, the rest)."""
    rest: list[Resource] = []
    going = {resource.reference for resource in resources}
    while True:
        stuck = [
            resource
            for resource in resources
            if not all(target in sent or target in going for target in references(resource))
        ]
        if not stuck:
            return resources, rest
        rest.extend(stuck)
        going -= {resource.reference for resource in stuck}
        resources = [resource for resource in resources if resource.reference in going]


def references(resource: Resource) -> set[str]:
    """The relative literal references (`Type/id`) in a resource."""
    return {found.decode() for found in _REFERENCE.findall(resource.body)}
