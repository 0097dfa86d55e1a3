"""`$validate` (R4 resource-operation-validate.html): whether a resource is well built, and could be taken.

Nothing is stored by it.
"""

from __future__ import annotations

from typing import Annotated, Any, Final

import msgspec
from fastapi import APIRouter, Depends, Header, Request
from msgspec import Struct
from starlette.responses import Response

from drainledger.domain.standing import conflict
from drainledger.domain.statements import slot_of
from drainledger.domain.validation import Refused, parse
from drainledger.fhir.reading import Understood, as_faults
from drainledger.web.audit import Access
from drainledger.web.auth.guard import May
from drainledger.web.auth.principal import SOURCE_HEADER, Principal
from drainledger.web.body import read_body
from drainledger.web.fhir.base import dialect_of, service_of
from drainledger.web.fhir.create import checked_type
from drainledger.web.fhir.formats import once
from drainledger.web.fhir.outcome import FhirRefusal, Issue, outcome
from drainledger.web.fhir.posting import Sent, issue_of, resource_of, roots, understood
from drainledger.web.fhir.reply import fhir_reply
from drainledger.web.fhir.structure import NOT_CHECKED, model_of, structure_issues
from drainledger.web.problems import Refusal
from drainledger.web.service import Service
from drainledger.web.v1.calls import in_thread
from drainledger.web.v1.records import limits

router = APIRouter()

_MODES: Final = ("create", "update", "delete", "profile")


class MayEither(May):
    """Who may read or write."""

    def __init__(self) -> None:
        super().__init__("read")

    def admits(self, principal: Principal) -> bool:
        return bool(principal.types) or not principal.scopes.isdisjoint({"read", "records.write"})


class Asked(Struct):
    """What is to be validated, and as what."""

    raw: bytes
    resource: dict[str, Any]
    mode: str | None = None
    profile: bool = False


@router.post("/{type}/$validate")
@router.post("/{type}/{id}/$validate")
async def validate(
    request: Request,
    principal: Annotated[Principal, Depends(MayEither())],
    type: str,
    id: str | None = None,
    source: Annotated[str | None, Header(alias=SOURCE_HEADER)] = None,
) -> Response:
    """An OperationOutcome, also where the resource is not valid: 200 says that it could be told."""
    service = service_of(request)
    checked_type(request)
    with service.budget.share() as take:
        asked = _asked(request, (await read_body(request, limits(service), take)).strip())
    if asked.resource["resourceType"] != type:
        raise FhirRefusal(
            "bad-resource", "The resource is of another type than the path says.", issue="invalid"
        )
    async with service.audit.access(request, principal, "operation") as access:
        issues = await in_thread(
            lambda: _issues(service, principal, asked, dialect_of(request), roots(request), source, access)
        )
    return fhir_reply(request, outcome([*issues, *_ending(issues)]))


def _ending(issues: list[Issue]) -> list[Issue]:
    fine = not any(issue.severity == "error" for issue in issues)
    text = f"All that was checked is well. {NOT_CHECKED}" if fine else NOT_CHECKED
    return [Issue(severity="information", code="informational", diagnostics=text)]


# What is asked


class _Parameter(Struct):
    name: str = ""
    resource: msgspec.Raw = msgspec.field(default_factory=msgspec.Raw)
    valueCode: str | None = None  # noqa: N815 - FHIR's name
    valueUri: str | None = None  # noqa: N815 - FHIR's name
    valueCanonical: str | None = None  # noqa: N815 - FHIR's name


class _Parameters(Struct):
    parameter: list[_Parameter] = msgspec.field(default_factory=list)


def _asked(request: Request, raw: bytes) -> Asked:
    """The resource itself, or one inside of Parameters. Raises FhirRefusal `bad-resource`, `bad-parameter`."""
    found = Asked(raw, resource_of(raw), once(request, "mode"), once(request, "profile") is not None)
    if found.resource["resourceType"] == "Parameters":
        _unpack(found)
    if found.mode is not None and found.mode not in _MODES:
        raise FhirRefusal(
            "bad-parameter", f"Known are {', '.join(_MODES)}.", parameter="mode", issue="code-invalid"
        )
    return found


def _unpack(found: Asked) -> None:
    try:
        parameters = msgspec.json.decode(found.raw, type=_Parameters).parameter
    except msgspec.MsgspecError:
        raise FhirRefusal(
            "bad-resource", "These Parameters can't be read.", expression=["Parameters"]
        ) from None
    inside = b""
    for one in parameters:
        if one.name == "resource":
            inside = bytes(one.resource)
        elif one.name == "mode":
            found.mode = one.valueCode
        elif one.name == "profile":
            found.profile = True
    if not inside:
        text = "There is no parameter resource, so there is nothing to validate."
        raise FhirRefusal("bad-resource", text, issue="required", expression=["Parameters.parameter"])
    found.raw, found.resource = inside, resource_of(inside, "Parameters.parameter")


# What is found


def _issues(
    service: Service,
    principal: Principal,
    asked: Asked,
    fhir: Any,
    at: tuple[str, ...],
    source: str | None,
    access: Access,
) -> list[Issue]:
    kind = asked.resource["resourceType"]
    model = model_of(kind, fhir)
    if model is None:
        raise FhirRefusal("not-found", f"FHIR {fhir} has no such type of resource.", issue="not-supported")
    issues = structure_issues(asked.resource, model)
    if asked.profile or asked.mode == "profile":
        text = "Profiles are not checked here; the conformance set is served for validators that do."
        issues.append(Issue(severity="warning", code="not-supported", diagnostics=text))
    if asked.mode in ("update", "delete"):
        text = (
            "Nothing is changed or deleted by FHIR here: corrections and retractions are sent to /v1/records."
        )
        issues.append(Issue(code="not-supported", diagnostics=text))
    elif asked.mode in (None, "create"):
        issues += (
            _as_record(service, principal, asked, at, source, access)
            if kind == "Observation"
            else [_NOT_TAKEN]
        )
    return issues


_NOT_TAKEN: Final = Issue(
    severity="warning",
    code="not-supported",
    diagnostics="Only Observations are written by FHIR here; send anything else to /v1/records.",
)


def _as_record(
    service: Service,
    principal: Principal,
    asked: Asked,
    at: tuple[str, ...],
    source: str | None,
    access: Access,
) -> list[Issue]:
    """What stands in the way of its being taken, or is noted beside. Who may not write isn't told whose drain it is."""
    if "records.write" not in principal.scopes:
        text = "Whether it could be taken is told to who may write (records.write)."
        return [Issue(severity="warning", code="forbidden", diagnostics=text)]
    with service.store.read(principal.tenant) as read:
        (one,) = understood(service, read, [Sent(raw=asked.raw, resource=asked.resource)], at)
        access.drains.update(drain for drain in (one.drain,) if drain is not None)
        faults = [issue_of(fault) for fault in one.faults]
        if one.record is None:
            return faults
        named = _source(principal, source)
        read_as = parse(one.record, source=named, units=service.intake.units, received_at=service.clock())
        if isinstance(read_as, Refused):
            return faults + _told(one, read_as.problems)
        slot = slot_of(read_as.record.key)
        known = read.find([slot]).get(slot)
        if known is not None and known.record != read_as.record:
            faults += _told(one, (conflict(read_as.record),))
        return faults


def _told(one: Understood, problems: Any) -> list[Issue]:
    return [issue_of(fault) for fault in as_faults(problems, one.places, one.paths[0])]


def _source(principal: Principal, source: str | None) -> str:
    """Whose record it would be; nobody's where that is not said."""
    try:
        return principal.source_of(source)
    except Refusal:
        return ""
