"""The application with everything behind it, called without a socket."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
from fastapi import FastAPI
from pydantic import SecretStr

from drainledger.settings import Settings
from drainledger.store import keys
from drainledger.store.store import Store
from drainledger.web import serve
from tests import postgres

SECRET = "of-these-tests-alone-and-nobody-else's"
NDJSON = "application/x-ndjson"
Answered = httpx.Response


class Http:
    """A caller of one application, on a loop of its own. `key` goes with every call that brings none."""

    def __init__(self, app: FastAPI, key: str | None, base: str = "http://127.0.0.1:8080") -> None:
        self.app = app
        self.key = key
        self._runner = asyncio.Runner()
        transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
        self._client = httpx.AsyncClient(transport=transport, base_url=base)

    def call(self, method: str, path: str, *, key: str | None = "", **named: Any) -> Answered:
        """`key` None: none is sent."""
        headers = dict(named.pop("headers", {}))
        given = self.key if key == "" else key
        if given is not None:
            headers.setdefault("Authorization", f"Bearer {given}")
        return self._runner.run(self._client.request(method, path, headers=headers, **named))

    def get(self, path: str, **named: Any) -> Answered:
        return self.call("GET", path, **named)

    def post(self, *records: object, **named: Any) -> Answered:
        """Records as NDJSON; bytes as they are."""
        body = b"\n".join(one if isinstance(one, bytes) else json.dumps(one).encode() for one in records)
        named["headers"] = {"Content-Type": NDJSON, **named.get("headers", {})}
        return self.call("POST", "/v1/records", content=body, **named)

    def together(self, calls: Sequence[Callable[[httpx.AsyncClient], Any]]) -> list[Answered]:
        async def all_at_once() -> list[Answered]:
            return list(await asyncio.gather(*(call(self._client) for call in calls)))

        return self._runner.run(all_at_once())

    def close(self) -> None:
        self._runner.run(self._client.aclose())
        self._runner.close()


def settings_for(folder: Path, **changed: Any) -> Settings:
    """Those of a service in `folder` that nothing slows down."""
    values: dict[str, Any] = {
        "database": SecretStr(f"sqlite:///{folder}/ward.db"),
        "patient_secret": SecretStr(SECRET),
        "rate_per_second": 1e6,
        "rate_burst": 1_000_000,
        "min_free_bytes": 0,
    }
    return Settings(**(values | changed))


def postgres_url() -> str:
    """A new database with its tables in the PostgreSQL of the tests."""
    return postgres.new_database().replace("postgresql://", "postgresql+psycopg://")


@contextmanager
def service(settings: Settings, *, demo: bool = False) -> Iterator[FastAPI]:
    """As `drainledger serve` makes it, but for the socket."""
    with serve.running(settings, demo=demo) as app:
        yield app


def store_of(app: FastAPI) -> Store:
    store: Store = app.state.service.store
    return store


def key_for(
    app: FastAPI,
    *scopes: str,
    tenant: str = "north",
    source: str | None = "bedside",
    expires_at: datetime | None = None,
    now: datetime | None = None,
) -> str:
    text, _ = keys.create(
        store_of(app),
        tenant,
        source=source,
        scopes=scopes or keys.SCOPES,
        now=now or datetime.now(UTC),
        expires_at=expires_at,
    )
    return text


@contextmanager
def caller(settings: Settings, *, demo: bool = False) -> Iterator[Http]:
    """A caller with a key that may do everything, or none at all in the demonstration."""
    with service(settings, demo=demo) as app:
        http = Http(app, None if demo else key_for(app))
        try:
            yield http
        finally:
            http.close()
