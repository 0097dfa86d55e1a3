"""Messages as FHIR transactions, one a line (R4 bundle.html, http.html#transaction): in the order given, nothing refers
to what no earlier transaction has brought."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from drainledger.fhir import Resource, bundle

#: A literal reference in a rendered body. Inside a JSON string its quotes would be escaped, so it can't match there.
_REFERENCE = re.compile(rb'"reference":"([A-Za-z]+/[A-Za-z0-9.-]+)"')


def transactions(messages: Iterable[list[Resource]], base: str) -> Iterator[bytes]:
    """One Bundle a line for each message that has something to bring."""
    for message in resolvable(messages):
        yield b"".join(bundle("transaction", message, base=base)) + b"\n"


def resolvable(messages: Iterable[list[Resource]]) -> Iterator[list[Resource]]:
    """The same resources; one that refers to a later message's (a suspected misreading is known by the reading after
    it) comes with that message instead, and what refers to it likewise."""
    sent: set[str] = set()
    waiting: list[Resource] = []
    for message in messages:
        ready, waiting = _settled([*message, *waiting], sent)
        if ready:
            sent.update(resource.reference for resource in ready)
            yield ready
    if waiting:
        yield waiting


def _settled(resources: list[Resource], sent: set[str]) -> tuple[list[Resource], list[Resource]]:
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
