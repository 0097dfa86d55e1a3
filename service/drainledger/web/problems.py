"""Errors of a call itself as problem details (RFC 9457): one builder, one catalogue of stable types.

What is wrong with a record stands in the answer's results instead (DESIGN 3 'Answer'). A problem never shows what was
sent: no value, no identifier, no part of a body.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

import msgspec

MEDIA_TYPE: Final = "application/problem+json"


class Kind(NamedTuple):
    """One type of problem: the HTTP status it goes with, and a title that is the same each time."""

    status: int
    title: str


#: The last segment of each problem's `type`, which never changes its meaning once published.
CATALOGUE: Final[Mapping[str, Kind]] = MappingProxyType(
    {
        "bad-parameter": Kind(400, "A parameter of the call can't be used"),
        "bad-cursor": Kind(400, "The cursor is none that this service gave out for this list"),
        "bad-body": Kind(400, "The body can't be taken apart into records"),
        "bad-framing": Kind(400, "The request tells the length of its body in two ways"),
        "bad-gzip": Kind(400, "The body is not whole gzip data"),
        "body-cut-off": Kind(400, "The body ended before its announced length"),
        "no-records": Kind(400, "The body holds no record"),
        "bad-resource": Kind(400, "The resource, Bundle or Parameters can't be read"),
        "no-source": Kind(400, "Nobody said who the records come from"),
        "not-authenticated": Kind(401, "The caller is not known"),
        "not-allowed": Kind(403, "The caller may not do this"),
        "not-your-source": Kind(403, "The key belongs to another source"),
        "not-from-here": Kind(403, "The open demonstration answers only this machine"),
        "not-supported": Kind(400, "The service does not do this"),
        "not-found": Kind(404, "There is no such thing here"),
        "method-not-allowed": Kind(405, "There is nothing here that can be called in this way"),
        "not-acceptable": Kind(406, "None of the accepted media types can be given"),
        "body-too-slow": Kind(408, "The body took too long to arrive"),
        "conflict": Kind(409, "It does not go with what is here already"),
        "already-settled": Kind(409, "The held record has been replayed or discarded before"),
        "gone": Kind(410, "It was here and is not any more"),
        "precondition-failed": Kind(412, "What the call makes a condition does not hold"),
        "body-too-long": Kind(413, "The body is too long"),
        "unpacks-too-far": Kind(413, "The compressed body unpacks to more than is taken"),
        "record-too-long": Kind(413, "One record is too long"),
        "too-many-records": Kind(413, "The body holds too many records"),
        "unsupported-type": Kind(415, "The body is of a media type that is not taken"),
        "unsupported-coding": Kind(415, "The body is coded in a way that is not taken"),
        "refused-resource": Kind(422, "The resource can't be taken as it is"),
        "too-many-requests": Kind(429, "The caller sends too many requests"),
        "fault": Kind(500, "A fault of the service"),
        "stopping": Kind(503, "The service is stopping"),
        "partly-taken": Kind(503, "Some of the records were taken, and not the others"),
        "clock-behind": Kind(503, "The clock of the service is far behind the last commit"),
        "busy": Kind(503, "The service has too much to do at the moment"),
        "store-unavailable": Kind(503, "The database can't be used at the moment"),
        "keys-unavailable": Kind(
            503, "The keys that access tokens are checked with can't be had at the moment"
        ),
    }
)


class ProblemBody(msgspec.Struct, kw_only=True, omit_defaults=True):
    """A problem as sent. `type` is `{base}/problems/{code}`; `code` is its last segment, for programs; `detail` says
    what happened and what to do; `request` names the call in the service's log."""

    type: str
    code: str
    title: str
    status: int
    detail: str
    request: str
    parameter: str | None = None


class Refusal(Exception):
    """A call that ends in a problem; raised anywhere below a route, answered in one place.

    `code` is a key of CATALOGUE. `headers` go with the answer. `parameter` names the query parameter or header that is
    wrong, where one is.
    """

    def __init__(
        self,
        code: str,
        detail: str,
        *,
        headers: Mapping[str, str] | None = None,
        parameter: str | None = None,
    ) -> None:
        super().__init__(code)
        self.code = code
        self.detail = detail
        self.headers = dict(headers or {})
        self.parameter = parameter

    @property
    def status(self) -> int:
        return CATALOGUE[self.code].status


def problem(refusal: Refusal, *, base: str, request: str) -> bytes:
    """The body of the answer; the only place where one is made."""
    kind = CATALOGUE[refusal.code]
    return msgspec.json.encode(
        ProblemBody(
            type=f"{base}/problems/{refusal.code}",
            code=refusal.code,
            title=kind.title,
            status=kind.status,
            detail=refusal.detail,
            request=request,
            parameter=refusal.parameter,
        )
    )


def retry_after(seconds: float) -> dict[str, str]:
    """RFC 9110, 10.2.3: whole seconds, at least one."""
    return {"Retry-After": str(max(1, -int(-seconds // 1)))}
