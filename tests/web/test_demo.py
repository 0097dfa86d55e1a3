"""The open demonstration: no key, this machine alone, and it says so everywhere."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from drainledger.settings import BadSettings, is_loopback
from drainledger.web import serve
from tests.web.http import Http, caller, settings_for
from tests.web.ward import BED, reading


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[Http]:
    with caller(settings_for(tmp_path, patient_secret=None), demo=True) as opened:
        yield opened


def test_it_needs_no_key_and_says_so(demo: Http) -> None:
    assert demo.post(*BED, reading("r-1", 7, 40)).status_code == 200
    for path in ("/v1/drains", "/v1/drains/drn-7/ledger", "/nowhere", "/health/ready", "/metrics", "/"):
        assert demo.get(path).headers["drainledger-demo"] == "open"
    assert "open demonstration" in demo.get("/openapi.json").json()["info"]["description"]
    assert "open demonstration" in demo.get("/").text
    assert "open demonstration" in demo.get("/docs").text
    assert demo.get("/v1/trace/demo/r-1").json()["received"][0]["source"] == "demo"


def test_the_real_one_says_nothing_of_the_kind(http: Http) -> None:
    assert "drainledger-demo" not in http.get("/health/live").headers
    assert "This is an open demonstration" not in http.get("/openapi.json").text


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "drains.example"},
        {"Host": "127.0.0.1.drains.example:8080"},
        {"Host": "[fe80::1]:8080"},
        {"Host": "[nonsense"},
        {"Origin": "https://elsewhere.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
    ],
    ids=lambda one: "".join(f"{k} {v}" for k, v in one.items()),
)
def test_other_sites_in_a_browser_here_are_kept_out(demo: Http, headers: dict[str, str]) -> None:
    answered = demo.post(*BED, headers=headers)
    assert (answered.status_code, answered.json()["code"]) == (403, "not-from-here")
    assert demo.get("/v1/drains").json()["drains"] == []


@pytest.mark.parametrize(
    "headers", [{"Host": "localhost:8080"}, {"Host": "[::1]:1"}, {"Origin": "http://127.0.0.1:8080"}]
)
def test_this_machine_is_let_in(demo: Http, headers: dict[str, str]) -> None:
    assert demo.get("/v1/drains", headers=headers).status_code == 200


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "10.0.0.7", "drains.example", "127.0.0.1.drains.example"])
def test_it_listens_to_nobody_else(tmp_path: Path, host: str) -> None:
    with pytest.raises(BadSettings, match="this machine alone"):
        serve.check(settings_for(tmp_path, host=host), demo=True, fixtures=None)


def test_a_real_one_needs_its_secret_and_takes_no_fixtures(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match="DRAINLEDGER_PATIENT_SECRET"):
        serve.check(settings_for(tmp_path, patient_secret=None), demo=False, fixtures=None)
    with pytest.raises(BadSettings, match="invented records"):
        serve.check(settings_for(tmp_path), demo=False, fixtures=tmp_path)


def test_loopback() -> None:
    assert [is_loopback(host) for host in ("127.0.0.1", "127.1.2.3", "::1", "localhost")] == [True] * 4
    assert [is_loopback(host) for host in ("0.0.0.0", "127.0.0.1.x.example", "128.0.0.1", "")] == [False] * 4
