"""`/health/live` and `/health/ready`: for what starts, stops and routes to instances. Open to all; they say nothing of
what is stored."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Literal

from fastapi import Request
from msgspec import Struct
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from drainledger.store.errors import SchemaAhead, SchemaBehind, StoreFault
from drainledger.store.write import MOST_BEHIND
from drainledger.web.reply import json_reply
from drainledger.web.service import Service, service_of

State = Literal["ok", "unreachable", "behind", "ahead", "low", "stopping", "dead"]


class Health(Struct, kw_only=True):
    """`status`: live, ready or not-ready. `checks`: each with what it found."""

    status: Literal["live", "ready", "not-ready"]
    checks: dict[str, State]


def database_state(service: Service) -> State:
    """Whether the database answers and has this release's schema."""
    try:
        service.store.ping()
    except SchemaBehind:
        return "behind"
    except SchemaAhead:
        return "ahead"
    except StoreFault:
        return "unreachable"
    return "ok"


def disk_state(service: Service) -> State:
    """Room where the embedded database is; a database server looks after its own."""
    url = service.settings.database.get_secret_value()
    if not url.startswith("sqlite:"):
        return "ok"
    folder = Path(url.removeprefix("sqlite:///").partition("?")[0]).absolute().parent
    return "ok" if shutil.disk_usage(folder).free >= service.settings.min_free_bytes else "low"


def clock_state(service: Service) -> State:
    """Whether the clock has come as far as the last commit, give or take what writing allows."""
    try:
        last = service.store.last_received_at()
    except StoreFault:
        return "unreachable"
    return "behind" if last - service.clock() > MOST_BEHIND else "ok"


def _thread_state(alive: bool) -> State:
    return "ok" if alive else "dead"


async def live() -> Response:
    """The process answers. It says nothing of the database: a restart would not mend that."""
    return json_reply(Health(status="live", checks={}))


async def ready(request: Request) -> Response:
    """Whether to send requests here: the database answers, has the schema of this release, and has room; the clock
    is not behind what is written; both writers are at work; and the service is not about to stop."""
    service = service_of(request)
    database = await run_in_threadpool(database_state, service)
    checks: dict[str, State] = {
        "database": database if database not in ("behind", "ahead") else "ok",
        "schema": database,
        "disk": await run_in_threadpool(disk_state, service),
        "clock": await run_in_threadpool(clock_state, service) if database == "ok" else "ok",
        "intake": _thread_state(service.intake.alive),
        "audit": _thread_state(service.audit.alive),
    }
    if set(checks.values()) == {"ok"}:
        return json_reply(Health(status="ready", checks=checks))
    return json_reply(Health(status="not-ready", checks=checks), 503, {"Retry-After": "5"})
