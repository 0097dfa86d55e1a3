"""Health, figures and logs; and that none of them names a patient or a drain."""

from __future__ import annotations

import io
import json
import logging
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr

from drainledger.intake.folds import TooManyReads
from drainledger.store.errors import StoreUnavailable
from drainledger.store.rows import NewHeld
from drainledger.web import health
from tests.privacy.gathering import overheard
from tests.web.http import Http, caller, key_for, settings_for
from tests.web.ward import BED, DRAIN, PATIENT, reading

#: What may be in no log, figure or error: of the patient, of the drain, of what was charted.
IDENTIFIERS = (PATIENT, "ward.example/mrn", "drn-7", "r-secret", "hush-hush", "HUSH")


@pytest.fixture
def log() -> Iterator[io.StringIO]:
    """All that is logged, as the service writes it."""
    stream = io.StringIO()
    with overheard("debug", stream):
        yield stream


def test_alive_and_ready(http: Http) -> None:
    assert http.get("/health/live", key=None).json() == {"status": "live", "checks": {}}
    ready = http.get("/health/ready", key=None)
    looked_at = ("database", "schema", "disk", "clock", "intake", "audit")
    assert ready.json() == {"status": "ready", "checks": dict.fromkeys(looked_at, "ok")}


@pytest.mark.parametrize("part", ["intake", "audit"])
def test_not_ready_when_nothing_is_written_any_more(http: Http, part: str) -> None:
    service = http.app.state.service
    getattr(service, part).close()
    told = http.get("/health/ready", key=None)
    assert (told.status_code, told.json()["checks"][part]) == (503, "dead")
    assert http.get("/health/live").status_code == 200


def test_a_clock_that_was_ahead_is_told_and_what_to_do(http: Http) -> None:
    """Reads go on; writes are refused, for they would be dated in a time to come."""
    store = http.app.state.service.store
    key = key_for(http.app)
    http.post(*BED, key=key)
    with store.write("north", datetime.now(UTC) + timedelta(days=3650)) as write:
        write.hold([NewHeld("ward", b"x", ())])
    refused = http.post(reading("r-1", 7, 40), key=key)
    assert (refused.status_code, refused.json()["code"]) == (503, "clock-behind")
    assert "Set the clock of this machine right" in refused.json()["detail"]
    assert http.get("/v1/drains/drn-7", key=key).status_code == 200
    told = http.get("/health/ready")
    assert (told.status_code, told.json()["checks"]["clock"]) == (503, "behind")


def test_not_ready_without_the_database_or_room(http: Http, monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(*_: object) -> None:
        raise StoreUnavailable("gone")

    monkeypatch.setattr(type(http.app.state.service.store), "ping", gone)
    told = http.get("/health/ready")
    assert (told.status_code, told.json()["checks"]["database"]) == (503, "unreachable")
    assert http.get("/health/live").status_code == 200


def test_not_ready_without_room(tmp_path: Path) -> None:
    with caller(settings_for(tmp_path, min_free_bytes=1 << 60)) as http:
        told = http.get("/health/ready")
        assert (told.status_code, told.json()["checks"]["disk"]) == (503, "low")
        assert health.disk_state(http.app.state.service) == "low"


def test_a_database_that_is_away_is_told_as_such(http: Http, monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(*_: object, **__: object) -> Any:
        raise StoreUnavailable("gone")

    key = key_for(http.app)
    monkeypatch.setattr(type(http.app.state.service.store), "write", gone)
    for answered in (http.get("/v1/drains", key=key), http.post(*BED, key=key)):
        assert (answered.status_code, answered.json()["code"]) == (503, "store-unavailable")
        assert answered.headers["retry-after"]


def test_figures_count_by_route(http: Http) -> None:
    http.post(*BED, reading("r-1", 7, 40), b"{}")
    http.get("/v1/drains/drn-7/ledger")
    text = http.get("/metrics").text
    assert 'drainledger_records_total{status="accepted"} 4.0' in text
    assert 'drainledger_records_total{status="held"} 1.0' in text
    assert 'route="/v1/drains/{drain}/ledger",status="200"} 1.0' in text


def test_figures_may_be_opened(tmp_path: Path) -> None:
    with caller(settings_for(tmp_path, metrics_open=True)) as http:
        assert http.get("/metrics", key=None).status_code == 200
        assert http.get("/v1/drains", key=None).status_code == 401


def test_a_line_for_each_request_and_nobody_in_it(http: Http, log: io.StringIO) -> None:
    """Everything that may go wrong, with identifiers wherever a caller can put one; then no trace of them."""
    http.post(*BED, reading("r-secret", 7, 40))
    http.post(
        {"record": "reading", "id": "r-secret-2", "drain": "drn-7", "at": "hush-hush"}, b'{"hush-hush":'
    )
    http.post(DRAIN | {"side": "hush-hush"})
    bodies = [
        http.call("POST", "/v1/records", content=b'[{"id":"drn-7","hush-hush"'),
        http.call("POST", "/v1/records", content=b"hush-hush", headers={"Content-Type": "hush-hush"}),
        http.get("/v1/drains/drn-7-nobody"),
        http.get(f"/v1/drains/{PATIENT}/ledger?known_at=hush-hush"),
        http.get("/v1/drains?limit=hush-hush&cursor=drn-7"),
        http.get("/v1/drains?cursor=drn-7"),
        http.get("/drn-7/hush-hush"),
        http.call("HUSH-HUSH", "/v1/drains/drn-7"),
        http.call("HUSH", "/v1/drains/drn-7"),
        http.get("/v1/drains/drn-7", key="dl_hush-hush_drn-7_x"),
        http.get("/v1/drains/drn-7/ledger", headers={"Accept": "hush-hush/drn-7"}),
        http.get("/v1/trace/hush-hush"),
        http.call("POST", "/v1/held/hush-hush/discard", json={"reason": PATIENT}),
        http.post(*BED, headers={"Drainledger-Source": "hush-hush"}),
    ]
    assert [one.status_code for one in bodies if one.status_code < 400] == []
    seen = {"log": log.getvalue(), "figures": http.get("/metrics").text}
    seen |= {f"error {number}": one.text + repr(one.headers) for number, one in enumerate(bodies)}
    found = [(place, word) for place, text in seen.items() for word in IDENTIFIERS if word in text]
    assert found == []
    lines = [json.loads(line) for line in log.getvalue().splitlines()]
    requests = [line for line in lines if line["event"] == "request"]
    assert len(requests) >= len(bodies) + 3
    assert set(requests[0]) >= {"request", "tenant", "method", "route", "status", "ms", "time", "level"}
    assert requests[0]["tenant"] == "north"


def test_a_fault_is_told_without_what_was_sent(
    http: Http, log: io.StringIO, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> Any:
        raise RuntimeError(f"could not cope with {PATIENT}")

    monkeypatch.setattr(type(http.app.state.service.views), "drains", broken)
    answered = http.get("/v1/drains")
    assert (answered.status_code, answered.json()["code"]) == (500, "fault")
    assert PATIENT not in answered.text + log.getvalue()
    (fault,) = [one for line in log.getvalue().splitlines() if (one := json.loads(line))["event"] == "fault"]
    assert fault["error"] == "RuntimeError"
    assert fault["request"] == answered.json()["request"]
    assert any(re.fullmatch(r".*drains\.py:\d+", place) for place in fault["at"])


@pytest.mark.parametrize(
    ("fault", "outcome"),
    [(RuntimeError(PATIENT), "500"), (StoreUnavailable("gone"), "503"), (TooManyReads(), "429")],
)
def test_an_access_that_ends_in_a_fault_leaves_its_row(
    http: Http, monkeypatch: pytest.MonkeyPatch, fault: Exception, outcome: str
) -> None:
    def broken(*_: object, **__: object) -> Any:
        raise fault

    monkeypatch.setattr(type(http.app.state.service.views), "ledger", broken)
    assert http.get("/v1/drains/drn-7").status_code == int(outcome)
    with http.app.state.service.store.read("north") as read:
        last = read.audits(0, 1000)[-1]
    assert (last.action, last.outcome, last.drains) == ("read", outcome, ("drn-7",))


def test_where_not_even_the_row_can_be_written_the_log_says_so(
    http: Http, log: io.StringIO, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*_: object, **__: object) -> Any:
        raise StoreUnavailable(PATIENT)

    key = key_for(http.app)
    monkeypatch.setattr(type(http.app.state.service.views), "ledger", gone)
    monkeypatch.setattr(type(http.app.state.service.store), "write", gone)
    answered = http.get("/v1/drains/drn-7", key=key)
    assert answered.json()["code"] == "store-unavailable"
    (line,) = [
        one for text in log.getvalue().splitlines() if (one := json.loads(text))["event"] == "no audit row"
    ]
    assert (line["request"], line["outcome"]) == (answered.json()["request"], 503)
    assert line["principal"].startswith("key:")
    assert not [word for word in IDENTIFIERS if word in log.getvalue()]


def test_what_libraries_log_is_not_passed_on(log: io.StringIO) -> None:
    logging.getLogger("sqlalchemy.engine").warning("parameters: %s", PATIENT)
    try:
        raise ValueError(PATIENT)
    except ValueError:
        logging.getLogger("asyncio").exception("task of %s failed", PATIENT)
    lines = [json.loads(line) for line in log.getvalue().splitlines()]
    assert [line["logger"] for line in lines] == ["sqlalchemy.engine", "asyncio"]
    assert lines[1]["error"] == "ValueError"
    assert PATIENT not in log.getvalue()


def test_secrets_do_not_show(tmp_path: Path) -> None:
    settings = settings_for(tmp_path, database=SecretStr("postgresql+psycopg://u:p4ssw0rd@h/d"))
    assert "p4ssw0rd" not in repr(settings) + str(settings)
    assert "tests-alone" not in repr(settings)
