"""All that a route may use, made once: in `create_app`, or by a test from its own parts."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Protocol, cast

from starlette.requests import HTTPConnection

from drainledger.domain.collectors import Rules
from drainledger.domain.quantities import Units
from drainledger.intake.answers import Answer, Submission
from drainledger.intake.views import Views
from drainledger.rest.rest import Rest
from drainledger.settings import Settings
from drainledger.store.store import Store
from drainledger.web.audit import Audit
from drainledger.web.auth.principal import Principal
from drainledger.web.gate import Gate
from drainledger.web.limits import Acquainted, Budget, RateLimit
from drainledger.web.metrics import Metrics
from drainledger.web.oauth.service import OAuth
from drainledger.web.pages import Cursors


class Verifies(Protocol):
    """Access tokens; drainledger.web.auth.tokens.Tokens."""

    async def verify(self, token: str) -> Principal: ...


class ExportsJobs(Protocol):
    """Bulk exports; drainledger.web.fhir.bulk.worker.Exports."""

    def wake(self) -> None: ...

    def discard(self, export_id: str) -> None: ...

    def folder_of(self, export_id: str) -> Path: ...


class Submits(Protocol):
    """The way in; drainledger.intake.intake.Intake."""

    @property
    def rules(self) -> Rules: ...

    @property
    def units(self) -> Units: ...

    @property
    def alive(self) -> bool: ...

    def submit(self, submission: Submission) -> Future[Answer]: ...

    def cut(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Service:
    """`tokens` None: no JWT is accepted. `demo`: open to this machine."""

    settings: Settings
    store: Store
    intake: Submits
    views: Views
    rest: Rest
    clock: Callable[[], datetime]
    demo: bool
    tokens: Verifies | None
    oauth: OAuth
    exports: ExportsJobs
    audit: Audit
    gate: Gate
    metrics: Metrics
    rate: RateLimit
    acquainted: Acquainted
    budget: Budget
    cursors: Cursors


def service_of(connection: HTTPConnection) -> Service:
    return cast(Service, connection.app.state.service)


def origin_of(connection: HTTPConnection) -> str:
    """Where the service is as callers know it, without a slash at its end."""
    return service_of(connection).settings.public_url or str(connection.base_url).rstrip("/")
