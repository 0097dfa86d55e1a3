"""What an answer is written in: JSON, of the version in the path (R4 http.html#mime-type, #parameters)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Final

from fastapi import Depends
from msgspec import Struct
from starlette.requests import Request

from drainledger.fhir.dialect import VERSION
from drainledger.fhir.resource import Fhir
from drainledger.web.fhir.base import dialect_of
from drainledger.web.fhir.outcome import FhirRefusal

#: The media type's parameter fhirVersion.
FHIR_VERSION: Final[Mapping[Fhir, str]] = {"R4": "4.0", "R5": "5.0"}
_JSON: Final = frozenset({"json", "application/json", "application/fhir+json", "text/json"})
_RANGES: Final = frozenset({"*/*", "application/*", "application/json", "application/fhir+json"})
_MOST_RANGES: Final = 50
_WEIGHTLESS: Final = re.compile(r"0(\.0{0,3})?")


class Chosen(Struct, frozen=True):
    """How to write the answer."""

    pretty: bool = False


def negotiated(request: Request) -> Chosen:
    """A dependency of all but Bulk Data's files. Raises FhirRefusal `not-acceptable`, `bad-parameter`; remembers what
    was chosen for `fhir_reply`."""
    fhir = dialect_of(request)
    asked = once(request, "_format")
    if asked is not None:
        check_format(asked, fhir)
    else:
        _check_accept(request.headers.get("accept"), fhir)
    chosen = Chosen(pretty=boolean("_pretty", once(request, "_pretty")))
    request.state.fhir_format = chosen
    return chosen


Format = Annotated[Chosen, Depends(negotiated)]


def once(request: Request, name: str) -> str | None:
    """A parameter that may be given once. Raises FhirRefusal `bad-parameter`."""
    given = request.query_params.getlist(name)
    if len(given) > 1:
        raise FhirRefusal("bad-parameter", "Give it once: it is there more than once.", parameter=name)
    return given[0] if given else None


def boolean(name: str, text: str | None) -> bool:
    """False where it is not given. Raises FhirRefusal `bad-parameter`."""
    if text not in (None, "true", "false"):
        raise FhirRefusal("bad-parameter", "Write true or false.", parameter=name)
    return text == "true"


def check_format(asked: str, fhir: Fhir) -> None:
    """`_format`, which goes before Accept; a plus that was not escaped arrives as a space."""
    media, parameters = _parsed(asked.strip().replace("fhir json", "fhir+json"))
    if media not in _JSON:
        raise _only_json("_format", fhir)
    _check_version([parameters], fhir, "_format")


def _check_accept(accept: str | None, fhir: Fhir) -> None:
    ranges = [_parsed(part) for part in (accept or "*/*").split(",")[:_MOST_RANGES] if part.strip()]
    fitting = [parameters for media, parameters in ranges if media in _RANGES]
    wanted = [each for each in fitting if not _WEIGHTLESS.fullmatch(each.get("q", "1"))]
    if ranges and not wanted:
        raise _only_json("Accept", fhir)
    if wanted:
        _check_version(wanted, fhir, "Accept")


def _check_version(asked: list[dict[str, str]], fhir: Fhir, parameter: str) -> None:
    """One of the asked is enough, and who names no version takes any."""
    versions = {each.get("fhirversion", FHIR_VERSION[fhir]).strip('"') for each in asked}
    if versions.isdisjoint({FHIR_VERSION[fhir], VERSION[fhir]}):
        raise FhirRefusal(
            "not-acceptable",
            f"Below this path resources are of FHIR {FHIR_VERSION[fhir]}: call /fhir/R4 for fhirVersion=4.0 and "
            "/fhir/R5 for fhirVersion=5.0, or name no version.",
            parameter=parameter,
        )


def _parsed(part: str) -> tuple[str, dict[str, str]]:
    media, *rest = (piece.strip().lower() for piece in part.split(";"))
    pairs = (piece.partition("=") for piece in rest)
    return media, {name.strip(): value.strip() for name, _, value in pairs}


def _only_json(parameter: str, fhir: Fhir) -> FhirRefusal:
    return FhirRefusal(
        "not-acceptable",
        f"Resources are given as application/fhir+json (fhirVersion={FHIR_VERSION[fhir]}) alone; neither XML nor "
        "Turtle is served.",
        parameter=parameter,
    )
