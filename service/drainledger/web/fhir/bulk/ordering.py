"""What an export's kick-off asks for (Bulk Data Access IG 2.0.0, export.html, 'Query Parameters').

What can't be done is refused, so that the caller may ask without it; under `Prefer: handling=lenient` it is passed over
and told in the manifest's `error`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Final

import msgspec
from starlette.requests import Request

from drainledger.rest.export import TYPES, Level, Order
from drainledger.web.auth.principal import Principal
from drainledger.web.body import BodyLimits, read_body
from drainledger.web.fhir.access import may_read, require
from drainledger.web.fhir.base import dialect_of, fhir_base, r4_type, service_of
from drainledger.web.fhir.outcome import FhirRefusal
from drainledger.web.fhir.subset import part_of

Pairs = Sequence[tuple[str, str]]

_FORMATS: Final = frozenset({"application/fhir+ndjson", "application/ndjson", "ndjson"})
_KNOWN: Final = (
    "_outputFormat",
    "_since",
    "_type",
    "_elements",
    "_typeFilter",
    "includeAssociatedData",
    "patient",
)
_INSTANT: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?\d*(Z|[+-]\d\d:\d\d)", re.ASCII)
_VALUES: Final = (
    *("valueString", "valueInstant", "valueCode", "valueUri", "valueDateTime", "valueReference"),
)
_LONGEST_BODY: Final = 1 << 20
_PATIENT: Final = re.compile(r"(?:.*/)?Patient/([A-Za-z0-9.-]{1,64})")


def preferences(request: Request) -> frozenset[str]:
    """RFC 7240: what the caller would rather have."""
    told = ",".join(request.headers.getlist("prefer")).replace(";", ",")
    return frozenset(each.strip().lower().replace('"', "") for each in told.split(","))


async def pairs_of(request: Request) -> Pairs:
    """Parameters of the URL, and by POST those of a resource Parameters. Raises FhirRefusal `bad-resource`."""
    pairs = list(request.query_params.multi_items())
    if request.method != "POST":
        if any(name == "patient" for name, _ in pairs):
            raise FhirRefusal(
                "bad-parameter", "Name patients in a POST: an URL is kept in logs.", parameter="patient"
            )
        return pairs
    service = service_of(request)
    limits = BodyLimits(
        sent=_LONGEST_BODY, unpacked=_LONGEST_BODY, ratio=100, seconds=service.settings.body_seconds
    )
    with service.budget.share() as take:
        raw = await read_body(request, limits, take)
    return pairs + (_parameters(raw) if raw else [])


def _parameters(raw: bytes) -> list[tuple[str, str]]:
    try:
        told = msgspec.json.decode(raw, type=dict[str, Any])
        if told.get("resourceType") != "Parameters":
            raise ValueError
        return [_pair(each) for each in told.get("parameter", [])]
    except (ValueError, TypeError, KeyError, StopIteration, RecursionError):
        raise FhirRefusal(
            "bad-resource",
            "Send a resource Parameters whose parameters each have a name and a value[x]: valueString, valueInstant, "
            "and for patient valueReference.",
        ) from None


def _pair(parameter: dict[str, Any]) -> tuple[str, str]:
    value = next(parameter[name] for name in _VALUES if name in parameter)
    text = value["reference"] if isinstance(value, dict) else value
    if not isinstance(text, str) or not isinstance(parameter["name"], str):
        raise TypeError
    return parameter["name"], text


def order_of(
    request: Request, principal: Principal, level: Level, pairs: Pairs, members: frozenset[str] | None
) -> Order:
    """The order of a call. `members` are the patients of the group, None where it is none. Raises FhirRefusal."""
    asked = preferences(request)
    if "respond-async" not in asked:
        raise FhirRefusal(
            "bad-parameter",
            "An export is answered later: send the header Prefer: respond-async.",
            issue="required",
            parameter="Prefer",
        )
    told: list[str] = []
    lenient = "handling=lenient" in asked
    for name in dict.fromkeys(name for name, _ in pairs):
        if name not in _KNOWN or name == "_typeFilter":
            _pass_over(name, told, lenient=lenient or (name not in _KNOWN and "handling=strict" not in asked))
    formats = {_media(each) for name, each in pairs if name == "_outputFormat"}
    if not formats <= _FORMATS:
        raise FhirRefusal(
            "bad-parameter",
            "Exports are application/fhir+ndjson.",
            issue="not-supported",
            parameter="_outputFormat",
        )
    return Order(
        fhir=dialect_of(request),
        level=level,
        types=_types(request, principal, level, pairs, told, lenient=lenient),
        url=_url(request),
        since=_since(pairs),
        elements=_elements(pairs),
        patients=_patients(level, pairs, members),
        told=tuple(told),
    )


def _pass_over(name: str, told: list[str], *, lenient: bool) -> None:
    plain = name if re.fullmatch(r"_?[A-Za-z-]{1,40}", name) else "?"
    if not lenient:
        raise FhirRefusal(
            "bad-parameter",
            "This is not supported: ask without it, or with Prefer: handling=lenient, and it is passed over.",
            issue="not-supported",
            parameter=plain,
        )
    told.append(f"The parameter {plain} is not supported, and was passed over.")


def _media(text: str) -> str:
    return text.partition(";")[0].strip().lower().replace(" ", "+")


def _split(pairs: Pairs, wanted: str) -> list[str]:
    return [
        each.strip() for name, text in pairs if name == wanted for each in text.split(",") if each.strip()
    ]


def _types(
    request: Request, principal: Principal, level: Level, pairs: Pairs, told: list[str], *, lenient: bool
) -> tuple[str, ...]:
    fhir = dialect_of(request)
    wanted: set[str] = set()
    for name in _split(pairs, "_type"):
        found = r4_type(fhir, name)
        if found is None or found not in TYPES[level]:
            _pass_over_type(name, told, lenient=lenient)
        else:
            require(principal, found)
            wanted.add(found)
    is_open = not _split(pairs, "_type")
    for value in _split(pairs, "includeAssociatedData"):
        if value != "RelevantProvenanceResources":
            _pass_over("includeAssociatedData", told, lenient=lenient)
        elif not is_open:
            require(principal, "Provenance")
            wanted.add("Provenance")
    if is_open:
        wanted = {each for each in TYPES[level] if may_read(principal, each)}
    if not wanted:
        raise FhirRefusal(
            "not-allowed" if is_open else "bad-parameter",
            "There is nothing of this that the caller may export.",
        )
    return tuple(each for each in TYPES[level] if each in wanted)


def _pass_over_type(name: str, told: list[str], *, lenient: bool) -> None:
    plain = name if re.fullmatch(r"[A-Za-z]{1,64}", name) else "?"
    if not lenient:
        raise FhirRefusal(
            "bad-parameter",
            f"No {plain} is exported at this level: see metadata for the types that there are.",
            issue="not-supported",
            parameter="_type",
        )
    told.append(f"No {plain} is exported at this level.")


def _since(pairs: Pairs) -> datetime | None:
    given = [text for name, text in pairs if name == "_since"]
    if not given:
        return None
    text = given[0].replace(" ", "+")
    match = _INSTANT.fullmatch(text)
    try:
        if len(given) > 1 or match is None:
            raise ValueError
        return datetime.fromisoformat(f"{text[:19]}{match[1] or ''}{match[2]}").astimezone(UTC)
    except (ValueError, OverflowError):
        raise FhirRefusal(
            "bad-parameter",
            "Write one instant with its offset from UTC: 2026-03-02T07:00:00Z (a plus sign in a URL is written %2B).",
            parameter="_since",
        ) from None


def _elements(pairs: Pairs) -> tuple[str, ...] | None:
    named = _split(pairs, "_elements")
    return part_of(None, ",".join(named)).elements if named else None


def _patients(level: Level, pairs: Pairs, members: frozenset[str] | None) -> frozenset[str] | None:
    given = [text for name, text in pairs if name == "patient"]
    if not given:
        return members
    if level == "system":
        raise FhirRefusal(
            "bad-parameter", "Name patients in an export of patients or of a group.", parameter="patient"
        )
    found = [_PATIENT.fullmatch(each) for each in given]
    ids = frozenset(match[1] for match in found if match is not None)
    if len(found) != sum(match is not None for match in found) or (
        members is not None and not ids <= members
    ):
        raise FhirRefusal(
            "bad-parameter",
            "Each patient is a reference Patient/ID to one that is here, and in the group.",
            parameter="patient",
        )
    return ids


def _url(request: Request) -> str:
    """The call as the manifest repeats it: what names patients stood in the body alone."""
    path = request.url.path.partition(f"/fhir/{dialect_of(request)}")[2]
    query = f"?{request.url.query}" if request.url.query else ""
    return f"{fhir_base(request)}{path}{query}"
