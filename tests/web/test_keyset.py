"""The issuer's keys by URL: fetched once, kept, fetched again for a new key but not for each that is made up."""

from __future__ import annotations

import asyncio

import httpx
import pytest
import respx

from drainledger.web.auth import keyset
from drainledger.web.auth.refusals import KeysUnavailable

URL = "https://login.example/keys"
#: A point of P-256, after RFC 7515, A.3 (from memory; the library checks that it is on the curve).
KEY = {
    "kty": "EC",
    "crv": "P-256",
    "kid": "one",
    "x": "f83OJ3D2xF1Bg8vub9tLe1gHMzV76e8Tus9uPHvRVEU",
    "y": "x_FEzRu9m36HLN_tue659LNpXW6pCyStikYjKIWI5a0",
}


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def ask(keys: keyset.PublicKeys, *, missed: bool = False) -> list[str | None]:
    return [key.kid for key in asyncio.run(keys.get(missed=missed))]


@respx.mock
def test_keys_are_kept_and_fetched_anew_in_time() -> None:
    route = respx.get(URL).mock(return_value=httpx.Response(200, json={"keys": [KEY]}))
    clock = Clock()
    keys = keyset.PublicKeys(keyset.from_url(URL), clock)
    assert [ask(keys) for _ in range(3)] == [["one"]] * 3
    assert route.call_count == 1
    route.mock(return_value=httpx.Response(200, json={"keys": [KEY | {"kid": "two"}]}))
    assert [ask(keys, missed=True) for _ in range(5)] == [["one"]] * 5, "made-up keys cost the issuer nothing"
    clock.now += keyset.AT_MOST_EVERY
    assert ask(keys, missed=True) == ["two"]
    clock.now += keyset.KEPT + 1
    ask(keys)
    assert route.call_count == 3


@respx.mock
@pytest.mark.parametrize(
    "answer",
    [
        httpx.Response(500),
        httpx.Response(302, headers={"Location": "https://elsewhere.example/keys"}),
        httpx.Response(200, content=b"{"),
        httpx.Response(200, json={"keys": []}),
        httpx.Response(200, content=b" " * (2 << 20)),
        httpx.ConnectError("away"),
    ],
    ids=["a fault", "elsewhere", "cut off", "no keys", "endless", "away"],
)
def test_a_bad_answer_costs_those_who_are_known_nothing(answer: httpx.Response | httpx.ConnectError) -> None:
    clock = Clock()
    route = respx.get(URL).mock(return_value=httpx.Response(200, json={"keys": [KEY]}))
    keys = keyset.PublicKeys(keyset.from_url(URL), clock)
    assert ask(keys) == ["one"]
    fresh = keyset.PublicKeys(keyset.from_url(URL), clock)
    route.mock(**({"side_effect": answer} if isinstance(answer, Exception) else {"return_value": answer}))
    clock.now += keyset.KEPT + 1
    assert ask(keys) == ["one"]
    with pytest.raises(KeysUnavailable):
        ask(fresh)


@respx.mock
def test_a_set_that_comes_slowly_is_not_waited_for() -> None:
    """Each byte may come in time and the whole never."""

    async def slow(request: httpx.Request) -> httpx.Response:
        await asyncio.sleep(60)
        raise AssertionError("it was given up before")

    respx.get(URL).mock(side_effect=slow)
    with pytest.raises(KeysUnavailable):
        ask(keyset.PublicKeys(keyset.from_url(URL, seconds=0.05), Clock()))
