"""Generated journals in a running service, and all that it wrote of them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from drainledger.rest.scan import whole_id
from drainledger.store.store import Store
from tests.journals.books import line
from tests.journals.seeded import journal
from tests.web.http import Http, store_of

#: Records in a request: of some commits all is new, of others something is changed.
_AT_ONCE = 7


class Journals(NamedTuple):
    """`keys`: by tenant, one that may do everything."""

    http: Http
    keys: dict[str, str]


class Emitted(NamedTuple):
    """One version of one resource, as it was written."""

    type: str
    id: str
    version: int
    body: bytes

    def code_is(self, code: str) -> bool:
        """Whether it is an Observation of this local code."""
        return b'"code":"%s"' % code.encode() in self.body and self.type == "Observation"


def fill(http: Http, key: str, seed: int, size: int = 40) -> None:
    raws = journal(seed, size)
    for start in range(0, len(raws), _AT_ONCE):
        http.post(*map(line, raws[start : start + _AT_ONCE]), key=key)


def emitted(http: Http, tenant: str = "north") -> Iterator[Emitted]:
    """Every version of every stored resource, oldest first a resource."""
    return _emitted(store_of(http.app), tenant)


def _emitted(store: Store, tenant: str) -> Iterator[Emitted]:
    with store.read(tenant) as read:
        for id_ in read.ids("", 1_000_000):
            for row in read.history(id_, with_bodies=True):
                for part, body in (row.bodies or {}).items():
                    entry = row.parts[part]
                    yield Emitted(entry.type, whole_id(id_, part), entry.version, body)
