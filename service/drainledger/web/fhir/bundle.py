"""`POST` of a Bundle: a batch, each entry by itself, or a transaction, all of it or nothing (R4 http.html#transaction).

New Observations come first, then what is read: entries that read see what the same Bundle wrote.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC
from email.utils import parsedate_to_datetime
from http import HTTPStatus
from typing import Annotated, Any, Final, TypeAlias

import msgspec
from fastapi import APIRouter, Depends, Header, Request
from msgspec import Struct, field
from starlette.responses import Response

from drainledger.domain.records import Key
from drainledger.fhir.reading import Understood
from drainledger.intake.answers import Answer, NothingTaken, Result
from drainledger.rest.stored import Stored
from drainledger.web.auth.principal import SOURCE_HEADER, Principal
from drainledger.web.body import read_body
from drainledger.web.fhir.base import dialect_of, fhir_base, r4_type, service_of
from drainledger.web.fhir.create import checked_type, location, not_changed, only_observations, taken
from drainledger.web.fhir.operations import MayEither
from drainledger.web.fhir.outcome import FhirRefusal, Issue, of_refusal, outcome
from drainledger.web.fhir.posting import (
    Made,
    Sent,
    existing,
    exists,
    key_of,
    made,
    named_by,
    note_refused,
    nothing_taken,
    refused,
    resource_of,
    roots,
    submission,
    understood,
)
from drainledger.web.fhir.reply import fhir_reply, version_tag
from drainledger.web.fhir.within import Told, ask, relative
from drainledger.web.problems import Refusal
from drainledger.web.service import Service
from drainledger.web.v1.calls import in_thread, submitted
from drainledger.web.v1.records import limits

router = APIRouter()

Json: TypeAlias = dict[str, Any]

MOST_ENTRIES: Final = 1000
#: Bytes that entries are answered with by what they read, from where on no more are read.
MOST_READ: Final = 32 * 1024 * 1024
_METHODS: Final = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE"})
#: The header that each of these elements of Bundle.entry.request stands for.
_CONDITIONS: Final = {"ifNoneMatch": "If-None-Match", "ifModifiedSince": "If-Modified-Since"}


class _Whole(Struct):
    """The Bundle as it came, the resources left as bytes."""

    type: str = ""
    entry: list[msgspec.Raw] = field(default_factory=list)


class _Entry(Struct):
    resource: msgspec.Raw = field(default_factory=msgspec.Raw)


class Asked(Struct):
    """One entry. `answered` is its response, once there is one; `sent` the Observation that it posts, `record` the id
    of the record that it is only to be made if there is none of."""

    place: int
    method: str = ""
    url: str = ""
    headers: dict[str, str] = field(default_factory=dict)
    sent: Sent | None = None
    record: str | None = None
    answered: Json | None = None

    @property
    def path(self) -> str:
        return f"Bundle.entry[{self.place}]"


@router.post("")
@router.post("/")
async def post_bundle(
    request: Request,
    principal: Annotated[Principal, Depends(MayEither())],
    source: Annotated[str | None, Header(alias=SOURCE_HEADER)] = None,
) -> Response:
    """A Bundle of the same number of entries, in the same order, each with what became of it."""
    service = service_of(request)
    checked_type(request)
    with service.budget.share() as take:
        raw = (await read_body(request, limits(service), take)).strip()
    kind, asked, faults = _taken_apart(request, principal, raw)
    if kind == "transaction" and faults:
        raise _first(faults)
    for place, refusal in faults.items():
        asked[place].answered = _of_refusal(refusal)
    posts = [one for one in asked if one.sent is not None and one.answered is None]
    if posts:
        await _write(request, principal, principal.source_of(source), posts, whole=kind == "transaction")
    await _read(request, [one for one in asked if one.answered is None])
    answered = [one.answered for one in asked]
    return fhir_reply(request, {"resourceType": "Bundle", "type": f"{kind}-response", **_listed(answered)})


def _listed(entries: Sequence[Json | None]) -> Json:
    return {"entry": list(entries)} if entries else {}


# In


def _taken_apart(
    request: Request, principal: Principal, raw: bytes
) -> tuple[str, list[Asked], dict[int, Refusal]]:
    """The kind of Bundle, its entries, and what is wrong with which. Raises FhirRefusal where it is no such Bundle."""
    bundle = _bundle(raw)
    if bundle["type"] not in ("batch", "transaction"):
        raise FhirRefusal(
            "bad-resource",
            "Only a batch or a transaction is taken here. Nothing was taken.",
            issue="value",
            expression=["Bundle.type"],
        )
    entries = bundle.get("entry", [])
    if not isinstance(entries, list):
        raise FhirRefusal("bad-resource", "Bundle.entry is a list.", expression=["Bundle.entry"])
    if len(entries) > MOST_ENTRIES:
        raise FhirRefusal(
            "too-many-records",
            f"A Bundle has at most {MOST_ENTRIES} entries here. Nothing was taken: send them in parts.",
        )
    bodies = [
        msgspec.json.decode(one, type=_Entry).resource for one in msgspec.json.decode(raw, type=_Whole).entry
    ]
    asked, faults = [], dict[int, Refusal]()
    for place, (entry, body) in enumerate(zip(entries, bodies, strict=True)):
        one = Asked(place)
        asked.append(one)
        try:
            _read_entry(request, principal, one, entry, bytes(body))
        except Refusal as refusal:
            faults[place] = refusal
    for place, double in _doubles(asked):
        faults.setdefault(place, double)
    return bundle["type"], asked, faults


def _bundle(raw: bytes) -> Json:
    """Raises FhirRefusal `bad-resource`, also where an entry is no object."""
    try:
        found = _decoder.decode(raw)
        msgspec.json.decode(raw, type=_Whole)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError, ArithmeticError):
        raise FhirRefusal("bad-resource", "The body is no Bundle in JSON. Nothing was taken.") from None
    if not isinstance(found, dict) or found.get("resourceType") != "Bundle":
        raise FhirRefusal(
            "bad-resource", "Only a Bundle is posted to the base. Nothing was taken.", issue="invalid"
        )
    for place, entry in enumerate(found.get("entry") or []):
        if not isinstance(entry, dict):
            raise FhirRefusal("bad-resource", "An entry is an object.", expression=[f"Bundle.entry[{place}]"])
    return {"type": "", **found}


_decoder = msgspec.json.Decoder()


def _read_entry(request: Request, principal: Principal, one: Asked, entry: Json, body: bytes) -> None:
    """Fills in what the entry asks for. Raises Refusal."""
    asked, path = entry.get("request"), f"{one.path}.request"
    if not isinstance(asked, dict):
        raise FhirRefusal("bad-resource", "An entry has a request.", issue="required", expression=[path])
    method, url = asked.get("method"), asked.get("url")
    if not isinstance(method, str) or method not in _METHODS or not isinstance(url, str) or not url:
        raise FhirRefusal(
            "bad-resource", "A request has a method and a url.", issue="required", expression=[path]
        )
    one.method, one.url = method, url
    if method == "GET":
        relative(request, url, path)
        for name, header in _CONDITIONS.items():
            if isinstance(asked.get(name), str):
                one.headers[header] = asked[name]
        return
    type = url.removeprefix(f"{fhir_base(request)}/").partition("?")[0].partition("/")[0]
    kind = r4_type(dialect_of(request), type)
    if method != "POST":
        raise _at(not_changed(kind or "This") if method != "HEAD" else _no_head(), path)
    if kind != "Observation" or type != url.removeprefix(f"{fhir_base(request)}/"):
        raise _at(only_observations(kind or "This"), path)
    if "records.write" not in principal.scopes:
        raise FhirRefusal("not-allowed", "This needs the scope records.write.", expression=[path])
    _read_post(one, entry, asked, body)


def _no_head() -> FhirRefusal:
    return FhirRefusal("not-supported", "Ask with GET.", issue="not-supported")


def _read_post(one: Asked, entry: Json, asked: Json, body: bytes) -> None:
    path = f"{one.path}.resource"
    if not body:
        raise FhirRefusal(
            "bad-resource", "What is posted stands in resource.", issue="required", expression=[path]
        )
    resource = resource_of(body, path)
    if resource["resourceType"] != "Observation":
        raise FhirRefusal(
            "bad-resource",
            "The resource is no Observation, as the url says.",
            issue="invalid",
            expression=[path],
        )
    criteria = asked.get("ifNoneExist")
    if criteria is not None and not isinstance(criteria, str):
        raise FhirRefusal(
            "bad-resource", "ifNoneExist is text.", expression=[f"{one.path}.request.ifNoneExist"]
        )
    one.record = named_by(criteria, of=f"{one.path}.request.ifNoneExist")
    full_url = entry.get("fullUrl")
    one.sent = Sent(
        raw=body, resource=resource, path=path, full_url=full_url if isinstance(full_url, str) else None
    )


def _doubles(asked: Sequence[Asked]) -> list[tuple[int, Refusal]]:
    """R4 bundle.html bdl-7: a fullUrl stands once."""
    seen: set[str] = set()
    found: list[tuple[int, Refusal]] = []
    for one in asked:
        url = None if one.sent is None else one.sent.full_url
        if url is not None and url in seen:
            text = "Another entry of this Bundle has the same fullUrl."
            at = [f"{one.path}.fullUrl"]
            found.append((one.place, FhirRefusal("bad-resource", text, issue="duplicate", expression=at)))
        elif url is not None:
            seen.add(url)
    return found


def _at(refusal: FhirRefusal, path: str) -> FhirRefusal:
    refusal.expression = (path,)
    return refusal


def _first(faults: dict[int, Refusal]) -> FhirRefusal:
    """A transaction that is refused, with each fault told of its entry; the status is that of the first."""
    first = faults[min(faults)]
    issues = [
        Issue(**(told | {"expression": told.get("expression") or [f"Bundle.entry[{place}]"]}))
        for place, refusal in sorted(faults.items())
        for told in of_refusal(refusal)["issue"]
    ]
    status = first.status if first.status != 405 else 400
    return FhirRefusal(first.code, "Nothing was taken.", issues=issues, status=status)


# Writing


async def _write(
    request: Request, principal: Principal, source: str, posts: Sequence[Asked], *, whole: bool
) -> None:
    """Reads and submits what is posted, and fills in what became of each."""
    service = service_of(request)
    at = roots(request)
    known, fresh, read = await in_thread(lambda: _look(service, principal, source, posts, at, whole))
    for place, stored in known.items():
        posts[place].answered = _of_made(request, Made(status=200, issues=(), stored=stored))
    sent = [one.sent for one in fresh if one.sent is not None]
    fit = [one for one in read if one.record is not None]
    if len(fit) < len(read):
        await note_refused(request, principal, read)
    if whole:
        _refuse_transaction(source, read, fit)
    for one in read:
        if one.record is None:
            for place, path in zip(one.of, one.paths, strict=True):
                fresh[place].answered = _refused_entry(refused([one]), path)
    answer = Answer(accepted=0, duplicates=0, waiting=0, held=0, results=())
    if fit:
        try:
            answer = await submitted(service, submission(request, principal, source, sent, fit, whole=whole))
        except NothingTaken as nothing:
            raise nothing_taken(fit, nothing) from None
    became = await in_thread(lambda: _became(service, principal, source, fit, answer.results))
    for one, those in zip(fit, became, strict=True):
        for place, each in zip(one.of, those, strict=True):
            fresh[place].answered = _of_made(request, each)


def _look(
    service: Service,
    principal: Principal,
    source: str,
    posts: Sequence[Asked],
    at: tuple[str, ...],
    whole: bool,
) -> tuple[dict[int, Stored], list[Asked], list[Understood]]:
    """What is there already, by place; the others, and what of these is understood."""
    with service.store.read(principal.tenant) as read:
        keys = {
            place: key
            for place, one in enumerate(posts)
            if one.record is not None and (key := exists(read, source, one.record)) is not None
        }
        known: dict[int, Stored] = {}
        for place, key in keys.items():
            first = posts[place].sent
            assert first is not None
            (one,) = understood(service, read, [first], at)
            stored = existing(service, read, key, one.codes[0])
            if stored is not None:
                known[place] = stored
        fresh = [one for place, one in enumerate(posts) if place not in known]
        sent = [one.sent for one in fresh if one.sent is not None]
        return known, fresh, understood(service, read, sent, at, joined=whole)


def _refuse_transaction(source: str, read: Sequence[Understood], fit: Sequence[Understood]) -> None:
    """Raises FhirRefusal where anything is not understood, or stands in it twice (R4 http.html#trules)."""
    if len(fit) < len(read):
        faulty = [one for one in read if one.record is None]
        raise FhirRefusal("refused-resource", "Nothing was taken.", issues=refused(faulty))
    seen: set[Key] = set()
    for one in fit:
        key = key_of(one, source)._replace(kind="reading")
        if key in seen:
            raise FhirRefusal(
                "refused-resource",
                "Another entry of this transaction has the same identifier. Nothing was taken.",
                issue="duplicate",
                expression=[one.places.get("/id", one.paths[0])],
            )
        seen.add(key)


def _became(
    service: Service, principal: Principal, source: str, fit: Sequence[Understood], results: Sequence[Result]
) -> list[list[Made]]:
    with service.store.read(principal.tenant) as read:
        return [made(service, read, one, source, each) for one, each in zip(fit, results, strict=True)]


# Reading


async def _read(request: Request, asked: Sequence[Asked]) -> None:
    """Fills in what became of each. The whole answer is held until it is sent: what it may be is bounded."""
    left = MOST_READ
    for one in asked:
        path = f"{one.path}.request"
        if left <= 0:
            text = "The entries before this one read as much as one Bundle can: send this one in another."
            one.answered = _of_refusal(FhirRefusal("too-many-records", text, expression=[path]))
            continue
        told = await ask(request, one.url, one.headers, path)
        left -= len(told.body)
        one.answered = _of_told(told)


# Out


def _of_made(request: Request, one: Made) -> Json:
    response: Json = {"status": _status(one.status)}
    if one.stored is not None and one.status < 400:
        response |= {
            "location": location(request, one.stored),
            "etag": version_tag(one.stored.version),
            "lastModified": one.stored.last_updated,
        }
    response["outcome"] = outcome(one.issues or (taken(one.status),))
    return {"response": response}


def _refused_entry(issues: Sequence[Issue], path: str) -> Json:
    mine = [
        issue for issue in issues if any(at == path or at.startswith(f"{path}.") for at in issue.expression)
    ]
    told = outcome(mine if any(issue.severity == "error" for issue in mine) else issues)
    return {"response": {"status": _status(422), "outcome": told}}


def _of_refusal(refusal: Refusal) -> Json:
    told = of_refusal(refusal)
    return {"response": {"status": _status(refusal.status), "outcome": told}}


def _of_told(told: Told) -> Json:
    """What a route answered to an entry that reads."""
    body = msgspec.Raw(told.body) if told.body else None
    response: Json = {"status": _status(told.status)}
    if told.status >= 400:
        return {"response": response | ({} if body is None else {"outcome": body})}
    if "etag" in told.headers:
        response["etag"] = told.headers["etag"]
    if "last-modified" in told.headers:
        response["lastModified"] = (
            parsedate_to_datetime(told.headers["last-modified"]).astimezone(UTC).isoformat()
        )
    return ({} if body is None else {"resource": body}) | {"response": response}


def _status(code: int) -> str:
    return f"{code} {HTTPStatus(code).phrase}"
