"""What nobody would send, made from the OpenAPI document by schemathesis: no 5xx, no status or shape not in it."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed
from hypothesis import settings as examples
from hypothesis.strategies import booleans
from pydantic import SecretStr
from schemathesis.checks import CHECKS
from schemathesis.core.result import Ok

from tests.web.http import Http, caller, postgres_url, settings_for
from tests.web.ward import BED, reading

#: Requests a plain run and a deep one send on each of the two engines, over all operations.
FEW, MANY = 300, 10_000
#: Requests to one operation before the next has its turn.
AT_ONCE = 25
#: What of a case the caller here can send; cookies mean nothing to the service.
SENT = ("headers", "params", "json", "content", "data", "files")
#: Those that judge one answer by the document. Others of the library want stateful runs, or credentials of their own.
JUDGED = (
    "not_a_server_error",
    "status_code_conformance",
    "content_type_conformance",
    "response_headers_conformance",
    "response_schema_conformance",
)


@pytest.fixture(params=["sqlite", "postgresql"])
def demo(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Http]:
    url = f"sqlite:///{tmp_path}/ward.db" if request.param == "sqlite" else postgres_url()
    settings = settings_for(tmp_path, patient_secret=None, database=SecretStr(url))
    with caller(settings, demo=True) as opened:
        opened.post(*BED, reading("r-1", 7, 40))
        opened.post(b"{}", b'{"record":"reading"}')
        yield opened


def fuzz(demo: Http, requests: int) -> Counter[int]:
    """Sends at least so many requests; the statuses of what came back. Each second one names things that are there."""
    schema = schemathesis.openapi.from_dict(json.loads(demo.get("/openapi.json").text))
    operations = [found.ok() for found in schema.get_all_operations() if isinstance(found, Ok)]
    assert len(operations) >= 13
    held = [one["held_id"] for one in demo.get("/v1/held").json()["held"]]
    known = {"drain": "drn-7", "ref": "demo/r-1", "held_id": held[0]}
    statuses: Counter[int] = Counter()
    round_ = 0
    while statuses.total() < requests:
        round_ += 1
        for operation in operations:
            each(demo, operation, round_, known, statuses)
    return statuses


def each(demo: Http, operation: Any, round_: int, known: dict[str, str], statuses: Counter[int]) -> None:
    """A round over one operation; `round_` is its seed."""
    judges: Any = CHECKS.get_by_names(JUDGED)  # there once a document has been read

    @seed(round_)
    @given(case=operation.as_strategy(), is_known=booleans())
    @examples(
        max_examples=AT_ONCE,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        phases=[Phase.explicit, Phase.generate],
    )
    def one(case: schemathesis.Case[Any], is_known: bool) -> None:
        if is_known and case.path_parameters:
            case.path_parameters.update({n: known[n] for n in case.path_parameters if n in known})
        prepared = case.as_transport_kwargs(base_url="http://127.0.0.1:8080")
        method, url = prepared.pop("method"), prepared.pop("url")
        sent = {name: value for name, value in prepared.items() if name in SENT and value is not None}
        answered = demo.call(method, url, **sent)
        statuses[answered.status_code] += 1
        case.validate_response(answered, checks=judges)

    one()


def test_the_document_is_kept(demo: Http) -> None:
    statuses = fuzz(demo, FEW)
    assert statuses[200] > 30
    assert not [status for status in statuses if status >= 500]


@pytest.mark.deep
def test_the_document_is_kept_over_many_requests(demo: Http) -> None:
    statuses = fuzz(demo, MANY)
    assert statuses.total() >= MANY
    assert not [status for status in statuses if status >= 500]
    assert demo.get("/health/ready").status_code == 200
