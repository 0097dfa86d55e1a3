"""A known caller: one tenant's, with scopes, and perhaps bound to one source of records."""

from __future__ import annotations

from typing import Final, Literal

from msgspec import Struct

from drainledger.web.problems import Refusal

Scope = Literal["records.write", "read", "operate"]
SCOPES: Final[tuple[Scope, ...]] = ("records.write", "read", "operate")
SOURCE_HEADER: Final = "Drainledger-Source"
_LONGEST_SOURCE: Final = 64


class Principal(Struct, frozen=True, kw_only=True):
    """`name` tells callers apart in the audit trail. `source`: the only one whose records the caller may send, None for
    any of the tenant; `client`: the source taken where neither that nor a header names one. `types`: the resource types
    (R4's names) that a token lets it read below `/fhir`, None where its scopes alone decide."""

    tenant: str
    name: str
    scopes: frozenset[Scope]
    source: str | None = None
    client: str | None = None
    types: frozenset[str] | None = None

    def source_of(self, header: str | None) -> str:
        """The source of what this caller sends. `header` is the request's `Drainledger-Source`.

        Raises Refusal `not-your-source`, `no-source`, `bad-parameter`.
        """
        if self.source is not None:
            if header not in (None, self.source):
                raise Refusal(
                    "not-your-source",
                    "This key is bound to one source. Leave the header out, or use a key of the source that it names.",
                    parameter=SOURCE_HEADER,
                )
            return self.source
        named = header or self.client
        if named is None:
            raise Refusal(
                "no-source",
                f"Name the source in the header {SOURCE_HEADER}: records' ids are unique within their source.",
                parameter=SOURCE_HEADER,
            )
        if not named.isprintable() or named != named.strip() or len(named) > _LONGEST_SOURCE:
            raise Refusal(
                "bad-parameter",
                f"A source is a name of at most {_LONGEST_SOURCE} characters, without spaces at its ends.",
                parameter=SOURCE_HEADER,
            )
        return named
