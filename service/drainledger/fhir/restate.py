"""A rendered body said again with another status, or withdrawn: what a history needs and `convert` does not.

Works on bodies that this package rendered: their `status` and `issued` stand once, outside of any text.
"""

from __future__ import annotations

import re
from datetime import datetime
from decimal import Decimal
from typing import Any

import msgspec

_ISSUED = re.compile(rb'"issued":"([^"]*)",')
_STATUS = re.compile(rb'"status":"([a-z-]+)"')
_DECODER = msgspec.json.Decoder(float_hook=Decimal)
_ENCODER = msgspec.json.Encoder(decimal_format="number")
_WITHDRAWN = {
    "coding": [
        {
            "system": "http://terminology.hl7.org/CodeSystem/data-absent-reason",
            "code": "error",
            "display": "Error",
        }
    ]
}


def content(body: bytes) -> bytes:
    """What tells whether a resource has changed: all of it but when this version was issued."""
    return _ISSUED.sub(b"", body, count=1)


def say_the_same(one: bytes, other: bytes) -> bool:
    """Whether two bodies have the same content, in whatever order it is written."""
    return bool(_DECODER.decode(content(one)) == _DECODER.decode(content(other)))


def reissued(body: bytes, issued: str) -> bytes:
    """The same, issued at another instant, though not before the one that it states: that is when the latest of what it
    says is so. Unchanged where its type tells none."""
    stated = _ISSUED.search(body)
    if stated is None or datetime.fromisoformat(stated[1].decode()) > datetime.fromisoformat(issued):
        return body
    return body[: stated.start()] + b'"issued":"%s",' % issued.encode() + body[stated.end() :]


def status_of(body: bytes) -> str:
    """The resource's status, "" where its type has none."""
    found = _STATUS.search(body)
    return found[1].decode() if found is not None else ""


def with_status(body: bytes, status: str) -> bytes:
    """The same with another status."""
    return _STATUS.sub(b'"status":"%s"' % status.encode(), body, count=1)


def withdrawn(body: bytes, issued: str) -> bytes:
    """The same entered in error: an Observation loses its values, so that a reader who ignores status adds up right."""
    resource: dict[str, Any] = _DECODER.decode(body)
    match resource["resourceType"]:
        case "Observation":
            resource["issued"] = issued
            _empty(resource)
            for component in resource.get("component", ()):
                _empty(component)
            resource["status"] = "entered-in-error"
        case "DeviceMetric":
            resource["operationalStatus"] = "entered-in-error"
        case "Patient" | "Provenance":
            return body
        case _:
            resource["status"] = "entered-in-error"
    return _ENCODER.encode(resource)


def _empty(element: dict[str, Any]) -> None:
    if element.get("hasMember"):
        return
    values = [name for name in element if name.startswith("value")]
    for name in values:
        del element[name]
    if values:
        element["dataAbsentReason"] = _WITHDRAWN
