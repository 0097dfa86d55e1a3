"""Parameters of a search, as they come in the URL, and by POST in a form as well (R4 search.html#Introduction)."""

from __future__ import annotations

from typing import Final
from urllib.parse import parse_qsl

from starlette.requests import Request

from drainledger.web.body import read_body
from drainledger.web.fhir.base import service_of
from drainledger.web.fhir.outcome import FhirRefusal
from drainledger.web.v1.records import limits

#: Fields of one form: each may be a list.
MOST_FIELDS: Final = 1000
#: In bytes; as long as that no search is.
_LONGEST: Final = 512 * 1024
_URLENCODED: Final = "application/x-www-form-urlencoded"


async def given_pairs(request: Request) -> list[tuple[str, str]]:
    """Those of the URL and then those of the form. Raises FhirRefusal `unsupported-type`, `bad-parameter`."""
    return [*request.query_params.multi_items(), *(await _posted(request))]


async def _posted(request: Request) -> list[tuple[str, str]]:
    if request.method != "POST":
        return []
    with service_of(request).budget.share() as take:
        raw = await read_body(request, limits(service_of(request)), take)
    stated = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if raw and stated != _URLENCODED:
        raise FhirRefusal("unsupported-type", f"Send the parameters of a search as {_URLENCODED}.")
    if len(raw) > _LONGEST:
        raise FhirRefusal(
            "bad-parameter", f"Send at most {_LONGEST} bytes of parameters.", issue="too-costly"
        )
    try:
        return parse_qsl(raw.decode(), keep_blank_values=True, max_num_fields=MOST_FIELDS)
    except ValueError:
        raise FhirRefusal(
            "bad-parameter", "The parameters can't be read: write them as a form does, in UTF-8."
        ) from None
