"""`GET /{type}` and `POST /{type}/_search` (R4 http.html#search), a page at a time; `Observation/$lastn`.

The link to the next page holds the whole search in a cursor: what was asked, as of when, and where the page begins.
Where what was asked for may be a patient's number, the link to the search itself is one, too.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import datetime
from functools import partial
from typing import Any, Final
from urllib.parse import urlencode

import msgspec
from fastapi import APIRouter, Request
from msgspec import Struct
from msgspec.structs import replace
from starlette.responses import Response

from drainledger.fhir.search import Query, SearchRefused, parse
from drainledger.rest.bundles import resource_entries, searchset, told
from drainledger.rest.engine import Mark, Page
from drainledger.rest.references import r4_name
from drainledger.rest.too_costly import TooCostly
from drainledger.web.auth.principal import Principal
from drainledger.web.fhir.access import FhirReader, may_read, require, touch
from drainledger.web.fhir.base import dialect_of, fhir_base, own_url, served_type, service_of, type_name
from drainledger.web.fhir.forms import given_pairs
from drainledger.web.fhir.outcome import FhirRefusal, Issue, outcome
from drainledger.web.fhir.parameters import is_strict
from drainledger.web.fhir.reply import fhir_reply
from drainledger.web.fhir.subset import Part, part_of, subset, tagged
from drainledger.web.pages import bad_cursor
from drainledger.web.v1.calls import in_thread

router = APIRouter()

Json = dict[str, Any]
Pairs = Sequence[tuple[str, str]]

CURSOR: Final = "cursor"
#: How the answer is written; asked anew for each page.
_FORM: Final = frozenset({"_format", "_pretty"})
_MOST_LAST: Final = 100
#: What `$lastn` has to be told.
_LASTN: Final = (("patient", "subject"), ("category", "code", "combo-code"))
#: What of a search has no place in it: all is on one page, in its own order, and nothing comes along.
_NOT_OF_LASTN: Final = frozenset({"_count", "_include", "_revinclude", "_sort", "_total"})
#: Of a cursor: servers and proxies take URLs of some 8 KiB.
_LONGEST: Final = 6000


class Begun(Struct, frozen=True):
    """What a cursor holds: the search, when it was begun, and the page."""

    pairs: Pairs
    at: datetime
    mark: Mark


class Asked(Struct, frozen=True):
    """A search of `type`, R4's name, that was understood, and when it was begun; `mark` None: its first page. `most`:
    what `$lastn` is asked for, None of another search."""

    type: str
    query: Query
    at: datetime
    mark: Mark | None
    part: Part
    most: int | None = None


@router.get("/Observation/$lastn")
async def lastn(request: Request, principal: FhirReader) -> Response:
    """The latest of each code (R4 observation-operation-lastn.html); `max` of each, one where nothing is said."""
    pairs = await given_pairs(request)
    most = _most([value for name, value in pairs if name == "max"])
    passed_over = [name for name, _ in pairs if name.partition(":")[0] in _NOT_OF_LASTN]
    if passed_over and is_strict(request):
        raise FhirRefusal(
            "bad-parameter",
            f"$lastn takes max and what Observations are searched by; leave out {', '.join(sorted(_NOT_OF_LASTN))}.",
            issue="not-supported",
            parameter=passed_over[0].partition(":")[0],
        )
    rest = [pair for pair in pairs if pair[0] != "max" and pair[0] not in passed_over]
    names = {re.split("[:.]", name)[0] for name, _ in rest if not name.endswith((":missing", ":not"))}
    for needed in _LASTN:
        if names.isdisjoint(needed):
            raise FhirRefusal(
                "bad-parameter",
                f"The last of whom, and of what? Give {' or '.join(needed)}.",
                issue="required",
                parameter=needed[0],
            )

    def look(asked: Asked, tenant: str) -> Page:
        search = service_of(request).rest.search
        return search.last_of_each(tenant, asked.query, dialect_of(request), most)

    asked_over = tuple(name.partition(":")[0] for name in passed_over)
    return await _answer(request, principal, "Observation", rest, look, most=most, passed_over=asked_over)


@router.get("/{type}")
async def search(request: Request, principal: FhirReader, type: str) -> Response:
    """What of a type is as the parameters say."""
    return await _search(request, principal, type)


@router.post("/{type}/_search")
async def search_by_form(request: Request, principal: FhirReader, type: str) -> Response:
    """The same, with parameters that no URL should hold in a form."""
    return await _search(request, principal, type)


async def _search(request: Request, principal: Principal, type: str) -> Response:
    pairs = await given_pairs(request)

    def look(asked: Asked, tenant: str) -> Page:
        search = service_of(request).rest.search
        return search.page(tenant, asked.query, dialect_of(request), asked.mark, partial(may_read, principal))

    return await _answer(request, principal, type, pairs, look)


async def _answer(
    request: Request,
    principal: Principal,
    type: str,
    pairs: Pairs,
    look: Callable[[Asked, str], Page],
    *,
    most: int | None = None,
    passed_over: Sequence[str] = (),
) -> Response:
    action = "search" if most is None else "operation"
    async with service_of(request).audit.access(request, principal, action) as access:
        kind = served_type(request, type)
        require(principal, kind)
        asked = replace(_asked(request, principal, kind, pairs), most=most)
        asked = replace(asked, query=replace(asked.query, ignored=[*asked.query.ignored, *passed_over]))
        for has in asked.query.has:
            require(principal, r4_name(dialect_of(request), has.query.type))

        def answered() -> Response:
            page = look(asked, principal.tenant)
            touch(access, *page.matches, *page.included)
            return fhir_reply(request, _bundle(request, principal, asked, page))

        try:
            # Thousands of resources are written as well as looked for where nobody else has to wait.
            return await in_thread(answered)
        except TooCostly as refused:
            raise FhirRefusal("bad-parameter", str(refused), issue="too-costly") from None


# What is asked


def _asked(request: Request, principal: Principal, type: str, pairs: Pairs) -> Asked:
    """Raises FhirRefusal, and Refusal `bad-cursor`."""
    mark, at = None, service_of(request).clock()
    cursor = next((value for name, value in pairs if name == CURSOR), None)
    if cursor is not None:
        begun = _begun(service_of(request).cursors.read(principal.tenant, _listed(request, type), cursor))
        pairs, mark = [*begun.pairs, *(pair for pair in pairs if pair[0] in _FORM)], begun.mark
        at = begun.at
    query = _parsed(request, type, pairs, at)
    part = part_of(query.summary, ",".join(query.elements) if query.elements else None)
    return Asked(type, query, at, mark, part)


def _parsed(request: Request, type: str, pairs: Pairs, at: datetime) -> Query:
    service, fhir = service_of(request), dialect_of(request)
    try:
        return parse(
            type_name(fhir, type),
            pairs,
            fhir=fhir,
            base=fhir_base(request),
            local=f"{service.settings.base}/CodeSystem/chest-drain",
            strict=is_strict(request),
            now=at,
        )
    except SearchRefused as refused:
        raise FhirRefusal(
            "bad-parameter", refused.text, issue=refused.issue, parameter=refused.parameter
        ) from None


def _begun(position: str) -> Begun:
    try:
        return msgspec.json.decode(position, type=Begun)
    except msgspec.MsgspecError:
        raise bad_cursor() from None


def _listed(request: Request, type: str) -> str:
    """A cursor holds for one list alone."""
    return "\0".join(("search", dialect_of(request), type))


def _most(given: Sequence[str]) -> int:
    text = given[-1] if given else "1"
    if not (text.isascii() and text.isdigit() and 1 <= int(text[:9]) <= _MOST_LAST):
        raise FhirRefusal("bad-parameter", f"A whole number from 1 to {_MOST_LAST}.", parameter="max")
    return int(text)


# How it is told


def _bundle(request: Request, principal: Principal, asked: Asked, page: Page) -> Json:
    fhir, base, part = dialect_of(request), fhir_base(request), asked.part

    def shown(resource: Json) -> Json:
        return subset(resource, fhir, summary=part.summary, elements=part.elements)

    entries = [
        *resource_entries(page.matches, "match", base=base, fhir=fhir, shown=shown),
        *resource_entries(page.included, "include", base=base, fhir=fhir, shown=shown),
    ]
    if asked.query.ignored:
        entries.append(told(_passed_over(asked.query.ignored)))
    bundle = searchset(
        entries,
        at=service_of(request).clock(),
        links=_links(request, principal, asked, page),
        total=page.total,
    )
    return tagged(bundle) if part.summary == "count" else bundle


def _passed_over(names: Sequence[str]) -> Json:
    listed = ", ".join(dict.fromkeys(names))
    text = f"Not known to this search, and passed over: {listed}. See metadata for what it knows."
    return outcome([Issue(severity="warning", code="not-supported", diagnostics=text)])


def _links(request: Request, principal: Principal, asked: Asked, page: Page) -> dict[str, str]:
    """The search itself, as it was understood; its first page; the next, where there is one. What was posted shall
    stand in no URL, and a patient's number in none that is made here: there a cursor holds it."""
    url = own_url(request).removesuffix("/_search")
    form = [pair for pair in request.query_params.multi_items() if pair[0] in _FORM]
    is_opaque = asked.query.names_people or request.method == "POST"
    used = asked.query.used
    if asked.most is not None:
        told_ = [] if is_opaque else [("max", str(asked.most)), *used]
        return {"self": _url(url, [*told_, *form])}

    def at(mark: Mark) -> str:
        begun = msgspec.json.encode(Begun(used, asked.at, mark)).decode()
        cursor = service_of(request).cursors.give(principal.tenant, _listed(request, asked.type), begun)
        if len(cursor) > _LONGEST:
            raise FhirRefusal(
                "bad-parameter",
                "So many values fit in no link to another page: ask for fewer of them at once.",
                issue="too-costly",
            )
        return _url(url, [(CURSOR, cursor), *form])

    links = {}
    if asked.mark is None and not is_opaque:
        links["self"] = _url(url, [*used, *form])
    else:
        links["self"] = at(page.start)
    if page.next is not None:
        links["first"] = at(Mark(horizon=page.start.horizon, total=page.total))
        links["next"] = at(page.next)
    return links


def _url(url: str, pairs: Pairs) -> str:
    return f"{url}?{urlencode(pairs)}" if pairs else url
