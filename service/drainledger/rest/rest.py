"""All that FHIR interactions read from, put together once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from drainledger.fhir import Renderer
from drainledger.rest.adapter import WithAdapter, adapter_of
from drainledger.rest.audit_event import AuditEvents
from drainledger.rest.engine import Engine
from drainledger.rest.provenance import Provenances
from drainledger.rest.repository import STORED, Repository
from drainledger.rest.scan import VersionsSource
from drainledger.rest.stored import Source
from drainledger.store.store import Store


class Rest:
    """`renderer` makes the renderer of a tenant; `sources` has one for each type of which there are instances, by R4's
    name."""

    def __init__(self, store: Store, renderer: Callable[[str], Renderer]) -> None:
        self.store: Final = store
        self.renderer: Final = renderer
        versions = VersionsSource()
        self.sources: Final[Mapping[str, Source]] = {
            **dict.fromkeys(sorted(STORED), versions),
            "Device": WithAdapter(versions, renderer),
            "Provenance": Provenances(renderer),
            "AuditEvent": AuditEvents(renderer),
        }
        self.search: Final = Engine(store, self.sources)
        self.repository: Final = Repository(
            self.sources, lambda read: adapter_of(renderer(read.tenant), read)
        )
