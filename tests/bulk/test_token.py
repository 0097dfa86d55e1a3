"""The token endpoint: who gets a token and who does not (RFC 6749, 4.4 and 5.2; RFC 7523, 3; SMART App Launch 2.2.0,
backend-services.html and client-confidential-asymmetric.html)."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
import respx
from authlib.integrations.httpx_client import OAuth2Client
from authlib.oauth2.rfc7523 import PrivateKeyJWT
from joserfc.jwk import ECKey
from pydantic import SecretStr

from drainledger.store import clients
from drainledger.web.oauth.scopes import granted
from tests.bulk.program import TOKEN_URL, Program
from tests.web.http import Http, caller, postgres_url, settings_for, store_of


@pytest.fixture(params=["sqlite", "postgresql"])
def http(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Http]:
    changed: dict[str, Any] = {}
    if request.param == "postgresql":
        changed["database"] = SecretStr(postgres_url())
    with caller(settings_for(tmp_path, **changed)) as opened:
        yield opened


@pytest.fixture
def program(http: Http) -> Program:
    return Program(http.app)


@pytest.mark.parametrize("alg", ["RS384", "ES384"])
def test_a_good_assertion_gets_a_token_that_opens(http: Http, program: Program, alg: str) -> None:
    answered = program.ask(http, program.assertion(alg=alg))
    told = answered.json()
    assert answered.status_code == 200, told
    assert (told["token_type"], told["expires_in"], told["scope"]) == ("bearer", 300, "system/*.rs")
    assert answered.headers["cache-control"] == "no-store"
    assert http.get("/fhir/R4/Patient/none", key=told["access_token"]).status_code == 404
    assert http.get("/v1/drains", key=told["access_token"]).status_code == 200


REFUSED: dict[str, Callable[[Program], str]] = {
    "another audience": lambda program: program.assertion(aud="https://elsewhere.example/token"),
    "no audience": lambda program: program.assertion(aud=None),
    "expired": lambda program: program.assertion(exp=int(time.time()) - 60),
    "good for too long": lambda program: program.assertion(exp=int(time.time()) + 3600),
    "without exp": lambda program: program.assertion(exp=None),
    "exp is no number": lambda program: program.assertion(exp=True),
    "not good yet": lambda program: program.assertion(nbf=int(time.time()) + 200),
    "without jti": lambda program: program.assertion(jti=None),
    "sub is another": lambda program: program.assertion(sub="somebody"),
    "unknown client": lambda program: program.assertion(iss="dlc_north_00", sub="dlc_north_00"),
    "unknown kid": lambda program: program.assertion(header={"kid": "new"}),
    "without kid": lambda program: program.assertion(header={"kid": None}),
    "another's key": lambda program: program.assertion(key=ECKey.generate_key("P-384", {"kid": "ec"})),
    "another key set": lambda program: program.assertion(header={"jku": "https://elsewhere.example/keys"}),
    "an algorithm that is not named": lambda program: program.assertion(alg="RS256"),
    "alg none": lambda program: program.unsigned(),
    "the public key as a secret": lambda program: program.signed_with_the_public_key(),
    "no JWT": lambda program: "nonsense",
    "pieces of nonsense": lambda program: "a.b.c",
}


@pytest.mark.parametrize("made", REFUSED.values(), ids=list(REFUSED))
def test_what_proves_nothing_is_refused(http: Http, program: Program, made: Callable[[Program], str]) -> None:
    assertion = made(program)
    answered = program.ask(http, assertion)
    assert (answered.status_code, answered.json()["error"]) == (401, "invalid_client")
    assert assertion not in answered.text


def test_an_assertion_is_good_once(http: Http, program: Program) -> None:
    assertion = program.assertion()
    assert program.ask(http, assertion).status_code == 200
    assert program.ask(http, assertion).json()["error"] == "invalid_client"
    # Another one of the same name, too; and that of another client is another.
    jti = "the-same"
    assert program.ask(http, program.assertion(jti=jti)).status_code == 200
    assert program.ask(http, program.assertion(jti=jti)).status_code == 401
    other = Program(http.app)
    assert other.ask(http, other.assertion(jti=jti)).status_code == 200


def test_who_is_revoked_gets_nothing_and_its_tokens_open_nothing(http: Http, program: Program) -> None:
    token = program.token(http)
    assert http.get("/v1/drains", key=token).status_code == 200
    clients.revoke(store_of(http.app), "north", program.row.client_id, datetime.now(UTC))
    assert http.get("/v1/drains", key=token).status_code == 401
    assert program.ask(http, program.assertion()).status_code == 401


@pytest.mark.parametrize(
    "spoil", [lambda t: t[:-2], lambda t: t.replace("dlt_", "dlt_a"), lambda t: "dlt_.", lambda t: "dlt_é."]
)
def test_a_token_that_was_changed_opens_nothing(
    http: Http, program: Program, spoil: Callable[[str], str]
) -> None:
    token = spoil(program.token(http)).encode()
    refused = http.get("/v1/drains", key=None, headers={"Authorization": b"Bearer " + token})
    assert refused.status_code == 401


def test_a_token_ends(http: Http, program: Program, monkeypatch: pytest.MonkeyPatch) -> None:
    token = program.token(http)
    tokens = http.app.state.service.oauth.tokens
    monkeypatch.setattr(tokens, "_clock", lambda: datetime.now(UTC) + timedelta(seconds=301))
    assert http.get("/v1/drains", key=token).status_code == 401


def test_a_tenant_sees_its_own(http: Http) -> None:
    south = Program(http.app, tenant="south")
    http.post(
        {
            "record": "drain",
            "id": "drn-1",
            "patient": {"system": "https://ward.example/mrn", "value": "P-1"},
            "side": "left",
            "time_zone": "Europe/Lisbon",
        }
    )
    assert http.get("/v1/drains", key=south.token(http)).json()["drains"] == []
    assert len(http.get("/v1/drains").json()["drains"]) == 1


@pytest.mark.parametrize(
    ("asked", "allowed", "given"),
    [
        ("system/*.rs", "system/*.rs", "system/*.rs"),
        ("system/Observation.rs", "system/*.rs", "system/Observation.rs"),
        ("system/*.rs", "system/Observation.rs", "system/Observation.rs"),
        ("system/*.cruds", "system/*.rs", "system/*.rs"),
        ("system/*.read", "system/*.rs", "system/*.read"),
        ("system/Patient.rs system/Device.rs", "system/Device.rs", "system/Device.rs"),
        ("user/*.rs patient/*.rs openid", "system/*.cruds", ""),
        ("system/Patient.c", "system/*.rs", ""),
        ("", "system/*.rs", ""),
    ],
)
def test_scopes_given_are_among_the_allowed(asked: str, allowed: str, given: str) -> None:
    assert " ".join(granted(asked.split(), allowed.split())) == given


def test_other_errors_have_their_names(http: Http, program: Program) -> None:
    def error(**changed: str) -> str:
        return str(program.ask(http, program.assertion(), **changed).json()["error"])

    assert error(grant_type="authorization_code") == "unsupported_grant_type"
    assert error(client_assertion_type="password") == "invalid_request"
    assert error(scope="user/*.rs") == "invalid_scope"
    twice = "grant_type=client_credentials&grant_type=client_credentials"
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    assert http.call("POST", "/oauth/token", content=twice, headers=form).json()["error"] == "invalid_request"
    assert http.call("POST", "/oauth/token", json={}).json()["error"] == "invalid_request"


def test_keys_at_a_url_are_fetched_and_fetched_again(http: Http) -> None:
    program = Program(http.app, jwks_url="https://analysts.example/keys")
    with respx.mock(assert_all_called=False) as mocked:
        route = mocked.get("https://analysts.example/keys").mock(
            return_value=httpx.Response(200, content=program.keys)
        )
        assert program.ask(http, program.assertion()).status_code == 200
        assert program.ask(http, program.assertion(header={"kid": "new"})).status_code == 401
        assert route.called
    down = Program(http.app, jwks_url="https://analysts.example/down")
    with respx.mock:
        respx.get("https://analysts.example/down").mock(return_value=httpx.Response(500))
        assert down.ask(http, down.assertion()).status_code == 503


@pytest.mark.parametrize("where", ["", "/fhir/R4", "/fhir/R5"])
def test_the_configuration_leads_there(http: Http, where: str) -> None:
    told = http.get(f"{where}/.well-known/smart-configuration", key=None).json()
    assert told["token_endpoint"] == TOKEN_URL
    assert "private_key_jwt" in told["token_endpoint_auth_methods_supported"]
    assert told["grant_types_supported"] == ["client_credentials"]
    assert {"client-confidential-asymmetric", "permission-v2"} <= set(told["capabilities"])


def test_strangers_are_counted(tmp_path: Path) -> None:
    with caller(settings_for(tmp_path, rate_per_second=0.001, rate_burst=5)) as http:
        program = Program(http.app)
        told = [program.ask(http, "a.b.c").status_code for _ in range(7)]
    assert told == [401] * 5 + [429] * 2


def test_the_public_url_is_the_audience(tmp_path: Path) -> None:
    with caller(settings_for(tmp_path, public_url="https://drains.example/")) as http:
        program = Program(http.app)
        assert program.ask(http, program.assertion()).status_code == 401
        assert (
            program.ask(http, program.assertion(aud="https://drains.example/oauth/token")).status_code == 200
        )


def test_a_client_library_gets_in(http: Http, program: Program) -> None:
    """authlib's private_key_jwt makes the assertion; it is told alone to expire in time: by itself it says an hour."""

    def carried(request: httpx.Request) -> httpx.Response:
        headers = {"Content-Type": request.headers["content-type"]}
        told = http.call(request.method, request.url.path, content=request.content, headers=headers, key=None)
        return httpx.Response(told.status_code, json=told.json())

    with OAuth2Client(
        client_id=program.row.client_id,
        client_secret=program.rsa.as_pem(private=True).decode(),
        token_endpoint_auth_method=PrivateKeyJWT(
            TOKEN_URL, claims={"exp": int(time.time()) + 240}, headers={"kid": "rsa"}, alg="RS384"
        ),
        transport=httpx.MockTransport(carried),
    ) as library:
        token = library.fetch_token(TOKEN_URL, grant_type="client_credentials", scope="system/*.rs")
    assert http.get("/v1/drains", key=token["access_token"]).status_code == 200
