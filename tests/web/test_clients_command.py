"""`drainledger clients` as an operator runs it, and the client that it makes at the token endpoint."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from base64 import urlsafe_b64encode
from pathlib import Path

import pytest
from joserfc.jwk import ECKey, KeySet, OctKey, RSAKey

from tests.crash.service import clean_environment, drainledger, settings

SCOPE = ("--scope", "system/*.rs")


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    found = settings(f"sqlite:///{tmp_path}/ward.db")
    drainledger("db", "upgrade", environment=found)
    return found


def written(folder: Path, *keys: RSAKey | ECKey | OctKey, private: bool = False) -> str:
    file = folder / "keys.json"
    file.write_text(json.dumps(KeySet(list(keys)).as_dict(private=private)))
    return str(file)


def refused(environment: dict[str, str], *arguments: str) -> str:
    """What it says to a call that is no good."""
    ended = subprocess.run(
        [sys.executable, "-m", "drainledger", "clients", *arguments],
        env=clean_environment() | environment | {"COLUMNS": "200"},
        cwd=os.curdir,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (ended.returncode, ended.stdout) == (2, ""), ended.stderr
    assert "Traceback" not in ended.stderr
    return ended.stderr


def listed(environment: dict[str, str], *more: str) -> list[list[str]]:
    told = drainledger("clients", "list", *more, environment=environment)
    return [line.split("\t") for line in told.splitlines()]


def test_a_client_is_made_listed_and_revoked(tmp_path: Path, environment: dict[str, str]) -> None:
    keys = written(tmp_path, ECKey.generate_key("P-384", {"kid": "one"}))
    named = ("--tenant", "t", "--name", "analysts")
    made = drainledger("clients", "create", *named, *SCOPE, "--jwks", keys, environment=environment)
    client_id = made.strip()
    assert made == f"{client_id}\n"
    assert client_id.startswith("dlc_t_")
    url = "https://analysts.example/jwks.json"
    other = drainledger(
        *("clients", "create", "--tenant", "u", "--name", "others", "--jwks-url", url, *SCOPE),
        *("--scope", "system/Observation.rs"),
        environment=environment,
    ).strip()
    assert listed(environment) == [
        ["t", client_id, "valid", "analysts", "system/*.rs", "keys kept here"],
        ["u", other, "valid", "others", "system/*.rs system/Observation.rs", url],
    ]
    assert [row[1] for row in listed(environment, "--tenant", "u")] == [other]
    assert client_id in refused(environment, "revoke", client_id, "--tenant", "u"), "of another tenant"
    drainledger("clients", "revoke", client_id, "--tenant", "t", environment=environment)
    assert [row[2] for row in listed(environment)] == ["revoked", "valid"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((*SCOPE,), "not both"),
        ((*SCOPE, "--jwks", "{keys}", "--jwks-url", "https://x.example/k"), "not both"),
        (("--scope", "user/*.rs", "--jwks", "{keys}"), "is no scope"),
        (("--scope", "system/*.rs system/*.cruds", "--jwks", "{keys}"), "is no scope"),
        ((*SCOPE, "--jwks-url", "http://analysts.example/k"), "https"),
        ((*SCOPE, "--jwks-url", "file:///etc/passwd"), "https"),
        ((*SCOPE, "--jwks", "{folder}/nowhere.json"), "nowhere.json"),
        ((*SCOPE, "--jwks", "{keys}", "--name", "two\nlines"), "visible"),
    ],
)
def test_what_cannot_be_is_told(
    tmp_path: Path, environment: dict[str, str], arguments: tuple[str, ...], said: str
) -> None:
    keys = written(tmp_path, RSAKey.generate_key(2048, {"kid": "one"}))
    given = [each.format(keys=keys, folder=tmp_path) for each in arguments]
    told = refused(environment, "create", "--tenant", "t", "--name", "analysts", *given)
    assert said in told
    assert listed(environment) == []


def test_keys_that_prove_nothing_are_not_taken(tmp_path: Path, environment: dict[str, str]) -> None:
    def told(file: str) -> str:
        named = ("--tenant", "t", "--name", "analysts", *SCOPE, "--jwks", file)
        return refused(environment, "create", *named)

    good = ECKey.generate_key("P-384", {"kid": "one"})
    assert "private" in told(written(tmp_path, good, private=True))
    assert "private or shared" in told(
        written(tmp_path, OctKey.generate_key(256, {"kid": "s"}), private=True)
    )
    short = {"kty": "RSA", "kid": "short", "e": "AQAB", "n": urlsafe_b64encode(b"\xff" * 128).decode()}
    file = tmp_path / "short.json"
    file.write_text(json.dumps({"keys": [good.as_dict(private=False), short]}))
    assert "2048" in told(str(file)), "one of them, too"
    # ES384 is a signature over P-384 alone (RFC 7518, 3.4).
    assert "P-384" in told(written(tmp_path, ECKey.generate_key("P-256", {"kid": "one"})))
    file = tmp_path / "nonsense.json"
    for text in ("", "[]", "{}", '{"keys": 1}', '{"keys": []}'):
        file.write_text(text)
        assert "nonsense.json" in told(str(file))
