"""Whether the stored resources are those that the journal gives: all of it folded anew, and each compared.

`store/checking.py` says whether what was written is still there as it was; this says whether it was right.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from msgspec import Struct

from drainledger.domain.collectors import Rules
from drainledger.domain.naming import Tie
from drainledger.fhir import Renderer
from drainledger.fhir.restate import content, status_of, with_status
from drainledger.intake.difference import Difference
from drainledger.intake.loading import Loaded
from drainledger.intake.refolding import check_ids
from drainledger.store.codec import split_id
from drainledger.store.read import Read
from drainledger.store.rows import Part, VersionRow
from drainledger.store.store import Store

#: What a history may call otherwise than a fold from nothing does (FHIR.md 'Status').
_HISTORIES = frozenset({"final", "amended", "corrected", "preliminary"})
#: What no status says to be withdrawn: a Patient never is, a metric says so otherwise.
_WITHOUT_STATUS = frozenset({"Patient", "DeviceMetric"})
_AT_ONCE = 500


class Differing(Struct, frozen=True):
    """A resource that is not what the journal gives. It names no record: ids of sources may be anything."""

    reference: str
    what: str

    def __str__(self) -> str:
        return f"{self.reference} {self.what}"


def differing(store: Store, rules: Rules, renderer: Renderer, tenant: str) -> Iterator[Differing]:
    """One set of drains that share collectors at a time, each as of one state of the database; the service may go on
    writing. Takes about as long as writing it all did. Raises OtherIds."""
    with store.read(tenant) as read:
        until = read.last_seq()
    seen: set[Tie] = set()
    given: set[str] = set()
    for name in store.names(tenant):
        if name in seen:
            continue
        with store.read(tenant) as read:
            loaded = Loaded(rules, renderer)
            wanted = _by_id(loaded.fold_anew(read, [name]))
            check_ids(read, loaded)
            found = list(_compared(read, wanted))
        seen |= loaded.names
        given |= wanted.keys()
        yield from found
    yield from _beyond(store, tenant, given, until)


def _by_id(given: list[Difference]) -> dict[str, dict[str, Difference]]:
    found: dict[str, dict[str, Difference]] = {}
    for one in given:
        id_, part = split_id(one.shown.resource.id)
        found.setdefault(id_, {})[part] = one
    return found


def _compared(read: Read, wanted: dict[str, dict[str, Difference]]) -> Iterator[Differing]:
    known = read.current(wanted.keys())
    for id_, parts in wanted.items():
        row = known.get(id_)
        stored = {} if row is None else row.parts
        for part, one in parts.items():
            if part not in stored:
                yield Differing(one.shown.resource.reference, "is missing")
            elif not _same(read, id_, part, one):
                yield Differing(one.shown.resource.reference, "is not what the journal gives")
        if row is not None:
            yield from _standing(row, parts)


def _same(read: Read, id_: str, part: str, one: Difference) -> bool:
    stored = read.body(id_, part)
    return stored is not None and _plain(stored.body) == _plain(one.shown.resource.body)


def _plain(body: bytes) -> bytes:
    return content(with_status(body, "-") if status_of(body) in _HISTORIES else body)


def _beyond(store: Store, tenant: str, given: set[str], until: int) -> Iterator[Differing]:
    """What no drain and no collector gives must have been withdrawn; what was written meanwhile is left for another
    time."""
    after = ""
    while True:
        with store.read(tenant) as read:
            ids = read.ids(after, _AT_ONCE)
            rows = read.current([id_ for id_ in ids if id_ not in given])
        for row in rows.values():
            if row.seq <= until:
                yield from _standing(row, {})
        if len(ids) < _AT_ONCE:
            return
        after = ids[-1]


def _standing(row: VersionRow, given: Collection[str]) -> Iterator[Differing]:
    for part, stored in row.parts.items():
        if part not in given and not _withdrawn(stored):
            fhir_id = f"{row.id}.{part}" if part else row.id
            yield Differing(f"{stored.type}/{fhir_id}", "stands, and the journal does not give it")


def _withdrawn(stored: Part) -> bool:
    return stored.status == "entered-in-error" or stored.type in _WITHOUT_STATUS
