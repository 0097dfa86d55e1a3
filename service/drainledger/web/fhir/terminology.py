"""The conformance set below `/fhir`, and the terminology operations of R4 and R5 over it: routes and operations."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC
from functools import partial
from typing import Any, Final

from fastapi import APIRouter, Request
from starlette.responses import Response

from drainledger.fhir.resource import Fhir
from drainledger.fhir.terminology import (
    OPERATIONS,
    TYPES,
    Inputs,
    Operation,
    of_query,
    of_resource,
    perform,
)
from drainledger.web.auth.principal import Principal
from drainledger.web.body import read_body
from drainledger.web.fhir.access import FhirReader, require
from drainledger.web.fhir.base import dialect_of, service_of
from drainledger.web.fhir.conformance_set import FORM, content_of, existing, read, search, told
from drainledger.web.fhir.create import checked_type
from drainledger.web.fhir.outcome import FhirRefusal
from drainledger.web.fhir.parameters import refuse_unknown
from drainledger.web.fhir.posting import resource_of
from drainledger.web.fhir.reply import fhir_reply
from drainledger.web.v1.records import limits

router = APIRouter()

_UNWRITTEN: Final = (
    "It follows from the mappings and the release: nobody writes it by FHIR, and no older versions of it are kept. "
    "Its ETag changes with its content."
)


# Operations


async def _operate(
    request: Request, principal: Principal, operation: Operation, id: str | None = None
) -> Response:
    """By GET with its parameters in the URL, by POST with a Parameters resource."""
    service, fhir = service_of(request), dialect_of(request)
    async with service.audit.access(request, principal, "operation"):
        require(principal, operation.type)
        content = await content_of(request, principal)
        instance = None if id is None else existing(content, operation.type, id)
        if instance is not None and fhir not in operation.instance:
            raise FhirRefusal(
                "not-supported",
                f"{fhir} defines ${operation.code} for the type alone: call {operation.type}/${operation.code}.",
            )
        inputs = await _inputs(request, operation, fhir, instance=instance is not None)
        timestamp = service.clock().astimezone(UTC).isoformat(timespec="milliseconds")
        answer = told(partial(perform, content, operation, inputs, instance, timestamp=timestamp))
        return fhir_reply(request, answer)


async def _inputs(request: Request, operation: Operation, fhir: Fhir, *, instance: bool) -> Inputs:
    if request.method == "GET":
        pairs = [pair for pair in request.query_params.multi_items() if pair[0] not in FORM]
        return told(partial(of_query, operation, pairs, fhir, instance=instance))
    checked_type(request)
    refuse_unknown(request, FORM)
    service = service_of(request)
    with service.budget.share() as take:
        raw = await read_body(request, limits(service), take)
    return told(partial(of_resource, operation, resource_of(raw, "Parameters"), fhir, instance=instance))


# Routes


async def _no_history(request: Request, principal: FhirReader) -> Response:
    raise FhirRefusal("not-supported", _UNWRITTEN)


async def _not_written(request: Request, principal: FhirReader) -> Response:
    raise FhirRefusal("method-not-allowed", _UNWRITTEN, headers={"Allow": "GET"})


def _add(path: str, work: Callable[..., Any], *methods: str) -> None:
    router.add_api_route(path, work, methods=list(methods))


def _add_operation(operation: Operation) -> None:
    async def of_type(request: Request, principal: FhirReader) -> Response:
        return await _operate(request, principal, operation)

    async def of_instance(request: Request, principal: FhirReader, id: str) -> Response:
        return await _operate(request, principal, operation, id)

    _add(f"/{operation.type}/${operation.code}", of_type, "GET", "POST")
    _add(f"/{operation.type}/{{id}}/${operation.code}", of_instance, "GET", "POST")


def _add_type(type: str) -> None:
    async def read_one(request: Request, principal: FhirReader, id: str) -> Response:
        return await read(request, principal, type, id)

    async def search_all(request: Request, principal: FhirReader) -> Response:
        return await search(request, principal, type)

    _add(f"/{type}", search_all, "GET")
    _add(f"/{type}/_search", search_all, "POST")
    for history in ("_history", "{id}/_history", "{id}/_history/{version}"):
        _add(f"/{type}/{history}", _no_history, "GET")
    _add(f"/{type}/{{id}}", read_one, "GET")
    _add(f"/{type}", _not_written, "POST")
    _add(f"/{type}/{{id}}", _not_written, "PUT", "PATCH", "DELETE")


for _each in OPERATIONS:
    _add_operation(_each)
for _type in TYPES:
    _add_type(_type)
