"""Parameters of a call below `/fhir` that it does not know (R4 search.html#errors)."""

from __future__ import annotations

from collections.abc import Collection

from starlette.requests import Request

from drainledger.web.fhir.outcome import FhirRefusal


def is_strict(request: Request) -> bool:
    """`Prefer: handling=strict` (RFC 7240): refuse rather than pass over what is not known."""
    preferences = ",".join(request.headers.getlist("prefer")).replace(";", ",")
    return any(each.strip().lower().replace('"', "") == "handling=strict" for each in preferences.split(","))


def refuse_unknown(request: Request, known: Collection[str]) -> None:
    """Under `Prefer: handling=strict` raises FhirRefusal `bad-parameter` for the first that the call does not know;
    else they mean nothing."""
    if not is_strict(request):
        return
    for name in request.query_params:
        if name not in known:
            told = ", ".join(sorted(known))
            raise FhirRefusal(
                "bad-parameter",
                f"This call knows {told}. Leave the others out, or ask without handling=strict.",
                issue="not-supported",
                parameter=shown(name),
            )


def shown(name: str) -> str:
    """A parameter's name may be anything, a patient's number too: only one that looks like a name is said again."""
    plain = name.replace("_", "").replace("-", "").isalpha() and name.isascii() and len(name) <= 64
    return name if plain else "?"
