"""What the engine asks of a query; `drainledger.fhir.search` makes queries of a call's parameters."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any, Protocol, TypeAlias

Json: TypeAlias = dict[str, Any]


class Parameter(Protocol):
    """A search parameter of one type. `kind` is its type (date, token …)."""

    @property
    def name(self) -> str: ...

    @property
    def kind(self) -> str: ...

    def values(self, resource: Json) -> Sequence[Any]:
        """What its expression gives."""
        ...


class Clause(Protocol):
    """One parameter. `modifier` None: none; `asked` are the values, any of which will do."""

    @property
    def parameter(self) -> Parameter: ...

    @property
    def modifier(self) -> str | None: ...

    @property
    def asked(self) -> Sequence[Any]: ...


class SortKey(Protocol):
    @property
    def parameter(self) -> Parameter: ...

    @property
    def descending(self) -> bool: ...


class Include(Protocol):
    """`_include` or `_revinclude`: what `parameter` of resources of `type` refers to. `target` narrows to a type."""

    @property
    def type(self) -> str: ...

    @property
    def parameter(self) -> Parameter: ...

    @property
    def target(self) -> str | None: ...

    @property
    def iterate(self) -> bool: ...


class Has(Protocol):
    """`_has`: resources that `query` finds refer, by `parameter`, to the one that is tested."""

    @property
    def parameter(self) -> Parameter: ...

    @property
    def query(self) -> Query: ...


class Query(Protocol):
    """Types are called as the version of the call calls them. The hints narrow only; None is any."""

    @property
    def type(self) -> str: ...

    @property
    def clauses(self) -> Sequence[Clause]: ...

    @property
    def has(self) -> Sequence[Has]: ...

    @property
    def includes(self) -> Sequence[Include]: ...

    @property
    def revincludes(self) -> Sequence[Include]: ...

    @property
    def sort(self) -> Sequence[SortKey]: ...

    @property
    def count(self) -> int: ...

    @property
    def total(self) -> str: ...

    @property
    def summary(self) -> str | None: ...

    def matches(self, resource: Json) -> bool:
        """Whether all clauses but those of `has` hold."""
        ...

    def wanted_ids(self) -> Collection[str] | None: ...

    def wanted_patients(self) -> Collection[str] | None: ...

    def wanted_codes(self) -> Collection[str] | None: ...

    def since_updated(self) -> datetime | None: ...
