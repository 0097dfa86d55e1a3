"""The application: every part put together, once."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import datetime

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from drainledger.intake.folds import TooManyReads
from drainledger.intake.views import Views
from drainledger.rest.rest import Rest
from drainledger.settings import Settings
from drainledger.store.errors import ClockBehind, StoreFault
from drainledger.store.store import Store
from drainledger.web import health, logs, openapi
from drainledger.web.about import description, page
from drainledger.web.audit import Audit
from drainledger.web.auth.guard import BEARER, May
from drainledger.web.envelope import Envelope, refused
from drainledger.web.fhir.bulk.worker import Exports
from drainledger.web.fhir.outcome import is_fhir
from drainledger.web.fhir.router import mount
from drainledger.web.gate import Gate
from drainledger.web.limits import Acquainted, Budget, RateLimit
from drainledger.web.metrics import MEDIA_TYPE, Metrics
from drainledger.web.oauth.routes import router as oauth_router
from drainledger.web.oauth.service import OAuth
from drainledger.web.pages import Cursors
from drainledger.web.problems import Refusal, retry_after
from drainledger.web.reply import json_reply
from drainledger.web.request_head import RequestHead
from drainledger.web.service import Service, Submits, Verifies, service_of
from drainledger.web.v1 import drains, held, ledger, records, trace


def create_app(
    settings: Settings,
    *,
    store: Store,
    intake: Submits,
    views: Views,
    clock: Callable[[], datetime],
    demo: bool = False,
) -> FastAPI:
    """The ASGI application; `demo` opens it to this machine. Store and intake belong to the caller, who closes them
    and `app.state.service.audit` before them."""
    rest = Rest(store, views.renderer)
    service = Service(
        settings=settings,
        store=store,
        intake=intake,
        views=views,
        rest=rest,
        clock=clock,
        demo=demo,
        tokens=_tokens(settings, clock),
        oauth=OAuth(settings, store, clock),
        exports=Exports(store, rest, settings, clock),
        audit=Audit(store, clock, views.patients),
        gate=Gate(),
        metrics=Metrics(),
        rate=RateLimit(settings.rate_per_second, settings.rate_burst, time.monotonic),
        acquainted=Acquainted(),
        budget=Budget(settings.max_held_bytes),
        cursors=Cursors(_cursor_secret(settings)),
    )
    app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None, redirect_slashes=False)
    app.state.service = service
    app.add_middleware(RequestHead)
    app.add_middleware(Envelope, service=service)  # the last added is the outermost
    _answer_errors(app)
    for router in (
        records.router,
        ledger.router,
        drains.router,
        trace.router,
        held.router,
        oauth_router,
    ):
        app.include_router(router)
    mount(app)
    _operation(app)
    _about(app)
    return app


def _tokens(settings: Settings, clock: Callable[[], datetime]) -> Verifies | None:
    if settings.jwt_issuer is None:
        return None
    # Cryptography takes a while to load, and a service without an issuer never needs it.
    from drainledger.web.auth import keyset
    from drainledger.web.auth.tokens import Tokens

    if settings.jwt_keys_file is not None:
        fetch = keyset.from_file(settings.jwt_keys_file)
    else:
        assert settings.jwt_keys_url is not None
        fetch = keyset.from_url(settings.jwt_keys_url)
    return Tokens(settings, keyset.PublicKeys(fetch, time.monotonic), clock)


def _cursor_secret(settings: Settings) -> bytes:
    """The same in every replica, so that a list may be paged through several."""
    secret = settings.patient_secret
    return b"demo" if secret is None else secret.get_secret_value().encode()


def _answer_errors(app: FastAPI) -> None:
    @app.exception_handler(Refusal)
    async def refusal(request: Request, error: Refusal) -> Response:
        return refused(service_of(request), error, request.scope)

    @app.exception_handler(StoreFault)
    async def store_fault(request: Request, error: StoreFault) -> Response:
        logs.logger().error("store", request=request.state.request, **logs.told(error))
        told = Refusal(
            "store-unavailable",
            "The database is busy or out of reach. Of records it is not known whether they were taken: send them "
            "again, and those that were are duplicates.",
            headers=retry_after(2),
        )
        return refused(service_of(request), told, request.scope)

    @app.exception_handler(TooManyReads)
    async def too_many_reads(request: Request, error: TooManyReads) -> Response:
        told = Refusal(
            "too-many-requests",
            "Other long reads of this tenant are at work: what it asked for before comes first. Ask again.",
            headers=retry_after(2),
        )
        return refused(service_of(request), told, request.scope)

    @app.exception_handler(ClockBehind)
    async def clock_behind(request: Request, error: ClockBehind) -> Response:
        logs.logger().error("clock behind", request=request.state.request, told=str(error))
        told = Refusal("clock-behind", f"Nothing of this request was taken: {error}", headers=retry_after(60))
        return refused(service_of(request), told, request.scope)

    @app.exception_handler(RequestValidationError)
    async def bad_parameter(request: Request, error: RequestValidationError) -> Response:
        place = next(iter(error.errors()), {"loc": ("", "")})["loc"]
        name = str(place[-1])
        told = Refusal("bad-parameter", f"See {_document(request)} for what it may be.", parameter=name)
        return refused(service_of(request), told, request.scope)

    @app.exception_handler(HTTPException)
    async def unrouted(request: Request, error: HTTPException) -> Response:
        headers = dict(error.headers or {})
        if "Allow" in headers:
            headers["Allow"] = _allowed(headers["Allow"])
            if request.method == "OPTIONS":
                return Response(status_code=204, headers=headers)
        code = "method-not-allowed" if error.status_code == 405 else "not-found"
        told = Refusal(code, f"See {_document(request)} for what there is.", headers=headers)
        return refused(service_of(request), told, request.scope)


def _document(request: Request) -> str:
    """Where it stands what can be called."""
    return "/fhir/R4/metadata (or /fhir/R5/metadata)" if is_fhir(request.scope) else "/openapi.json"


def _allowed(methods: str) -> str:
    """RFC 9110, 9.3.2 and 9.3.7: what can be got can be asked for without its body; and anybody may ask what can be."""
    named = set(methods.split(", "))
    return ", ".join(sorted(named | {"OPTIONS"} | ({"HEAD"} if "GET" in named else set())))


def _operation(app: FastAPI) -> None:
    get = {"response_class": Response, "methods": ["GET"], "tags": ["operation"]}
    app.add_api_route(
        "/health/live",
        health.live,
        summary="Whether the process answers",
        responses={200: openapi.gives("It does", health.Health), **openapi.refusals(*openapi.ANY)},
        **get,  # type: ignore[arg-type]  # one dict for three routes
    )
    app.add_api_route(
        "/health/ready",
        health.ready,
        summary="Whether to send requests here",
        responses={
            200: openapi.gives("Yes", health.Health),
            **openapi.refusals(*openapi.ANY),
            503: openapi.not_ready(health.Health),
        },
        **get,  # type: ignore[arg-type]  # one dict for three routes
    )
    app.add_api_route(
        "/metrics",
        metrics,
        summary="Figures for the monitoring (Prometheus); needs `operate`, unless metrics_open is set",
        openapi_extra={"security": [{BEARER.scheme_name: []}]},
        responses={
            200: openapi.gives("The figures", **{"text/plain": {"type": "string"}}),
            **openapi.refusals(*openapi.KNOWN),
        },
        **get,  # type: ignore[arg-type]  # one dict for three routes
    )


_may_operate = May("operate")


async def metrics(request: Request) -> Response:
    """Counts and times by route; nothing of patients."""
    service = service_of(request)
    if not service.settings.metrics_open:
        await _may_operate(request, await BEARER(request))
    service.metrics.in_flight.set(service.gate.in_flight)
    service.metrics.body_bytes.set(service.budget.used)
    return Response(service.metrics.text(), headers={"Content-Type": MEDIA_TYPE, "Cache-Control": "no-store"})


def _about(app: FastAPI) -> None:
    @app.get("/openapi.json", include_in_schema=False)
    async def document(request: Request) -> Response:
        demo = service_of(request).demo
        return json_reply(openapi.describe(app, description(demo=demo), demo=demo))

    @app.get("/docs", include_in_schema=False)
    @app.get("/", include_in_schema=False)
    async def about(request: Request) -> Response:
        demo = service_of(request).demo
        return HTMLResponse(page(openapi.describe(app, description(demo=demo), demo=demo), demo=demo))
