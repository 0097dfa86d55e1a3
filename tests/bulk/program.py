"""A program with a key pair of its own, as SMART Backend Services has it: assertions good and bad."""

from __future__ import annotations

import base64
import hmac
import json
import time
import uuid
from datetime import UTC, datetime
from typing import Any

from fastapi import FastAPI
from joserfc import jwt
from joserfc.jwk import ECKey, KeySet, RSAKey

from drainledger.store import clients
from tests.web.http import Answered, Http, store_of

TOKEN_URL = "http://127.0.0.1:8080/oauth/token"
ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"


class Program:
    """Registered with the tenant; `rsa` and `ec` are its keys, of which the service has the public halves."""

    def __init__(
        self,
        app: FastAPI,
        *scopes: str,
        tenant: str = "north",
        jwks_url: str | None = None,
    ) -> None:
        self.rsa = RSAKey.generate_key(2048, {"kid": "rsa"})
        self.ec = ECKey.generate_key("P-384", {"kid": "ec"})
        self.keys = json.dumps(KeySet([self.rsa, self.ec]).as_dict(private=False)).encode()
        self.row = clients.create(
            store_of(app),
            tenant,
            name="analysts",
            jwks=None if jwks_url else self.keys,
            jwks_url=jwks_url,
            scopes=scopes or ("system/*.rs",),
            now=datetime.now(UTC),
        )

    def claims(self, **changed: Any) -> dict[str, Any]:
        claims = {
            "iss": self.row.client_id,
            "sub": self.row.client_id,
            "aud": TOKEN_URL,
            "exp": int(time.time()) + 240,
            "jti": uuid.uuid4().hex,
        } | changed
        return {name: value for name, value in claims.items() if value is not None}

    def assertion(
        self,
        *,
        alg: str = "ES384",
        key: RSAKey | ECKey | None = None,
        header: dict[str, Any] | None = None,
        **changed: Any,
    ) -> str:
        signing = key or (self.rsa if alg.startswith(("RS", "PS")) else self.ec)
        told = {"alg": alg, "kid": signing.kid} | (header or {})
        told = {name: value for name, value in told.items() if value is not None}
        return jwt.encode(told, self.claims(**changed), signing, algorithms=[alg])

    def unsigned(self) -> str:
        return f"{_part({'alg': 'none', 'kid': 'rsa'})}.{_part(self.claims())}."

    def signed_with_the_public_key(self) -> str:
        """HMAC with what everybody can read."""
        signed = f"{_part({'alg': 'HS256', 'kid': 'rsa'})}.{_part(self.claims())}"
        mac = hmac.digest(self.rsa.as_pem(private=False), signed.encode(), "sha256")
        return f"{signed}.{base64.urlsafe_b64encode(mac).rstrip(b'=').decode()}"

    def ask(self, http: Http, assertion: str, scope: str = "system/*.rs", **changed: str) -> Answered:
        form = {
            "grant_type": "client_credentials",
            "scope": scope,
            "client_assertion_type": ASSERTION_TYPE,
            "client_assertion": assertion,
        } | changed
        return http.call("POST", "/oauth/token", data=form, key=None)

    def token(self, http: Http, scope: str = "system/*.rs") -> str:
        answered = self.ask(http, self.assertion(), scope)
        assert answered.status_code == 200, answered.text
        return str(answered.json()["access_token"])


def _part(value: dict[str, Any]) -> str:
    return base64.urlsafe_b64encode(json.dumps(value).encode()).rstrip(b"=").decode()
