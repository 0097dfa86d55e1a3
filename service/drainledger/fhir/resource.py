"""What rendering yields, and what can be wrong with what it is given."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from drainledger.domain.records import Key

Fhir = Literal["R4", "R5"]


class Resource(Struct, frozen=True, gc=False):
    """One FHIR resource as it goes on the wire.

    `body` is the whole JSON object in UTF-8, without a newline and without meta.versionId and meta.lastUpdated, which
    a server assigns. `record` is the record that owns it, None for the adapter and for windows. `code` is the local
    code of an Observation or the finding's code of a DetectedIssue, else "". The garbage collector may pass it over: it
    refers to nothing that could refer back.
    """

    type: str
    id: str
    body: bytes
    record: Key | None = None
    code: str = ""

    @property
    def reference(self) -> str:
        """A relative literal reference, `Type/id`."""
        return f"{self.type}/{self.id}"


class RenderingError(Exception):
    """Something that rendering was given can't be rendered."""


class MissingCode(RenderingError):
    """A local code that rendering needs isn't in the code mapping."""

    def __init__(self, code: str) -> None:
        self.code = code
        super().__init__(code)

    def __str__(self) -> str:
        return f"the local code '{self.code}' is needed for FHIR but missing: add it to the code mapping (codes.toml)"


class DuplicateResource(RenderingError):
    """One identity came twice into a transaction (R4 http.html#trules allows it once)."""

    def __init__(self, reference: str) -> None:
        self.reference = reference
        super().__init__(reference)

    def __str__(self) -> str:
        return f"{self.reference} would stand twice in one Bundle: each resource may stand there once"
