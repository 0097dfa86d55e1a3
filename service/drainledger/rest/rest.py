"""All that FHIR interactions read from, put together once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from drainledger.fhir import Renderer
from drainledger.rest.repository import STORED, Repository, VersionsSource
from drainledger.rest.stored import Source
from drainledger.store.store import Store


class Rest:
    """`renderer` makes the renderer of a tenant; `sources` has one for each type of which there are instances, by R4's
    name."""

    def __init__(self, store: Store, renderer: Callable[[str], Renderer]) -> None:
        self.store: Final = store
        self.renderer: Final = renderer
        versions = VersionsSource()
        self.sources: Final[Mapping[str, Source]] = dict.fromkeys(STORED, versions)
        self.repository: Final = Repository(self.sources)
