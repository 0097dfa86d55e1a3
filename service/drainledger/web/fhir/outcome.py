"""Errors below `/fhir` as OperationOutcomes (R4 operationoutcome.html): what, why, and what to do; never whose."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, Literal

from msgspec import Struct

from drainledger.web.problems import CATALOGUE, Refusal

Json = dict[str, Any]
Severity = Literal["fatal", "error", "warning", "information"]

#: issue.code (R4 valueset-issue-type.html) of each problem of a call; what is not named here is `processing`.
_TYPES: Final[Mapping[str, str]] = {
    "bad-parameter": "value",
    "bad-cursor": "value",
    "bad-body": "structure",
    "bad-framing": "structure",
    "bad-gzip": "structure",
    "body-cut-off": "structure",
    "bad-resource": "structure",
    "no-records": "required",
    "no-source": "required",
    "not-authenticated": "login",
    "not-allowed": "forbidden",
    "not-your-source": "forbidden",
    "not-from-here": "security",
    "not-supported": "not-supported",
    "not-found": "not-found",
    "method-not-allowed": "not-supported",
    "not-acceptable": "not-supported",
    "unsupported-type": "not-supported",
    "unsupported-coding": "not-supported",
    "conflict": "conflict",
    "already-settled": "conflict",
    "gone": "deleted",
    "precondition-failed": "conflict",
    "body-too-slow": "timeout",
    "body-too-long": "too-long",
    "unpacks-too-far": "too-long",
    "record-too-long": "too-long",
    "too-many-records": "too-costly",
    "refused-resource": "business-rule",
    "too-many-requests": "throttled",
    "fault": "exception",
    "stopping": "transient",
    "partly-taken": "incomplete",
    "clock-behind": "transient",
    "busy": "transient",
    "store-unavailable": "transient",
    "keys-unavailable": "transient",
}


def is_fhir(scope: Mapping[str, Any]) -> bool:
    """Whether a request, in ASGI's terms, is to be answered as FHIR."""
    return f"{scope['path']}/".startswith("/fhir/")


def media_type_of(scope: Mapping[str, Any]) -> str:
    """What FHIR is written as in answer to a request; the version is R4's where the path names none."""
    version = "5.0" if scope["path"].startswith("/fhir/R5") else "4.0"
    return f"application/fhir+json; charset=utf-8; fhirVersion={version}"


class Issue(Struct, frozen=True, kw_only=True):
    """`code` is of issue-type; `expression` FHIRPaths into what was sent, or `http.` and a parameter or header;
    `details` a CodeableConcept."""

    severity: Severity = "error"
    code: str = "processing"
    diagnostics: str = ""
    expression: Sequence[str] = ()
    details: Json | None = None


def outcome(issues: Iterable[Issue]) -> Json:
    """At least one issue, as R4 and R5 both write them."""
    return {"resourceType": "OperationOutcome", "issue": [_issue(issue) for issue in issues]}


def _issue(issue: Issue) -> Json:
    written = {
        "severity": issue.severity,
        "code": issue.code,
        "details": issue.details,
        "diagnostics": issue.diagnostics,
        "expression": list(issue.expression),
    }
    return {name: value for name, value in written.items() if value}


class FhirRefusal(Refusal):
    """A call below `/fhir` that is refused. `code` is of the service's catalogue; `issue` is issue.code where the one
    that goes with `code` doesn't say it well; `status` stands instead of the catalogue's. `issues`, where there are
    several, stand instead of the one."""

    def __init__(
        self,
        code: str,
        detail: str,
        *,
        issue: str | None = None,
        expression: Sequence[str] = (),
        status: int | None = None,
        headers: Mapping[str, str] | None = None,
        parameter: str | None = None,
        issues: Sequence[Issue] = (),
    ) -> None:
        super().__init__(code, detail, headers=headers, parameter=parameter)
        self.issue = issue
        self.expression = tuple(expression)
        self.issues = tuple(issues)
        self._status = status

    @property
    def status(self) -> int:
        return super().status if self._status is None else self._status


def of_refusal(refusal: Refusal) -> Json:
    """Any refusal as an OperationOutcome."""
    if isinstance(refusal, FhirRefusal) and refusal.issues:
        return outcome(refusal.issues)
    named = [] if refusal.parameter is None else [f"http.{refusal.parameter}"]
    stated = refusal if isinstance(refusal, FhirRefusal) else None
    issue = Issue(
        code=(stated and stated.issue) or _TYPES.get(refusal.code, "processing"),
        diagnostics=refusal.detail,
        expression=(stated.expression if stated is not None else ()) or named,
        details=details(refusal.code),
    )
    return outcome([issue])


def details(code: str) -> Json:
    """A code of the service's catalogue and what it means, as a CodeableConcept: the text begins with the code."""
    return {"text": f"{code}: {CATALOGUE[code].title}"}
