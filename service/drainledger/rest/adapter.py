"""The Device of this software, which Provenances and DetectedIssues name: one for a whole tenant, stored nowhere.

Its version follows from the release, so that a later release reads as a later version.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator
from typing import Final

import drainledger
from drainledger.fhir import Renderer
from drainledger.rest.stored import Position, Source, Stored, Wanted
from drainledger.store.read import Read

_NUMBERS: Final = re.compile(r"(\d+)\.(\d+)\.(\d+)")


class WithAdapter:
    """A source of Devices, and the adapter after all of them."""

    def __init__(self, devices: Source, renderer: Callable[[str], Renderer]) -> None:
        self._devices, self._renderer = devices, renderer

    def scan(
        self, read: Read, wanted: Wanted, horizon: int, after: Position | None = None
    ) -> Iterator[tuple[Position, Stored]]:
        if after is None or after[0] > 0:
            yield from self._devices.scan(read, wanted, horizon, after)
        else:
            return
        adapter = adapter_of(self._renderer(read.tenant), read)
        if adapter is not None and _is_wanted(adapter, wanted):
            yield (0, adapter.id, ""), adapter

    def current(
        self, read: Read, type: str, ids: Collection[str], horizon: int | None = None
    ) -> dict[str, Stored]:
        found = self._devices.current(read, type, ids, horizon)
        if self._renderer(read.tenant).ids.adapter() in ids and type == "Device":
            adapter = adapter_of(self._renderer(read.tenant), read)
            if adapter is not None:
                found[adapter.id] = adapter
        return found


def adapter_of(renderer: Renderer, read: Read) -> Stored | None:
    """As of the tenant's first record; None before there is one."""
    first = read.rows(0, 1)
    if not first:
        return None
    made = renderer.adapter()
    return Stored(
        type=made.type,
        id=made.id,
        version=release_number(drainledger.__version__),
        updated=first[0].received_at,
        body=made.body,
        status="active",
    )


def release_number(version: str) -> int:
    """1.4.2 is 1004002 + 1: never 0, and later releases have higher ones."""
    match = _NUMBERS.match(version)
    major, minor, patch = (0, 0, 0) if match is None else map(int, match.groups())
    return major * 1_000_000 + minor * 1_000 + patch + 1


def _is_wanted(adapter: Stored, wanted: Wanted) -> bool:
    if adapter.type not in wanted.types or (wanted.ids is not None and adapter.id not in wanted.ids):
        return False
    if wanted.since is not None and adapter.updated <= wanted.since:
        return False
    return wanted.until is None or adapter.updated <= wanted.until
