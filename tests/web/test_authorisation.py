"""Who may do what: each endpoint by each kind of caller, as a table (issue 'Authorisation table')."""

from __future__ import annotations

import base64
import json
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import pytest

from drainledger.store import keys
from drainledger.web.auth import keyset
from tests.web.http import Http, key_for, service, settings_for, store_of
from tests.web.issuer import Issuer
from tests.web.ward import BED, reading

FULL = "system/*.cruds"


class Endpoint(NamedTuple):
    """A call that succeeds for who has the scope, in the tenant where there is something to find. Where two scopes are
    named, neither is enough."""

    method: str
    path: str
    scope: str
    good: int = 200
    body: bytes | None = None
    elsewhere: int = 404


RECORD = json.dumps(reading("r-2", 8, 50)).encode()
REASON = b'{"reason":"a test"}'
ENDPOINTS = [
    Endpoint("POST", "/v1/records", "records.write", body=RECORD, elsewhere=200),
    Endpoint("GET", "/v1/drains", "read", elsewhere=200),
    Endpoint("GET", "/v1/drains/drn-7", "read"),
    Endpoint("GET", "/v1/drains/drn-7/ledger", "read"),
    Endpoint("GET", "/v1/drains/drn-7/ledger?known_at=2100-01-01T00:00:00Z", "read"),
    Endpoint("GET", "/v1/drains/drn-7/ledger?changes_since=2000-01-01T00:00:00Z", "read"),
    Endpoint("GET", "/v1/drains/drn-7/windows", "read"),
    Endpoint("GET", "/v1/trace/bedside/r-1", "read"),
    Endpoint("GET", "/v1/trace/HELD", "read"),
    Endpoint("GET", "/v1/held", "operate", elsewhere=200),
    Endpoint("GET", "/v1/held/HELD", "operate"),
    Endpoint("POST", "/v1/held/HELD/replay", "operate", good=422),
    Endpoint("POST", "/v1/held/HELD/discard", "operate", body=REASON),
    Endpoint("GET", "/metrics", "operate", elsewhere=200),
    Endpoint("GET", "/fhir/R4/Observation/LEVEL", "read"),
    Endpoint("GET", "/fhir/R5/Observation/LEVEL/_history/1", "read"),
    Endpoint("GET", "/fhir/R4/Observation/LEVEL/_history", "read"),
    Endpoint("GET", "/fhir/R5/Observation/_history", "read", elsewhere=200),
    Endpoint("GET", "/fhir/R4/AuditEvent/audit-1", "read operate"),
    Endpoint("GET", "/fhir/R4/AuditEvent/_history", "read operate", elsewhere=200),
]
IDS = [f"{one.method} {one.path.partition('=')[0]}" for one in ENDPOINTS]


class Place(NamedTuple):
    http: Http
    issuer: Issuer
    held: str
    level: str

    def status(self, endpoint: Endpoint, key: str | None) -> int:
        answered = self.http.call(
            endpoint.method,
            endpoint.path.replace("HELD", self.held).replace("LEVEL", self.level),
            key=key,
            content=endpoint.body,
            headers={"Content-Type": "application/json"} if endpoint.body else {},
        )
        if answered.status_code in (401, 403):
            assert answered.headers["www-authenticate"].startswith("Bearer")
            told = "fhir" if endpoint.path.startswith("/fhir/") else "problem"
            assert answered.headers["content-type"].partition(";")[0] == f"application/{told}+json"
        return answered.status_code


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    issuer = Issuer(tmp_path)
    with service(settings_for(tmp_path, **issuer.settings())) as app:
        http = Http(app, key_for(app))
        try:
            http.post(*BED, reading("r-1", 7, 40))
            (held,) = http.post(reading("r-9", 9, 60) | {"at": "2026-03-02T09:00:00"}).json()["results"]
            yield Place(http, issuer, held["held_id"], _level(http))
        finally:
            http.close()


def _level(http: Http) -> str:
    """The id of the Observation of the level that was read."""
    traced = http.get("/v1/trace/bedside/r-1").json()["resources"]
    references: list[str] = [each["reference"] for each in traced]
    return next(each for each in references if each.endswith(".chamber-level")).partition("/")[2]


@pytest.mark.parametrize("endpoint", ENDPOINTS, ids=IDS)
def test_each_endpoint_by_each_caller(place: Place, endpoint: Endpoint) -> None:
    app, issuer = place.http.app, place.issuer
    now = datetime.now(UTC)
    past = now - timedelta(hours=2)
    revoked = key_for(app)
    keys.revoke(store_of(app), "north", revoked.split("_")[2], now)
    good = key_for(app)
    strangers = {
        "nobody": None,
        "no key at all": "x",
        "made up": "dl_north_000000000000_" + "0" * 52,
        "of another secret": good[:-4] + ("0000" if good[-4:] != "0000" else "1111"),
        "of another tenant's name": good.replace("dl_north_", "dl_south_"),
        "expired": key_for(app, now=past, expires_at=past + timedelta(hours=1)),
        "revoked": revoked,
        "token, alg none": issuer.unsigned(FULL),
        "token, HMAC with the public key": issuer.signed_with_the_public_key(FULL),
        "token, wrong audience": issuer.token(FULL, aud="https://elsewhere.example"),
        "token, no audience": issuer.token(FULL, aud=None),
        "token, wrong issuer": issuer.token(FULL, iss="https://elsewhere.example"),
        "token, wrong key": issuer.token(FULL, key=issuer.stranger),
        "token, expired": issuer.token(FULL, exp=int(time.time()) - 120),
        "token, without expiry": issuer.token(FULL, exp=None),
        "token, not yet": issuer.token(FULL, nbf=int(time.time()) + 120),
        "token, no tenant": issuer.token(FULL, tenant=None),
        "token, other algorithm": issuer.token(FULL, alg="RS512"),
    }
    found = {name: place.status(endpoint, key) for name, key in strangers.items()}
    assert found == dict.fromkeys(strangers, 401)

    for scope in keys.SCOPES:
        if scope != endpoint.scope:
            assert place.status(endpoint, key_for(app, scope)) == 403, scope
    assert place.status(endpoint, issuer.token("system/Patient.rs patient/*.rs openid")) == 403
    if (
        "audit-1" not in endpoint.path
    ):  # each tenant's trail begins with 1, and by now this one has some of its own
        assert place.status(endpoint, key_for(app, tenant="south")) == endpoint.elsewhere
        assert place.status(endpoint, issuer.token(FULL, tenant="south")) == endpoint.elsewhere

    assert place.status(endpoint, key_for(app, *endpoint.scope.split())) == endpoint.good
    if not endpoint.path.endswith("discard"):  # it can be discarded but once
        assert place.status(endpoint, issuer.token(FULL)) == endpoint.good
        assert place.status(endpoint, issuer.token(FULL, alg="ES256")) == endpoint.good


def test_the_table_is_whole(place: Place) -> None:
    """Every route of the document that is not open to all is in it."""
    document = place.http.get("/openapi.json").json()
    named = {(one.method, one.path.partition("?")[0]) for one in ENDPOINTS}
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            if path.startswith("/health/"):
                continue
            concrete = path.replace("{drain}", "drn-7").replace("{held_id}", "HELD")
            assert (method.upper(), concrete.replace("{ref}", "bedside/r-1")) in named
            assert "401" in operation["responses"], path


@pytest.mark.parametrize(
    ("claimed", "readable"),
    [
        ("system/*.rs", None),
        ("user/*.read", None),
        ("drainledger/read", None),
        ("system/Patient.rs user/Device.read", {"Patient", "Device"}),
        ("system/DeviceUsage.rs", {"DeviceUseStatement"}),
        ("system/Observation.cruds", {"Observation"}),
        ("system/Observation.r system/Patient.s patient/Device.rs system/Device.rs?type=x openid", set()),
    ],
)
def test_the_types_that_a_token_reads_below_fhir(claimed: str, readable: set[str] | None) -> None:
    from drainledger.web.auth.smart import types_of

    assert types_of(claimed) == readable


def test_a_token_reads_the_types_that_it_names_and_no_others(place: Place) -> None:
    def status(type_: str, claimed: str, version: str = "R4") -> int:
        path = f"/fhir/{version}/{type_}/_history"
        return place.http.get(path, key=place.issuer.token(claimed)).status_code

    assert status("Patient", "system/Patient.rs") == 200
    assert status("Observation", "system/Patient.rs") == 403
    assert status("DeviceUsage", "system/DeviceUseStatement.rs", "R5") == 200
    assert status("Device", "system/*.rs") == 200
    assert status("AuditEvent", "system/*.rs") == 403
    assert status("AuditEvent", "system/*.cruds") == 200
    assert status("Patient", "system/Observation.cu") == 403
    only_patients = place.issuer.token("system/Patient.rs")
    assert place.http.get("/v1/drains", key=only_patients).status_code == 403


def test_another_tenant_sees_nothing(place: Place) -> None:
    south = key_for(place.http.app, tenant="south")
    assert place.http.get("/v1/drains", key=south).json() == {"drains": [], "next": None}
    assert place.http.get("/v1/held", key=south).json() == {"held": [], "next": None}
    place.http.post(*BED, reading("r-1", 7, 90), key=south)
    theirs = place.http.get("/v1/drains/drn-7", key=south).json()["total"]["total_ml"]
    ours = place.http.get("/v1/drains/drn-7").json()["total"]["total_ml"]
    assert (theirs, ours) == ("90", "40")


def test_keys_rotate_without_downtime(place: Place) -> None:
    store, now = store_of(place.http.app), datetime.now(UTC)
    old = key_for(place.http.app)
    new, _ = keys.rotate(store, "north", old.split("_")[2], now, overlap=timedelta(hours=1))
    assert [place.http.get("/v1/drains", key=key).status_code for key in (old, new)] == [200, 200]
    keys.revoke(store, "north", old.split("_")[2], datetime.now(UTC))
    assert [place.http.get("/v1/drains", key=key).status_code for key in (old, new)] == [401, 200]


def test_new_keys_of_the_issuer_are_found(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keyset, "AT_MOST_EVERY", 0.0)
    issuer = place.issuer
    assert place.http.get("/v1/drains", key=issuer.token(FULL)).status_code == 200
    fresh = type(issuer.rsa).generate_key(2048, {"kid": "rsa-2"})
    token = issuer.token(FULL, key=fresh)
    assert place.http.get("/v1/drains", key=token).status_code == 401
    issuer.publish(issuer.rsa, fresh)
    assert place.http.get("/v1/drains", key=token).status_code == 200


def test_without_the_issuers_keys_tokens_wait_and_keys_work(tmp_path: Path) -> None:
    issuer = Issuer(tmp_path)
    issuer.key_file.unlink()
    with service(settings_for(tmp_path, **issuer.settings())) as app:
        http = Http(app, None)
        try:
            refused = http.get("/v1/drains", key=issuer.token(FULL))
            assert (refused.status_code, refused.json()["code"]) == (503, "keys-unavailable")
            assert int(refused.headers["retry-after"]) > 0
            assert http.get("/v1/drains", key=key_for(app)).status_code == 200
        finally:
            http.close()


def test_a_shared_secret_or_a_short_key_in_the_set_is_not_taken() -> None:
    from joserfc.jwk import OctKey

    modulus = base64.urlsafe_b64encode((2**1023 + 1).to_bytes(128, "big")).rstrip(b"=").decode()
    short = {"kty": "RSA", "kid": "short", "n": modulus, "e": "AQAB"}
    secret = OctKey.generate_key(256, {"kid": "oct"}).as_dict(private=True)
    with pytest.raises(ValueError, match="no usable key"):
        keyset.usable(json.dumps({"keys": [short, secret]}).encode())


@pytest.mark.parametrize(
    ("claimed", "allowed"),
    [
        ("system/*.cruds", {"read", "records.write", "operate"}),
        ("system/*.*", {"read", "records.write", "operate"}),
        ("system/*.read", {"read"}),
        ("system/Observation.rs", {"read"}),
        ("user/Observation.cruds", {"read", "records.write"}),
        ("user/*.cruds", {"read", "records.write"}),
        ("user/Observation.write", {"records.write"}),
        ("system/Observation.r", set()),
        ("system/Observation.sr", set()),
        ("system/Patient.rs", set()),
        ("patient/*.cruds", set()),
        ("system/Observation.rs?category=laboratory", set()),
        ("system/Observation.", set()),
        ("openid read operate", set()),
        ("drainledger/read drainledger/operate", {"read", "operate"}),
    ],
)
def test_smart_scopes(claimed: str, allowed: set[str]) -> None:
    from drainledger.web.auth.smart import scopes_of

    assert scopes_of(claimed) == allowed
