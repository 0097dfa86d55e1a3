"""`POST /Observation`: what was read, from tools that speak FHIR (R4 http.html#create, #ccreate); and what isn't.

A new Observation becomes a record of the contract and goes the way of every record: what is answered is on disk.
"""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Header, Request
from starlette.responses import Response

from drainledger.fhir.reading import Understood
from drainledger.intake.answers import Result
from drainledger.rest.stored import Stored
from drainledger.web.auth.principal import SOURCE_HEADER, Principal
from drainledger.web.body import read_body
from drainledger.web.fhir.access import FhirWriter
from drainledger.web.fhir.base import dialect_of, fhir_base, served_type, service_of
from drainledger.web.fhir.outcome import FhirRefusal, Issue, outcome
from drainledger.web.fhir.posting import (
    Made,
    Sent,
    existing,
    exists,
    made,
    named_by,
    note_refused,
    refused,
    resource_of,
    roots,
    submission,
    understood,
)
from drainledger.web.fhir.reply import PRIVATE, fhir_reply, validators
from drainledger.web.service import Service
from drainledger.web.v1.calls import in_thread, submitted
from drainledger.web.v1.records import limits

router = APIRouter()

_TYPES: Final = frozenset({"application/fhir+json", "application/json", "text/json"})
#: How many notes there are beside a resource that is answered without them.
NOTES_HEADER: Final = "Drainledger-Notes"
READ_ONLY: Final = {"Allow": "GET, HEAD, OPTIONS"}
_ELSEWHERE: Final = (
    "By FHIR only Observations are written, and each once. Drains, collectors, what is done to them, corrections and "
    "retractions are sent to /v1/records; findings, uses and provenance follow from these."
)


def checked_type(request: Request) -> None:
    """Raises FhirRefusal `unsupported-type` for a body of another media type than FHIR's JSON."""
    stated = request.headers.get("content-type")
    if stated is not None and stated.partition(";")[0].strip().lower() not in _TYPES:
        raise FhirRefusal(
            "unsupported-type",
            "Resources are taken as application/fhir+json. Nothing was taken.",
            headers={"Accept": "application/fhir+json, application/json"},
        )


def only_observations(type: str) -> FhirRefusal:
    """Why a type, by its name in R4, can't be written."""
    return FhirRefusal(
        "method-not-allowed",
        f"{type} is not written by FHIR here. {_ELSEWHERE}",
        headers=READ_ONLY,
    )


@router.post("/{type}")
async def create(
    request: Request,
    principal: FhirWriter,
    type: str,
    source: Annotated[str | None, Header(alias=SOURCE_HEADER)] = None,
    if_none_exist: Annotated[str | None, Header()] = None,
) -> Response:
    """201 with the Observation as it is now, 200 where it was there before, 202 where it waits for another record, 409
    and 422 where it can't be so."""
    service = service_of(request)
    kind = served_type(request, type)
    if kind != "Observation":
        raise only_observations(kind)
    named = principal.source_of(source)
    checked_type(request)
    with service.budget.share() as take:
        raw = (await read_body(request, limits(service), take)).strip()
    resource = resource_of(raw)
    if resource["resourceType"] != kind:
        raise FhirRefusal("bad-resource", f"The body is no {kind}, as the path says.", issue="invalid")
    sent = Sent(raw=raw, resource=resource)
    record = named_by(if_none_exist, of="http.If-None-Exist")
    known, one = await in_thread(lambda: _look(service, principal, named, sent, roots(request), record))
    if known is not None:
        async with service.audit.access(request, principal, "read") as access:
            access.drains.update(drain for drain in (known.drain,) if drain is not None)
            return _answer(request, Made(status=200, issues=(), stored=known))
    if one.record is None:
        await note_refused(request, principal, [one])
        raise FhirRefusal("refused-resource", "It can't be taken as it is.", issues=refused([one]))
    answer = await submitted(service, submission(request, principal, named, [sent], [one]))
    became = await in_thread(lambda: _became(service, principal, named, one, answer.results[0]))
    return _answer(request, became)


def _look(
    service: Service,
    principal: Principal,
    source: str,
    sent: Sent,
    at: tuple[str, ...],
    record: str | None,
) -> tuple[Stored | None, Understood]:
    """The Observation that is there already, where that was asked; and what was sent, as far as it is understood."""
    with service.store.read(principal.tenant) as read:
        (one,) = understood(service, read, [sent], at)
        key = None if record is None else exists(read, source, record)
        return (None if key is None else existing(service, read, key, one.codes[0])), one


def _became(service: Service, principal: Principal, source: str, one: Understood, result: Result) -> Made:
    with service.store.read(principal.tenant) as read:
        return made(service, read, one, source, result)[0]


def location(request: Request, stored: Stored) -> str:
    return f"{fhir_base(request)}/Observation/{stored.id}/_history/{stored.version}"


def _answer(request: Request, became: Made) -> Response:
    """By `Prefer: return=…` (R4 http.html#ops): the resource, unless asked otherwise or there is none."""
    stored, issues = became.stored, became.issues
    if became.status >= 400:
        code = "conflict" if became.status == 409 else "refused-resource"
        raise FhirRefusal(code, "It can't be taken as it is.", issues=issues)
    headers = dict(PRIVATE)
    if stored is not None and became.status != 202:
        headers |= validators(stored.version, stored.updated) | {"Location": location(request, stored)}
    wanted = _preferred(request)
    if wanted == "minimal" and became.status != 202:
        return Response(status_code=became.status, headers=headers | _noted(issues))
    if wanted == "operationoutcome" or stored is None or became.status == 202:
        return fhir_reply(
            request, outcome(issues or (taken(became.status),)), status=became.status, headers=headers
        )
    body = stored.wire(dialect_of(request))
    return fhir_reply(request, body, status=became.status, headers=headers | _noted(issues))


def taken(status: int) -> Issue:
    """What there is to say where there is nothing to say."""
    text = "It was there before, and nothing changed." if status == 200 else "It is taken, and on disk."
    return Issue(severity="information", code="informational", diagnostics=text)


def _noted(issues: tuple[Issue, ...]) -> dict[str, str]:
    return {NOTES_HEADER: str(len(issues))} if issues else {}


def _preferred(request: Request) -> str:
    preferences = ",".join(request.headers.getlist("prefer")).replace(";", ",").lower().replace('"', "")
    for each in preferences.split(","):
        name, _, value = each.strip().partition("=")
        if name.strip() == "return":
            return value.strip()
    return "representation"


@router.put("/{type}/{id}")
@router.patch("/{type}/{id}")
@router.delete("/{type}/{id}")
async def change(request: Request, principal: FhirWriter, type: str, id: str) -> Response:
    """Nothing that was given out is changed by FHIR."""
    raise not_changed(served_type(request, type))


@router.put("/{type}")
@router.patch("/{type}")
@router.delete("/{type}")
async def change_by_search(request: Request, principal: FhirWriter, type: str) -> Response:
    """As `change`."""
    raise not_changed(served_type(request, type))


def not_changed(type: str) -> FhirRefusal:
    """Why a resource is not updated or deleted here, and what to do instead."""
    return FhirRefusal(
        "method-not-allowed",
        f"{type} can't be changed or deleted by FHIR. What was charted wrong is corrected or retracted by a record "
        "sent to /v1/records, and all that follows from it changes with it.",
        headers=READ_ONLY,
    )
