"""The demonstration's ward: what it gives out of readings is posted to another, which then has the same ledgers.

Expected are the ledgers that the canonical records of the fixtures give.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from drainledger.domain.records import Reading, Record
from drainledger.fhir.fragments import encode
from tests.reading.posted import Json
from tests.reading.test_round_trip import FIXTURES, _is_error, _is_posted, posted, rendered
from tests.web.http import Http, caller, key_for, settings_for
from tests.web_fhir.posted import FHIR_JSON, bundle, entry, ledger_in

WARD = FIXTURES / "ward.ndjson"


def test_the_same_ledgers(tmp_path: Path) -> None:
    raws = [json.loads(line) for line in WARD.read_bytes().splitlines()]
    with caller(settings_for(tmp_path)) as http:
        south = key_for(http.app, tenant="south", source="chart")
        http.post(*raws)
        readings = {raw["id"] for raw in raws if raw["record"] == "reading"}
        http.post(*(raw for raw in raws if not _is_of_a_reading(raw, readings)), key=south)
        taken = [_post(http, south, record, made) for record, made in _rendered(http)]
        assert len(taken) >= 100
        for drain in sorted({raw["id"] for raw in raws if raw["record"] == "drain"}):
            mine = ledger_in(http.get(f"/v1/drains/{drain}/ledger", key=south))
            theirs = ledger_in(http.get(f"/v1/drains/{drain}/ledger"))
            assert _outputs(mine) == _outputs(theirs), drain
            assert [(one["at"], one["total_ml"], one["bound"]) for one in mine["totals"]] == [
                (one["at"], one["total_ml"], one["bound"]) for one in theirs["totals"]
            ], drain


def _is_of_a_reading(raw: Json, readings: set[str]) -> bool:
    return raw["record"] == "reading" or {raw.get("corrects"), raw.get("retracts")} & readings != set()


def _rendered(http: Http) -> list[tuple[Record, list[Json]]]:
    """As the other ward would give them out: its drains and units have their ids there."""
    renderer = http.app.state.service.rest.renderer("south")
    return [(record, made) for record, made in rendered(WARD, renderer) if isinstance(record, Reading)]


def _post(http: Http, key: str, record: Record, made: list[Json]) -> int:
    """One reading, its panel and members in one transaction. A value that was set aside is no part of it."""
    assert _is_posted(record)
    sent = posted([each for each in made if not _is_error(each)], "R4")
    entries = [entry(one.resource, one.full_url) for one in sent if isinstance(one.resource, dict)]
    body = encode(bundle("transaction", *entries))
    answered = http.call("POST", "/fhir/R4", content=body, headers=FHIR_JSON, key=key)
    assert answered.status_code == 200, (record.key, answered.text)
    return len(sent)


def _outputs(ledger: Json) -> list[tuple[Any, ...]]:
    return [(one["start"], one["end"], one["output_ml"], one["bound"]) for one in ledger["intervals"]]
