"""Callers and how often they may ask: strangers cost no look-up beyond their limit, and nobody pays for another."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest

from drainledger.store import keys
from drainledger.web.limits import Acquainted
from tests.web.http import Http, caller, key_for, settings_for
from tests.web.ward import BED


class Counted:
    """Look-ups of keys, as they go to the database."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.count = 0
        verify = keys.verify

        def counted(*given: object, **named: object) -> object:
            self.count += 1
            return verify(*given, **named)  # type: ignore[arg-type]  # passed on as they came

        monkeypatch.setattr(keys, "verify", counted)


def bad(number: int) -> str:
    return f"dl_north_{number:012}_" + "0" * 52


def test_bad_keys_are_looked_up_as_often_as_the_limit_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with caller(settings_for(tmp_path, rate_per_second=0.001, rate_burst=5)) as http:
        good = key_for(http.app)
        assert http.get("/v1/drains", key=good).status_code == 200
        looked_up = Counted(monkeypatch)
        statuses = [http.get("/v1/drains", key=bad(number)).status_code for number in range(40)]
        assert statuses == [401] * 5 + [429] * 35
        assert looked_up.count == 5
        # A caller who was known before is not shut out by a stranger at the same address.
        assert http.get("/v1/drains", key=good).status_code == 200


def test_many_bad_keys_at_once_are_no_way_around_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with caller(settings_for(tmp_path, rate_per_second=0.001, rate_burst=5)) as http:
        looked_up = Counted(monkeypatch)

        def call(number: int) -> Callable[[httpx.AsyncClient], Any]:
            return lambda client: client.get("/v1/drains", headers={"Authorization": f"Bearer {bad(number)}"})

        answered = http.together([call(number) for number in range(40)])
        assert sorted(one.status_code for one in answered) == [401] * 5 + [429] * 35
        assert looked_up.count == 5


def test_a_key_that_was_revoked_counts_as_a_strangers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with caller(settings_for(tmp_path, rate_per_second=0.001, rate_burst=4)) as http:
        service = http.app.state.service
        key = key_for(http.app)
        assert http.get("/v1/drains", key=key).status_code == 200
        keys.revoke(service.store, "north", key.split("_")[2], service.clock())
        looked_up = Counted(monkeypatch)
        found = [http.get("/v1/drains", key=key).status_code for _ in range(9)]
        assert found == [401] * 4 + [429] * 5
        assert looked_up.count == 4


def test_tokens_are_checked_as_often_as_the_limit_says(tmp_path: Path) -> None:
    checked = 0

    class Tokens:
        async def verify(self, token: str) -> object:
            nonlocal checked
            checked += 1
            raise TokenRefused("made up")

    from drainledger.web.auth.refusals import TokenRefused

    with caller(settings_for(tmp_path, rate_per_second=0.001, rate_burst=3)) as http:
        object.__setattr__(http.app.state.service, "tokens", Tokens())
        found = [http.get("/v1/drains", key=f"a.b.{number}").status_code for number in range(9)]
    assert (found, checked) == ([401] * 3 + [429] * 6, 3)


def test_callers_do_not_share_one_limit(tmp_path: Path) -> None:
    """Two keys of a tenant, one of another, and two addresses of strangers: each has a limit of its own."""
    with caller(settings_for(tmp_path, rate_per_second=0.001, rate_burst=3)) as http:
        callers = [key_for(http.app), key_for(http.app), key_for(http.app, tenant="south")]
        for key in callers:
            assert [http.get("/v1/drains", key=key).status_code for _ in range(4)] == [200] * 3 + [429]
        assert [http.get("/v1/drains", key=None).status_code for _ in range(4)] == [401] * 3 + [429]
        http._client = httpx.AsyncClient(
            transport=httpx.ASGITransport(app=http.app, client=("192.0.2.7", 1)),
            base_url="http://127.0.0.1",
        )
        assert http.get("/v1/drains", key=None).status_code == 401


def test_what_is_remembered_of_credentials_is_bounded() -> None:
    acquainted = Acquainted(remembered=2)
    for one in "abc":
        acquainted.add(one)
    assert ["a" in acquainted, "b" in acquainted, "c" in acquainted] == [False, True, True]
    acquainted.forget("b")
    assert "b" not in acquainted


def test_a_held_records_bytes_need_operate_in_a_trace_too(http: Http) -> None:
    secret = b'{"record":"reading","id":"r-1","drain":"drn-7","at":"hush-hush"}'
    http.post(*BED)
    (result,) = http.post(secret).json()["results"]
    place = f"/v1/trace/{result['held_id']}"
    shown = http.get(place, key=key_for(http.app, "read"))
    assert shown.status_code == 200
    held = shown.json()["held"]
    assert (held["state"], held["raw"], held.get("raw_base64")) == ("held", None, None)
    assert [one["code"] for one in held["problems"]] == [one["code"] for one in result["problems"]]
    operator = http.get(place, key=key_for(http.app, "read", "operate")).json()["held"]
    assert operator["raw"].encode() == secret
    assert http.get(place, key=key_for(http.app, "operate")).status_code == 403
