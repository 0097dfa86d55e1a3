"""An issuer of access tokens, with keys of its own."""

from __future__ import annotations

import base64
import hmac
import json
import time
from pathlib import Path
from typing import Any

from joserfc import jwt
from joserfc.jwk import ECKey, KeySet, RSAKey

ISSUER = "https://login.example"
AUDIENCE = "https://drains.example"


class Issuer:
    """`key_file` holds its public keys; the tokens that it signs are good unless something is changed."""

    def __init__(self, folder: Path) -> None:
        self.rsa = RSAKey.generate_key(2048, {"kid": "rsa", "use": "sig"})
        self.ec = ECKey.generate_key("P-256", {"kid": "ec", "use": "sig"})
        self.stranger = RSAKey.generate_key(2048, {"kid": "rsa", "use": "sig"})
        self.key_file = folder / "keys.json"
        self.publish(self.rsa, self.ec)

    def publish(self, *keys: RSAKey | ECKey) -> None:
        self.key_file.write_text(json.dumps(KeySet(list(keys)).as_dict(private=False)))

    def settings(self) -> dict[str, Any]:
        return {"jwt_issuer": ISSUER, "jwt_audience": AUDIENCE, "jwt_keys_file": self.key_file}

    def claims(self, scope: str, **changed: Any) -> dict[str, Any]:
        now = int(time.time())
        claims = {
            "iss": ISSUER,
            "aud": AUDIENCE,
            "sub": "an-app",
            "client_id": "bedside",
            "tenant": "north",
            "scope": scope,
            "iat": now,
            "exp": now + 300,
        } | changed
        return {name: value for name, value in claims.items() if value is not None}

    def token(
        self, scope: str, *, alg: str = "RS256", key: RSAKey | ECKey | None = None, **changed: Any
    ) -> str:
        signing = key or (self.rsa if alg.startswith("RS") else self.ec)
        header = {"alg": alg, "kid": signing.kid}
        return jwt.encode(header, self.claims(scope, **changed), signing, algorithms=[alg])

    def unsigned(self, scope: str) -> str:
        return f"{_part({'alg': 'none', 'kid': 'rsa'})}.{_part(self.claims(scope))}."

    def signed_with_the_public_key(self, scope: str) -> str:
        """HMAC with what everybody can read: passes where the token's word for its algorithm is taken."""
        signed = f"{_part({'alg': 'HS256', 'kid': 'rsa'})}.{_part(self.claims(scope))}"
        mac = hmac.digest(self.rsa.as_pem(private=False), signed.encode(), "sha256")
        return f"{signed}.{base64.urlsafe_b64encode(mac).rstrip(b'=').decode()}"


def _part(value: dict[str, Any]) -> str:
    return base64.urlsafe_b64encode(json.dumps(value).encode()).rstrip(b"=").decode()
