"""Who may read and write below `/fhir`, and of which types."""

from __future__ import annotations

import re
from typing import Annotated, Final

from fastapi import Depends

from drainledger.rest.stored import Stored
from drainledger.web.audit import Access
from drainledger.web.auth.guard import May, insufficient_scope
from drainledger.web.auth.principal import Principal
from drainledger.web.fhir.outcome import FhirRefusal

#: Types that need a scope besides `read`: who looked at what is for who answers for it.
_GUARDED: Final = frozenset({"AuditEvent"})
_PATIENT: Final = re.compile(rb'"reference":"Patient/([A-Za-z0-9.-]+)"')


class _MayRead(May):
    """`read`, or a token that names at least one type; which types, `require` says."""

    def __init__(self) -> None:
        super().__init__("read")

    def admits(self, principal: Principal) -> bool:
        return super().admits(principal) or bool(principal.types)


FhirReader = Annotated[Principal, Depends(_MayRead())]
FhirWriter = Annotated[Principal, Depends(May("records.write"))]


def may_read(principal: Principal, type: str) -> bool:
    """Whether the caller may read and search this type; `type` is R4's name."""
    if type in _GUARDED and "operate" not in principal.scopes:
        return False
    return "read" in principal.scopes if principal.types is None else type in principal.types


def require(principal: Principal, type: str) -> None:
    """Raises FhirRefusal `not-allowed` unless the caller may read this type; `type` is R4's name."""
    if may_read(principal, type):
        return
    needed = "the scope operate" if type in _GUARDED else "a scope that names it, or all types"
    raise FhirRefusal(
        "not-allowed",
        f"This caller may not read {type}: that needs {needed}.",
        headers=insufficient_scope(),
    )


def touch(access: Access, *touched: Stored) -> None:
    """Notes whose data these are, for the audit trail."""
    for stored in touched:
        if stored.drain is not None:
            access.drains.add(stored.drain)
        if stored.patient is not None:
            access.patients.add(stored.patient)
        else:
            access.patients.update(found.decode() for found in _PATIENT.findall(stored.body))
