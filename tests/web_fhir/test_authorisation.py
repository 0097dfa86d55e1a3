"""Every route below `/fhir`, by callers who may not: whatever there is asks who calls, unless it is open by name."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import pytest
from fastapi import APIRouter
from fastapi.routing import APIRoute

from drainledger.store import keys
from drainledger.web.fhir import bulk, terminology
from drainledger.web.fhir.router import ROUTERS, VERSIONS
from tests.web.http import Http, key_for, store_of

#: What says what the service is, and how to get in.
OPEN = {("GET", "/metadata"), ("GET", "/.well-known/smart-configuration")}
#: A Bundle is let in by either scope: each of its entries then needs its own. To validate shows nothing that is held.
EITHER = {
    ("POST", "/"),
    ("POST", ""),
    ("POST", "/{type}/$validate"),
    ("POST", "/{type}/{id}/$validate"),
}


class Route(NamedTuple):
    """`scope` is what it needs."""

    method: str
    template: str
    scope: str

    def path(self, version: str) -> str:
        """A call of it that would find nothing."""
        named = self.template.replace("{type}", "Observation").replace("{version}", "1")
        return f"/fhir/{version}{re.sub('{[^}]*}', 'nothing', named)}"


def needed(router: APIRouter, method: str, template: str) -> str:
    """To write is to create, change or delete; to search, to calculate and to export is to read. What is the same for
    all is not written by anybody."""
    reads = method == "GET" or "_search" in template or "$" in template
    return "read" if reads or router in (terminology.router, bulk.router) else "records.write"


def routes() -> list[Route]:
    found = {
        Route(method, route.path, needed(router, method, route.path))
        for router in (bulk.router, *ROUTERS)
        for route in router.routes
        if isinstance(route, APIRoute)
        for method in route.methods or ()
    }
    return sorted(route for route in found if route[:2] not in OPEN)


@pytest.mark.parametrize("route", routes(), ids=lambda route: f"{route.method} {route.template}")
def test_each_route_asks_who_calls(ward: Http, route: Route) -> None:
    now = datetime.now(UTC)
    past = now - timedelta(hours=2)
    revoked = key_for(ward.app)
    keys.revoke(store_of(ward.app), "north", revoked.split("_")[2], now)
    strangers = {
        "nobody": None,
        "made up": "dl_north_000000000000_" + "0" * 52,
        "expired": key_for(ward.app, now=past, expires_at=past + timedelta(hours=1)),
        "revoked": revoked,
    }
    for version in VERSIONS:
        for who, key in strangers.items():
            got = ward.call(route.method, route.path(version), key=key)
            assert got.status_code == 401, who
            assert got.json()["issue"][0]["code"] == "login"
        for scope in keys.SCOPES:
            enough = route.scope == scope or (route[:2] in EITHER and scope != "operate")
            got = ward.call(route.method, route.path(version), key=key_for(ward.app, scope))
            assert (got.status_code == 403) == (not enough), (scope, got.text)


def test_there_are_routes_to_ask() -> None:
    every = set(routes())
    assert {Route("GET", "/{type}/{id}", "read"), Route("GET", "/{type}/_history", "read")} <= every
    assert Route("POST", "/{type}", "records.write") in every
