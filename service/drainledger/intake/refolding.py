"""`db refold --mapping`: what was journaled under other versions of the mappings, judged by those now in force
(DESIGN 4).

A commit for each set of drains that share collectors: it journals the act and writes the versions of what changes. One
that is cut off leaves what is committed, and running it again does the rest: what is judged by the version in force
already is passed over.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Generator
from datetime import datetime
from typing import Final

import msgspec
from msgspec import Struct

from drainledger.domain.collectors import Rules
from drainledger.domain.naming import Tie
from drainledger.domain.records import Key
from drainledger.domain.refolds import Refold
from drainledger.fhir import Renderer
from drainledger.intake.loading import Loaded, rules_content
from drainledger.intake.patients import audited_patients
from drainledger.intake.versions import write_versions
from drainledger.store.errors import StoreFault
from drainledger.store.read import Read
from drainledger.store.rows import AuditRow, NewRow
from drainledger.store.store import Store
from drainledger.store.write import Write

ROUTE: Final = "db refold --mapping"


class OtherIds(StoreFault):
    """The resources of a drain were made under other ids: with another patient secret or another base address."""

    def __str__(self) -> str:
        return (
            "the stored resources have other ids than these settings give: set DRAINLEDGER_PATIENT_SECRET and "
            "DRAINLEDGER_BASE as the service has them. Nothing was done with these drains."
        )


class Refolded(Struct, frozen=True, kw_only=True):
    """One commit: the drains and collectors judged anew, and how many resources of each (drain, kind) got a new
    version. A kind is a local code, or a resource type where there is none; drain "" holds collectors."""

    drains: tuple[str, ...]
    collectors: tuple[str, ...]
    changed: dict[tuple[str, str], int]


class _Undone(Exception):
    """A trial's transaction is rolled back."""


class Refolding:
    """One tenant's journal against `rules`."""

    def __init__(
        self,
        store: Store,
        rules: Rules,
        renderer: Renderer,
        *,
        tenant: str,
        principal: str,
        clock: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._rules = rules
        self._renderer = renderer
        self._tenant = tenant
        self._principal = principal
        self._clock = clock

    def run(self, *, dry_run: bool = False) -> Generator[Refolded, None, None]:
        """What each commit changed, once it is on disk; with `dry_run` what it would change, and nothing is written.
        Raises OtherIds."""
        seen: set[Tie] = set()
        for name in self._store.names(self._tenant):
            if name in seen:
                continue
            names, behind = self._tied(name)
            seen |= names
            if not behind:
                continue
            refolded = self._try(name) if dry_run else self._commit(name)
            if refolded is not None:
                yield refolded

    def _tied(self, name: Tie) -> tuple[frozenset[Tie], bool]:
        """All that is tied to a name, and whether any of it is judged by another version. Holds nobody up."""
        with self._store.read(self._tenant) as read:
            loaded = self._loaded()
            loaded.ensure(read, [name])
        return loaded.names, bool(loaded.judgements.others_than(self._rules.version))

    def _loaded(self) -> Loaded:
        return Loaded(self._rules, self._renderer)

    def _try(self, name: Tie) -> Refolded | None:
        found: list[Refolded | None] = []
        try:
            with self._store.write(self._tenant, self._clock()) as write:
                found.append(self._refold(write, name))
                raise _Undone
        except _Undone:
            return found[0]

    def _commit(self, name: Tie) -> Refolded | None:
        with self._store.write(self._tenant, self._clock()) as write:
            return self._refold(write, name)

    def _refold(self, write: Write, name: Tie) -> Refolded | None:
        loaded = self._loaded()
        loaded.ensure(write, [name])
        behind = loaded.judgements.others_than(self._rules.version)
        if not behind:
            return None  # another process was here first
        check_ids(write, loaded)
        act = _refold_of(loaded.names, write.seq + 1)
        write.put_mapping(self._rules.version, rules_content(self._rules))
        write.append([self._row(act)])
        for key in behind:
            loaded.book.judge(key, self._rules)
        differences = loaded.rendered.differences(loaded.book.refold())
        written = write_versions(write, loaded.rendered, differences)
        write.audit(self._audited(write, act))
        references = {one.reference for many in written.values() for one in many}
        changed = Counter(
            (d.shown.drain or "", d.shown.resource.code or d.shown.resource.type)
            for d in differences
            if d.shown.resource.reference in references
        )
        return Refolded(drains=act.drains, collectors=act.collectors, changed=dict(changed))

    def _row(self, act: Refold) -> NewRow:
        return NewRow(
            source="",
            record=act,
            raw=msgspec.json.encode({"refold": act, "version": self._rules.version}),
            rules_version=self._rules.version,
            principal=self._principal,
        )

    def _audited(self, write: Write, act: Refold) -> AuditRow:
        return AuditRow(
            at=write.received_at,
            principal=self._principal,
            action="refold",
            method="CLI",
            route=ROUTE,
            outcome=f"judged by {self._rules.version}",
            request_id=f"refold-{act.key.id}",
            patients=audited_patients(write, self._renderer, act.drains),
            drains=act.drains,
        )


def check_ids(read: Read, loaded: Loaded) -> None:
    """With other settings every resource would be made again under another id, beside the one that there is. Raises
    OtherIds."""
    patients = {loaded.rendered.patient_of(id_) for kind, id_ in loaded.names if kind == "drain"} - {None}
    if read.current([each for each in patients if each is not None]).keys() != patients:
        raise OtherIds


def _refold_of(names: frozenset[Tie], seq: int) -> Refold:
    return Refold(
        key=Key("refold", "", str(seq)),
        drains=tuple(sorted(name for kind, name in names if kind == "drain")),
        collectors=tuple(sorted(name for kind, name in names if kind == "collector")),
    )
