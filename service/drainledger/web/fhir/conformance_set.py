"""The conformance set below `/fhir`: made once, read, and searched.

It follows from the mappings in force and from this release, and is stored nowhere: so it has no history, and nobody
writes it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Final, TypeVar
from urllib.parse import parse_qsl, urlencode

from starlette.requests import Request
from starlette.responses import Response

from drainledger.fhir import conformance_resources
from drainledger.fhir.dialect import Json
from drainledger.fhir.resource import Fhir
from drainledger.fhir.terminology import Canonical, Content, TerminologyRefused
from drainledger.fhir.terminology.searching import Clause, clause, found
from drainledger.web import etags
from drainledger.web.auth.principal import Principal
from drainledger.web.body import read_body
from drainledger.web.fhir.access import require
from drainledger.web.fhir.base import dialect_of, fhir_base, service_of
from drainledger.web.fhir.outcome import FhirRefusal, Issue, outcome
from drainledger.web.fhir.parameters import is_strict, refuse_unknown
from drainledger.web.fhir.reply import PRIVATE, fhir_reply, version_tag
from drainledger.web.fhir.subset import Part, part_of, subset, tagged
from drainledger.web.service import Service
from drainledger.web.v1.calls import in_thread
from drainledger.web.v1.records import limits

Pairs = Sequence[tuple[str, str]]
T = TypeVar("T")

#: Parameters that say how to answer, and nothing of what.
FORM: Final = frozenset({"_format", "_pretty", "_summary", "_elements"})
_ON_PAGES: Final = frozenset({"_count", "_offset", "_total"})
_MOST: Final = 1000
_URLENCODED: Final = "application/x-www-form-urlencoded"


# The set


def told(work: Callable[[], T]) -> T:
    """What the set's own modules refuse, as the service tells it. Raises FhirRefusal."""
    try:
        return work()
    except TerminologyRefused as refused:
        code = _CODES.get(refused.issue, "bad-parameter")
        raise FhirRefusal(code, refused.text, issue=refused.issue, expression=refused.where) from None


_CODES: Final = {"not-found": "not-found", "not-supported": "not-supported", "structure": "bad-resource"}


async def content_of(request: Request, principal: Principal) -> Content:
    """The set of this version: made once, for it is the same for every tenant."""
    kept: dict[Fhir, Content] = request.app.state.__dict__.setdefault("conformance_set", {})
    fhir = dialect_of(request)
    if fhir not in kept:
        kept[fhir] = await in_thread(lambda: _made(service_of(request), principal.tenant, fhir))
    return kept[fhir]


def _made(service: Service, tenant: str, fhir: Fhir) -> Content:
    codes = service.rest.renderer(tenant).vocabulary.codes
    return Content(conformance_resources(codes, service.settings.base, fhir), fhir)


def existing(content: Content, type: str, id: str) -> Canonical:
    one = content.read(type, id)
    if one is None:
        known = ", ".join(each.id for each in content.of(type))
        raise FhirRefusal("not-found", f"There is no {type} of this id here. There are: {known}.")
    return one


# Read and search


async def read(request: Request, principal: Principal, type: str, id: str) -> Response:
    """One resource of the set. 304 for who has this content already."""
    async with service_of(request).audit.access(request, principal, "read") as access:
        require(principal, type)
        refuse_unknown(request, FORM)
        one = existing(await content_of(request, principal), type, id)
        part = _part(request.query_params.multi_items())
        if part.summary == "count":
            raise FhirRefusal("bad-parameter", "There is nothing to count in a read.", parameter="_summary")
        headers = {"ETag": version_tag(one.tag)} | PRIVATE
        if etags.matches(request.headers.get("if-none-match"), f'"{one.tag}"'):
            access.outcome = 304
            return Response(status_code=304, headers=headers)
        if part.is_whole:
            return fhir_reply(request, one.body, headers=headers)
        return fhir_reply(request, _some(one, dialect_of(request), part), headers=headers)


async def search(request: Request, principal: Principal, type: str) -> Response:
    async with service_of(request).audit.access(request, principal, "search"):
        require(principal, type)
        pairs = [*request.query_params.multi_items(), *(await _posted(request))]
        return fhir_reply(request, _bundle(request, await content_of(request, principal), type, pairs))


async def _posted(request: Request) -> Pairs:
    """The parameters of a search by POST. Raises FhirRefusal `unsupported-type`, `bad-parameter`."""
    if request.method != "POST":
        return []
    stated = request.headers.get("content-type", _URLENCODED).partition(";")[0].strip().lower()
    if stated != _URLENCODED:
        raise FhirRefusal("unsupported-type", f"Send the parameters of a search as {_URLENCODED}.")
    service = service_of(request)
    with service.budget.share() as take:
        raw = await read_body(request, limits(service), take)
    try:
        return parse_qsl(raw.decode(), keep_blank_values=True, max_num_fields=_MOST)
    except ValueError:
        raise FhirRefusal(
            "bad-parameter", "The parameters can't be read: write them as a form does."
        ) from None


def _bundle(request: Request, content: Content, type: str, pairs: Pairs) -> Json:
    clauses, used, unknown = _clauses(request, type, pairs)
    hits = found(content.of(type), clauses)
    part = _part(pairs)
    count, offset = _number(pairs, "_count", _MOST), _number(pairs, "_offset", 0)
    page = [] if part.summary == "count" else hits[offset : offset + min(count, _MOST)]
    url = f"{fhir_base(request)}/{type}"
    links = [{"relation": "self", "url": _url(url, used)}]
    if page and offset + len(page) < len(hits):
        rest = [pair for pair in used if pair[0] != "_offset"]
        links.append({"relation": "next", "url": _url(url, [*rest, ("_offset", str(offset + len(page)))])})
    entries = [
        {
            "fullUrl": f"{url}/{each.id}",
            "resource": _some(each, content.fhir, part),
            "search": {"mode": "match"},
        }
        for each in page
    ]
    if unknown:
        entries.append({"resource": _passed_over(unknown), "search": {"mode": "outcome"}})
    bundle: Json = {"resourceType": "Bundle", "type": "searchset", "total": len(hits), "link": links}
    bundle |= {"entry": entries} if entries else {}
    return tagged(bundle) if part.summary == "count" else bundle


def _clauses(request: Request, type: str, pairs: Pairs) -> tuple[list[Clause], Pairs, int]:
    """What to match, the parameters that were used, and how many were not. Raises FhirRefusal."""
    clauses: list[Clause] = []
    used: list[tuple[str, str]] = []
    unknown = 0
    for name, text in pairs:
        if name in FORM or name in _ON_PAGES:
            used.append((name, text))
        elif (one := told(partial(clause, type, name, text))) is not None:
            clauses.append(one)
            used.append((name, text))
        else:
            unknown += 1
    if unknown and is_strict(request):
        raise FhirRefusal(
            "bad-parameter",
            "This search does not know one of the parameters; metadata lists those that it knows. Leave it out, or ask "
            "without handling=strict.",
            issue="not-supported",
        )
    return clauses, used, unknown


def _passed_over(unknown: int) -> Json:
    text = f"{unknown} of the parameters are not known to this search and were passed over: see metadata for its own."
    return outcome([Issue(severity="warning", code="not-supported", diagnostics=text)])


def _url(url: str, pairs: Pairs) -> str:
    return f"{url}?{urlencode(pairs)}" if pairs else url


def _number(pairs: Pairs, name: str, otherwise: int) -> int:
    text = _last(pairs, name)
    if text is None:
        return otherwise
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise FhirRefusal("bad-parameter", "Write a whole number, 0 or more.", parameter=name)
    return int(text)


def _part(pairs: Pairs) -> Part:
    return part_of(_last(pairs, "_summary"), _last(pairs, "_elements"))


def _last(pairs: Pairs, name: str) -> str | None:
    return next((text for each, text in reversed(pairs) if each == name), None)


def _some(one: Canonical, fhir: Fhir, part: Part) -> Json:
    return subset(one.resource, fhir, summary=part.summary, elements=part.elements)
