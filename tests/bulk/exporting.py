"""Orders of exports, and what came of them."""

from __future__ import annotations

import json
import time
from typing import Any

from tests.web.http import Answered, Http

ASYNC = {"Prefer": "respond-async"}


def order(
    http: Http, path: str = "/fhir/R4/$export", *, prefer: str = "respond-async", **named: Any
) -> Answered:
    return http.get(path, headers={"Prefer": prefer}, **named)


def place(answered: Answered) -> str:
    assert answered.status_code == 202, answered.text
    return answered.headers["content-location"].removeprefix("http://127.0.0.1:8080")


def finished(http: Http, where: str, *, within: float = 60, **named: Any) -> Answered:
    """The answer once it is not under way any more."""
    deadline = time.monotonic() + within
    while (told := http.get(where, **named)).status_code == 202:
        assert time.monotonic() < deadline, told.headers
        assert told.headers["x-progress"]
        assert int(told.headers["retry-after"]) > 0
        time.sleep(0.05)
    return told


def exported(
    http: Http, path: str = "/fhir/R4/$export", *, key: str | None = "", **named: Any
) -> dict[str, Any]:
    """The manifest of a whole export."""
    told = finished(http, place(order(http, path, key=key, **named)), key=key)
    assert told.status_code == 200, told.text
    manifest: dict[str, Any] = told.json()
    return manifest


def lines(http: Http, manifest: dict[str, Any], kind: str = "output", **named: Any) -> list[bytes]:
    found: list[bytes] = []
    for each in manifest[kind]:
        answered = http.get(each["url"], **named)
        assert answered.status_code == 200, answered.text
        assert answered.headers["content-type"] == "application/fhir+ndjson"
        some = answered.content.splitlines()
        assert len(some) == each["count"]
        assert all(json.loads(line)["resourceType"] == each["type"] for line in some)
        found += some
    return found


def resources(http: Http, manifest: dict[str, Any], **named: Any) -> dict[str, dict[str, Any]]:
    """By `Type/id`; each comes once."""
    found = [json.loads(line) for line in lines(http, manifest, **named)]
    by_reference = {f"{each['resourceType']}/{each['id']}": each for each in found}
    assert len(by_reference) == len(found)
    return by_reference
