"""From settings to a running service, and back down in order."""

from __future__ import annotations

import gc
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from fastapi import FastAPI
from pydantic import SecretStr

from drainledger.convert.lines import Source
from drainledger.domain.validation.decode import LONGEST
from drainledger.fhir import Renderer
from drainledger.intake.answers import Submission
from drainledger.intake.intake import Intake
from drainledger.intake.views import Views
from drainledger.mapping import Mappings, load_mappings
from drainledger.settings import DATABASE, BadSettings, Settings, is_loopback, unknown_variables
from drainledger.store.errors import SchemaBehind
from drainledger.store.store import Store
from drainledger.web import logs
from drainledger.web.app import create_app
from drainledger.web.caution import CAUTION
from drainledger.web.demo import ANYBODY, TENANT
from drainledger.web.server import server_of

_AT_ONCE = 500
_NO_SECRET = (
    "DRAINLEDGER_PATIENT_SECRET is not set: without it patients' ids could be guessed back. Set it to long random "
    "text, the same for good: python3 -c 'import secrets; print(secrets.token_urlsafe(32))'"
)


def run(settings: Settings, *, demo: bool = False, fixtures: Path | None = None) -> None:
    """Serves until it is told to stop. Raises BadSettings, StoreFault, MappingError, UnreadableInput."""
    check(settings, demo=demo, fixtures=fixtures)
    logs.configure(settings.log_level)
    for name in unknown_variables():
        logs.logger().warning("this variable sets nothing", variable=name)
    # Ledgers in memory are many small things that live long: by the usual thresholds the collector would go through all
    # of them again and again while a large request is folded, and take a quarter of its time.
    gc.set_threshold(50_000, 20, 50)
    with running(settings, demo=demo, fixtures=fixtures) as app:
        server_of(app, settings).run()


def check(settings: Settings, *, demo: bool, fixtures: Path | None) -> None:
    """Raises BadSettings for what must not be served like this."""
    if demo and not is_loopback(settings.host):
        raise BadSettings(["--demo asks for no key, and so listens on this machine alone: leave --host out"])
    if not demo and fixtures is not None:
        raise BadSettings(["--fixtures goes with --demo: invented records have no place in a real ledger"])
    if not demo and settings.patient_secret is None:
        raise BadSettings([_NO_SECRET])


@contextmanager
def running(settings: Settings, *, demo: bool, fixtures: Path | None = None) -> Iterator[FastAPI]:
    """The application with all that stands behind it, closed in order at the end."""
    mappings = load_mappings(settings.mappings)
    with ExitStack() as stack:
        settings = stack.enter_context(_own_database(settings, demo=demo))
        store = _opened(settings, demo=demo)
        stack.callback(store.close)
        renderer = Renderers(settings, mappings)
        intake = Intake(store, mappings.rules, mappings.units, renderer=renderer.of, clock=now)
        stack.callback(intake.close)
        if fixtures is not None:
            _load(intake, fixtures)
        views = Views(store, mappings.rules, renderer=renderer.of)
        app = create_app(settings, store=store, intake=intake, views=views, clock=now, demo=demo)
        stack.callback(app.state.service.audit.close)
        app.state.service.exports.start()
        stack.callback(app.state.service.exports.close)
        logs.logger().info("serving", host=settings.host, demo=demo, caution=CAUTION)
        yield app


def now() -> datetime:
    return datetime.now(UTC)


@contextmanager
def _own_database(settings: Settings, *, demo: bool) -> Iterator[Settings]:
    """A demonstration starts empty: unless a database is named, it has one of its own that goes with it."""
    if not demo or settings.database.get_secret_value() != DATABASE:
        yield settings
        return
    with tempfile.TemporaryDirectory(prefix="drainledger-demo-") as folder:
        url = f"sqlite:///{folder}/demo.db"
        yield settings.model_copy(update={"database": SecretStr(url)})


def _opened(settings: Settings, *, demo: bool) -> Store:
    """A new SQLite file gets its tables here; a database that has any is upgraded only by `drainledger db upgrade`."""
    url = settings.database.get_secret_value()
    try:
        return Store.open(url)
    except SchemaBehind as behind:
        if not url.startswith("sqlite:") or (behind.have is not None and not demo):
            raise
    from drainledger.store.migrations import upgrade  # of use once in a database's life

    upgrade(url)
    return Store.open(url)


class Renderers:
    """The renderer of each tenant, made once."""

    def __init__(self, settings: Settings, mappings: Mappings) -> None:
        self._settings, self._mappings = settings, mappings
        self._made: dict[str, Renderer] = {}

    def of(self, tenant: str) -> Renderer:
        if tenant not in self._made:
            secret = self._settings.patient_secret
            self._made[tenant] = Renderer(
                self._mappings.codes,
                base=self._settings.base,
                tenant=tenant,
                patient_secret=b"" if secret is None else secret.get_secret_value().encode(),
            )
        return self._made[tenant]


def _load(intake: Intake, fixtures: Path) -> None:
    """The records of a file, as if somebody had posted them."""
    with Source(fixtures, LONGEST) as source:
        lines = [line for _, line in source]
    for start in range(0, len(lines), _AT_ONCE):
        intake.submit(
            Submission(
                tenant=TENANT,
                source=ANYBODY.client or TENANT,
                lines=tuple(lines[start : start + _AT_ONCE]),
                principal="fixtures",
                request_id="fixtures",
                method="LOAD",
                route="fixtures",
            )
        ).result()
    logs.logger().info("fixtures loaded", records=len(lines))
