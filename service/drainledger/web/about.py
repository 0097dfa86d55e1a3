"""What the service says of itself: the OpenAPI description, and one page that needs nothing from anywhere."""

from __future__ import annotations

from html import escape
from typing import Any, Final

from drainledger.web.caution import CAUTION
from drainledger.web.problems import CATALOGUE

_OPEN: Final = (
    "**This is an open demonstration: anybody on this machine may read and write, without a key. Every ward, patient "
    "and reading in it should be invented.**\n\n"
)
_TEXT: Final = """Chest-drain readings in; an exact output ledger out.

**{caution}** Each answer carries this in its header `Drainledger-Caution`.

Decimals are text in views and never rounded twice; an unknown output is null; times carry an offset. Each answer names
its call in `Drainledger-Request`: the log and the audit trail know it by that.

Ids in paths are percent-encoded: the drain `a/b` is `/v1/drains/a%2Fb`. A query parameter is given once. `HEAD` answers
as `GET` does, without the body, and `OPTIONS` with 204 and `Allow`, wherever there is something.

**Who may.** `Authorization: Bearer KEY`. A key or token belongs to one tenant, and sees nothing of others.

| scope | allows | SMART scopes that grant it |
| --- | --- | --- |
| `records.write` | sending records | `system/` or `user/`, `Observation` or `*`, with `c` and `u` (`.write`) |
| `read` | drains, ledgers, windows, traces, of held records not the bytes | the same with `r` and `s` (`.read`) |
| `operate` | held records, metrics | `system/*.cruds` (`system/*.*`) alone |

How often a caller may ask is counted by key or token; of who is not known yet, by address, before the key is looked up.

An issuer may also grant `drainledger/records.write`, `drainledger/read` and `drainledger/operate`.

**FHIR** is below `/fhir/R4` and `/fhir/R5`, and what there is of it is told by `/fhir/R4/metadata` and
`/fhir/R5/metadata`, not here. There a token reads the types that its scopes name; AuditEvent needs `operate` besides;
and an error is an OperationOutcome.

**Errors of a call** are problem details (RFC 9457), but for FHIR's. `code` never changes its meaning:

| code | status | |
| --- | --- | --- |
{problems}

What is wrong with a record is no error of the call: it stands in the answer's `results`.
"""


def description(*, demo: bool) -> str:
    """Markdown, as OpenAPI takes it."""
    rows = "\n".join(f"| `{code}` | {kind.status} | {kind.title} |" for code, kind in CATALOGUE.items())
    return (_OPEN if demo else "") + _TEXT.format(caution=CAUTION, problems=rows)


def page(document: dict[str, Any], *, demo: bool) -> str:
    """The interface at a glance, as HTML without scripts or styles from elsewhere."""
    rows = "".join(
        f"<tr><td><code>{method.upper()} {escape(path)}</code></td><td>{escape(operation.get('summary', ''))}</td></tr>"
        for path, operations in document["paths"].items()
        for method, operation in operations.items()
    )
    opened = (
        "<p><strong>An open demonstration: anybody on this machine may read and write, without a key.</strong></p>"
        if demo
        else ""
    )
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Drainledger</title></head><body>'
        f"<h1>Drainledger</h1><p><strong>{escape(CAUTION)}</strong></p>{opened}"
        f"<table><caption>The interface</caption>{rows}</table>"
        '<p>The whole of it, with examples: <a href="openapi.json">openapi.json</a>. Health: '
        '<a href="health/ready">health/ready</a>.</p></body></html>'
    )
