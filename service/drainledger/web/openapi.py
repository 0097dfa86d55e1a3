"""The OpenAPI document: every status that a route can give, in the shapes that are really sent."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

import msgspec
from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from drainledger import __version__
from drainledger.intake.answers import Answer
from drainledger.web.caution import CAUTION, CAUTION_HEADER, DEMO_HEADER, REQUEST_HEADER
from drainledger.web.health import Health
from drainledger.web.problems import CATALOGUE, MEDIA_TYPE, ProblemBody
from drainledger.web.v1 import record_schema, shapes

Responses = dict[int | str, dict[str, Any]]

#: What any route may answer, whoever calls.
ANY: Final = ("bad-framing", "fault", "stopping", "not-from-here")
#: What a route that needs a key may answer.
KNOWN: Final = (
    *ANY,
    "not-authenticated",
    "not-allowed",
    "too-many-requests",
    "store-unavailable",
    "keys-unavailable",
)
#: What a view may answer besides.
VIEW: Final = (*KNOWN, "bad-parameter")

_REFERENCE: Final = "#/components/schemas/{name}"
_SHAPES: Final = (
    ProblemBody,
    Answer,
    Health,
    shapes.DrainsPage,
    shapes.DrainDetail,
    shapes.WindowsView,
    shapes.LedgerView,
    shapes.ChangesView,
    shapes.TraceView,
    shapes.HeldPage,
    shapes.HeldView,
    shapes.Discarded,
)


def gives(description: str, *shown: type, headers: Iterable[str] = (), **media: Any) -> dict[str, Any]:
    """One response: JSON of any of the `shown` shapes, and what else of other media types."""
    content: dict[str, Any] = {name: {"schema": schema} for name, schema in media.items()}
    if shown:
        references = [{"$ref": _REFERENCE.format(name=shape.__name__)} for shape in shown]
        schema = references[0] if len(references) == 1 else {"anyOf": references}
        content = {"application/json": {"schema": schema}} | content
    response: dict[str, Any] = {"description": description}
    if content:
        response["content"] = content
    if documented := {name: _HEADERS[name] for name in headers}:
        response["headers"] = documented
    return response


def not_ready(shape: type) -> dict[str, Any]:
    """503 of the readiness check: what is wrong, or that the service stops."""
    response = refusals("stopping")[503]
    response["content"]["application/json"] = {"schema": {"$ref": _REFERENCE.format(name=shape.__name__)}}
    return response


def viewed(description: str, *shown: type, headers: Iterable[str] = (), **media: Any) -> Responses:
    """A view that has a validator: 200, and 304 for who has it already."""
    return {
        200: gives(description, *shown, headers=("ETag", *headers), **media),
        304: gives("Not changed: what you have is what would be sent", headers=("ETag",)),
    }


def refusals(*codes: str) -> Responses:
    """The problems that a route may end in, by status."""
    by_status: dict[int, list[str]] = {}
    for code in dict.fromkeys(codes):
        by_status.setdefault(CATALOGUE[code].status, []).append(code)
    return {status: _refusal(status, named) for status, named in sorted(by_status.items())}


def _refusal(status: int, codes: list[str]) -> dict[str, Any]:
    headers = {401: ("WWW-Authenticate",), 429: ("Retry-After",), 503: ("Retry-After",)}.get(status, ())
    shown = {code: {"summary": CATALOGUE[code].title, "value": _example(code)} for code in codes}
    response = {
        "description": "; ".join(f"`{code}`: {CATALOGUE[code].title}" for code in codes),
        "content": {
            MEDIA_TYPE: {"schema": {"$ref": _REFERENCE.format(name="ProblemBody")}, "examples": shown}
        },
    }
    return response | ({"headers": {name: _HEADERS[name] for name in headers}} if headers else {})


def _example(code: str) -> dict[str, object]:
    kind = CATALOGUE[code]
    return {
        "type": f"https://drainledger.example/fhir/problems/{code}",
        "code": code,
        "title": kind.title,
        "status": kind.status,
        "detail": "What happened here, and what to do.",
        "request": "5f1d7a84db6e0c29",
    }


def _header(description: str) -> dict[str, Any]:
    return {"description": description, "schema": {"type": "string"}}


_HEADERS: Final[Mapping[str, dict[str, Any]]] = {
    "ETag": _header("Send it back as If-None-Match, and an unchanged view is answered 304"),
    "Link": _header('The next page, `rel="next"`; absent on the last (RFC 8288)'),
    "Retry-After": _header("Seconds to wait before the same call is worth sending again"),
    "WWW-Authenticate": _header("What is needed: Bearer"),
    "Drainledger-Held": _header("Records that name the drain and are held: they are not in this"),
    "Drainledger-Waiting": _header("Records that name the drain and wait for others: they are not in this"),
}
_COMMON: Final = {
    CAUTION_HEADER: _header(f"On every answer: {CAUTION}"),
    REQUEST_HEADER: _header("Names this call in the service's log and audit trail"),
}
_DEMO: Final = {DEMO_HEADER: _header("`open`: anybody on this machine may call; started with --demo")}


def describe(app: FastAPI, description: str, *, demo: bool) -> dict[str, Any]:
    """The whole document, made once."""
    if app.openapi_schema is None:
        document = get_openapi(
            title="Drainledger", version=__version__, description=description, routes=app.routes
        )
        _say_what_is_sent(document, _COMMON | (_DEMO if demo else {}))
        app.openapi_schema = document
    return app.openapi_schema


def _say_what_is_sent(document: dict[str, Any], headers: Mapping[str, Any]) -> None:
    schemas = document.setdefault("components", {}).setdefault("schemas", {})
    for unsent in ("HTTPValidationError", "ValidationError"):
        schemas.pop(unsent, None)
    schemas.update(msgspec.json.schema_components(_SHAPES, ref_template=_REFERENCE)[1])
    schemas.update(record_schema.SCHEMAS)
    for operation in (one for path in document["paths"].values() for one in path.values()):
        if "HTTPValidationError" in repr(operation["responses"].get("422")):
            del operation["responses"]["422"]  # the framework's guess; a bad parameter is a 400 here
        for response in operation["responses"].values():
            response["headers"] = {**headers, **response.get("headers", {})}
