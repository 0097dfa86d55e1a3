"""From posted resources to records in the journal: read, submitted to the one intake, told what became of them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, Final, TypeAlias
from urllib.parse import unquote_plus
from uuid import uuid4

from msgspec import Struct
from msgspec.structs import replace
from starlette.requests import Request

from drainledger.domain.records import Key
from drainledger.domain.statements import slot_of
from drainledger.domain.validation import Refused
from drainledger.domain.validation.decode import decode
from drainledger.fhir.fragments import encode
from drainledger.fhir.reading import Fault, Posted, Understood, as_faults, read_entries
from drainledger.fhir.reading.references import token
from drainledger.fhir.reading.who import record_id
from drainledger.intake.answers import NothingTaken, Result, Submission
from drainledger.intake.directory import desk_for
from drainledger.rest.stored import Stored
from drainledger.store.read import Read
from drainledger.web.audit import Access, route_of
from drainledger.web.auth.principal import Principal
from drainledger.web.fhir.outcome import FhirRefusal, Issue
from drainledger.web.service import Service, origin_of, service_of

Json: TypeAlias = dict[str, Any]

_BATCHED: Final = re.compile(r"identifier=([^&]+)")


class Sent(Struct, frozen=True, kw_only=True):
    """A resource as it came: its bytes, itself, its FHIRPath in the body, and by what others refer to it."""

    raw: bytes
    resource: Json
    path: str = "Observation"
    full_url: str | None = None


class Made(Struct, frozen=True, kw_only=True):
    """What became of one posted resource. `status` is HTTP's; `stored` the Observation that it is now, None where there
    is none (yet)."""

    status: int
    issues: tuple[Issue, ...]
    stored: Stored | None = None


def resource_of(raw: bytes, path: str = "") -> Json:
    """A body or an entry as JSON. Raises FhirRefusal `bad-resource`, for what is no JSON object with a resourceType."""
    decoded = decode(raw)
    if isinstance(decoded, Refused):
        raise FhirRefusal("bad-resource", decoded.problems[0].text, expression=[path] if path else [])
    if not isinstance(decoded.get("resourceType"), str):
        raise FhirRefusal(
            "bad-resource",
            "A FHIR resource names its type in resourceType.",
            expression=[path] if path else [],
        )
    return decoded


def is_resource(raw: bytes) -> bool:
    """Whether bytes are a FHIR resource and no record of the contract: each says by its own member what it is."""
    decoded = decode(raw)
    return not isinstance(decoded, Refused) and "resourceType" in decoded and "record" not in decoded


def roots(request: Request) -> tuple[str, ...]:
    """The addresses under which this service gives its resources."""
    base = f"{origin_of(request)}/fhir"
    return tuple(f"{base}/{version}" for version in ("R4", "R5"))


def understood(
    service: Service, read: Read, sent: Sequence[Sent], at: tuple[str, ...] = (), *, joined: bool = True
) -> list[Understood]:
    """What these say, as of one state of the database. `at`: where FHIR is served; `joined`: a panel is one with its
    members."""
    desk = desk_for(read, service.rest.renderer(read.tenant), service.intake.rules, service.intake.units, at)
    posted = [Posted(one.resource, one.path, one.full_url) for one in sent]
    if joined:
        return read_entries(posted, desk, _new_id)
    alone = (read_entries([one], desk, _new_id) for one in posted)
    return [replace(one, of=(place,)) for place, (one,) in enumerate(alone)]


def _new_id() -> str:
    return str(uuid4())


async def note_refused(request: Request, principal: Principal, read: Sequence[Understood]) -> None:
    """Leaves a row of what was tried: whether a drain is a patient's shows in the answer."""
    access = Access(drains={one.drain for one in read if one.drain is not None}, outcome=422)
    await service_of(request).audit.note(request, principal, "write", access)


def submission(
    request: Request,
    principal: Principal,
    source: str,
    sent: Sequence[Sent],
    read: Sequence[Understood],
    *,
    whole: bool = False,
) -> Submission:
    """Those that were understood, all of them: the bytes as they came, with the record that they were read as."""
    return Submission(
        tenant=principal.tenant,
        source=source,
        lines=tuple(_raw(sent, one) for one in read),
        read_as=tuple(encode(one.record) for one in read),
        principal=principal.name,
        request_id=request.state.request,
        method="POST",
        route=route_of(request),
        whole=whole,
    )


def _raw(sent: Sequence[Sent], one: Understood) -> bytes:
    """The resource as it came; of a panel and its members a Bundle, each in it as it came."""
    if len(one.of) == 1:
        return sent[one.of[0]].raw
    entries = b",".join(b'{"resource":%s}' % sent[place].raw for place in one.of)
    return b'{"resourceType":"Bundle","type":"collection","entry":[%s]}' % entries


# What it became


def refused(read: Sequence[Understood]) -> list[Issue]:
    """Issues of everything that stands in the way, and what else was noted."""
    return [issue_of(fault) for one in read for fault in one.faults]


def nothing_taken(read: Sequence[Understood], nothing: NothingTaken) -> FhirRefusal:
    """Why a submission as a whole was not taken."""
    issues = [
        issue_of(fault)
        for place, problems in sorted(nothing.problems.items())
        for fault in as_faults(problems, read[place].places, read[place].paths[0])
    ]
    conflicts = all(any(each.code == "conflict" for each in found) for found in nothing.problems.values())
    return FhirRefusal("conflict" if conflicts else "refused-resource", "Nothing was taken.", issues=issues)


def made(service: Service, read: Read, one: Understood, source: str, result: Result) -> list[Made]:
    """One for each resource that the record was read from, in the order of `of`."""
    found = _stored(service, read, one, source)
    issues = [issue_of(fault) for fault in one.faults]
    issues += _told(one, result)
    shares = [_shared(issues, path, one.paths) for path in one.paths]
    return [
        Made(status=_status(result, stored), issues=tuple(share), stored=stored)
        for stored, share in zip(found, shares, strict=True)
    ]


def _shared(issues: Sequence[Issue], path: str, paths: Sequence[str]) -> list[Issue]:
    """Those about one resource; what is about none of them is told with the first."""
    mine = [issue for issue in issues if any(_is_in(at, path) for at in issue.expression)]
    if path != paths[0]:
        return mine
    return mine + [
        issue for issue in issues if not any(_is_in(at, each) for at in issue.expression for each in paths)
    ]


def _is_in(expression: str, path: str) -> bool:
    return expression == path or expression.startswith(f"{path}.")


def key_of(one: Understood, source: str) -> Key:
    assert one.record is not None, "only what was understood has a key"
    return Key(one.record["record"], source, one.record["id"])


def _stored(service: Service, read: Read, one: Understood, source: str) -> list[Stored | None]:
    """The Observations that the parts of a record are now."""
    ids = service.rest.renderer(read.tenant).ids
    wanted = [ids.of(key_of(one, source), code) for code in one.codes]
    known = service.rest.sources["Observation"].current(read, "Observation", wanted)
    return [known.get(ident) for ident in wanted]


def _status(result: Result, stored: Stored | None) -> int:
    if result.status == "held":
        return 409 if any(each.code == "conflict" for each in result.problems) else 422
    if stored is None or result.status == "waiting":
        return 202
    return 200 if result.status == "duplicate" else 201


def _told(one: Understood, result: Result) -> list[Issue]:
    """What the intake says of a record, of the resource."""
    path = one.paths[0]
    if result.status == "held":
        kept = (
            "It was given up before, and is not kept again."
            if result.held_as == "discarded"
            else f"What was sent is kept as held record {result.held_id}, to be mended and replayed, or discarded."
        )
        faults = as_faults(result.problems, one.places, path)
        return [*map(issue_of, faults), Issue(severity="information", code="informational", diagnostics=kept)]
    findings = [
        Fault("warning" if found.issue else "information", "business-rule", path, found.text)
        for found in result.findings
    ]
    if result.status == "waiting":
        return [issue_of(each) for each in as_faults(result.problems, one.places, path, "information")]
    return [issue_of(each) for each in findings]


def issue_of(fault: Fault) -> Issue:
    """A fault of the reading as an issue of the outcome."""
    return Issue(
        severity=fault.severity, code=fault.code, diagnostics=fault.text, expression=[fault.expression]
    )


# Conditional create


def named_by(criteria: str | None, *, of: str) -> str | None:
    """The id of the record that If-None-Exist or ifNoneExist asks for; None where it is not given. `of` names where it
    stood. Raises FhirRefusal `precondition-failed`: nothing but one identifier can be asked for here."""
    if criteria is None:
        return None
    found = _BATCHED.fullmatch(criteria.strip().lstrip("?"))
    if found is None or not unquote_plus(found[1]).strip("|"):
        raise FhirRefusal(
            "precondition-failed",
            "A conditional create is by one identifier here, written identifier=SYSTEM|VALUE. Nothing was taken.",
            issue="not-supported",
            expression=[of],
        )
    return record_id(*token(unquote_plus(found[1])))


def exists(read: Read, source: str, record: str) -> Key | None:
    """The record of this id that the source sent before."""
    slot = slot_of(Key("reading", source, record))
    row = read.find([slot]).get(slot)
    return None if row is None or row.record.key.kind not in ("reading", "event") else row.key


def existing(service: Service, read: Read, key: Key, code: str) -> Stored | None:
    """An Observation of a record: of this code, else the first that there is."""
    ids = service.rest.renderer(read.tenant).ids
    uuid = ids.record(key)
    row = read.current([uuid]).get(uuid)
    parts = (
        []
        if row is None
        else sorted(part for part, entry in row.parts.items() if entry.type == "Observation")
    )
    wanted = ids.of(key, code) if code in parts or not parts else ids.of(key, parts[0])
    return service.rest.sources["Observation"].current(read, "Observation", [wanted]).get(wanted)
