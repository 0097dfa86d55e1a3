"""A resource as it is read: its bytes as they were emitted, with what the server says of them; and where it comes from.

R4 names are used throughout: DeviceUseStatement is called DeviceUsage only where R5 is written.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any, Final, Protocol, TypeAlias

import msgspec
from msgspec import Struct

from drainledger.fhir.dialect import adapt
from drainledger.fhir.fragments import encode
from drainledger.fhir.resource import Fhir
from drainledger.store.read import Read

Json: TypeAlias = dict[str, Any]

#: (seq, uuid, part) of what was written: the newest first, and of one commit by uuid and part.
Position: TypeAlias = tuple[int, str, str]

_DECODER: Final = msgspec.json.Decoder(float_hook=Decimal)
_META: Final = re.compile(rb'"meta":\{')
_ID: Final = re.compile(rb'"id":"[^"]*",')
_ISSUED: Final = re.compile(rb'"issued":"([^"]*)"')


class Stored(Struct, frozen=True, kw_only=True):
    """One version of one resource.

    `type` is the R4 name, `id` the whole FHIR id, `updated` when the service took it down (received_at of the row that
    wrote it), `body` R4 as it was emitted, without meta.versionId and meta.lastUpdated. `code` is the local code of an
    Observation or the finding's code. `patient` is a Patient's id, `drain` the id of a drain's record.
    """

    type: str
    id: str
    version: int
    updated: datetime
    body: bytes
    status: str = ""
    code: str = ""
    patient: str | None = None
    drain: str | None = None

    def resource(self, fhir: Fhir) -> Json:
        """Decoded, numbers as Decimals of the precision they have, with meta.versionId and meta.lastUpdated, as the
        asked version writes it."""
        return adapt(decode(self._r4()), fhir)

    def wire(self, fhir: Fhir) -> bytes:
        """The same as bytes. In R4 they are those that were emitted, with the two elements put in."""
        return self._r4() if fhir == "R4" else encode(self.resource(fhir))

    @property
    def reference(self) -> str:
        """`Type/id`, by R4's name of the type."""
        return f"{self.type}/{self.id}"

    @property
    def last_updated(self) -> str:
        """`updated` as FHIR's instant: as `issued` writes it where that is the same instant, else in UTC. It follows
        from the version alone, so that a version reads alike for ever."""
        issued = _ISSUED.search(self.body)
        if issued is not None:
            text = issued[1].decode()
            if datetime.fromisoformat(text) == self.updated:
                return text
        return self.updated.astimezone(UTC).isoformat()

    def _r4(self) -> bytes:
        told = b'"versionId":"%d","lastUpdated":"%s"' % (self.version, self.last_updated.encode())
        # An unescaped quote stands in no text of JSON, and no resource here contains another.
        if meta := _META.search(self.body):
            after = b"" if self.body[meta.end() : meta.end() + 1] == b"}" else b","
            return self.body[: meta.end()] + told + after + self.body[meta.end() :]
        ident = _ID.search(self.body)
        assert ident is not None, "every emitted body has an id, and something after it"
        return self.body[: ident.end()] + b'"meta":{' + told + b"}," + self.body[ident.end() :]


def decode(body: bytes) -> Json:
    """A resource, numbers with a fraction as Decimals of the precision they have."""
    resource: Json = _DECODER.decode(body)
    return resource


class Wanted(Struct, frozen=True, kw_only=True):
    """Narrows a scan; None is any. It only narrows: the caller tests each resource all the same.

    `types` are R4's names, `ids` whole FHIR ids, `patients` Patients' ids, `codes` local codes, `targets` what a
    Provenance is about (`Type/id`). lastUpdated is after `since` and not after `until`.
    """

    types: frozenset[str]
    ids: frozenset[str] | None = None
    patients: frozenset[str] | None = None
    codes: frozenset[str] | None = None
    targets: frozenset[str] | None = None
    since: datetime | None = None
    until: datetime | None = None


class Source(Protocol):
    """Where the resources of some types come from."""

    def scan(
        self, read: Read, wanted: Wanted, horizon: int, after: Position | None = None
    ) -> Iterator[tuple[Position, Stored]]:
        """Each resource once, as things stood when `horizon` was the last seq, the newest first, from the one after
        `after` on."""
        ...

    def current(
        self, read: Read, type: str, ids: Collection[str], horizon: int | None = None
    ) -> dict[str, Stored]:
        """By id, what there is of these, as things stand or stood at `horizon`; ids of another type are left out."""
        ...
