"""The image and the compose file, by linters that nobody here wrote; and what they must hold to be safe to run.

Sources: hadolint (Dockerfile reference and its best practices); `docker compose config`; the schema of
the Compose Specification, as check-jsonschema carries it; compose-lint (OWASP Docker Security Cheat Sheet); yamllint.
"""

from __future__ import annotations

import json
import stat
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.ops.tools import DEPLOY, changed, run, told

CONTAINERFILE = DEPLOY / "Containerfile"
COMPOSE = DEPLOY / "compose.yaml"
HERE = Path(__file__).parent
SECRETS = ("drainledger_database", "drainledger_patient_secret", "postgres_password")

Check = Callable[[Path], "subprocess.CompletedProcess[str]"]


def hadolint(path: Path) -> subprocess.CompletedProcess[str]:
    return run("hadolint", "--no-color", "--failure-threshold", "info", path)


def compose_client(path: Path) -> subprocess.CompletedProcess[str]:
    return run("docker-compose", "--file", path, "config", "--quiet")


def compose_schema(path: Path) -> subprocess.CompletedProcess[str]:
    return run("check-jsonschema", "--builtin-schema", "vendor.compose-spec", path)


def compose_security(path: Path) -> subprocess.CompletedProcess[str]:
    return run("compose-lint", "check", "--config", HERE / "compose-lint.yml", "--fail-on", "low", path)


def yaml_style(path: Path) -> subprocess.CompletedProcess[str]:
    return run("yamllint", "--strict", "--config-file", HERE / "yamllint.yml", path)


def test_the_containerfile_is_sound() -> None:
    ended = hadolint(CONTAINERFILE)
    assert ended.returncode == 0, told(ended)


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        ("FROM python:3.12-slim\n", "FROM python\n", "DL3006"),
        ("USER 10001:10001", "USER root", "DL3002"),
        ("WORKDIR /build", "WORKDIR build", "DL3000"),
    ],
)
def test_hadolint_sees_what_it_is_for(tmp_path: Path, old: str, new: str, rule: str) -> None:
    ended = hadolint(changed(CONTAINERFILE, tmp_path / "Containerfile", (old, new)))
    assert ended.returncode != 0
    assert rule in ended.stdout


@pytest.mark.parametrize("check", [compose_client, compose_schema, compose_security, yaml_style])
def test_the_compose_file_is_sound(check: Check) -> None:
    ended = check(COMPOSE)
    assert ended.returncode == 0, told(ended)


@pytest.mark.parametrize(
    ("check", "old", "new"),
    [
        (compose_client, "networks: [inside]", "networks: [outside]"),
        (compose_schema, "restart: unless-stopped", "restarts: unless-stopped"),
        (compose_security, "  cap_drop: [ALL]\n", ""),
        (yaml_style, "  read_only: true", "  read_only:   true"),
    ],
)
def test_each_linter_sees_what_it_is_for(tmp_path: Path, check: Check, old: str, new: str) -> None:
    ended = check(changed(COMPOSE, tmp_path / "compose.yaml", (old, new)))
    assert ended.returncode != 0, told(ended)


@pytest.fixture(scope="module")
def resolved() -> dict[str, Any]:
    """The compose file as the client reads it, anchors and defaults resolved."""
    ended = run("docker-compose", "--file", COMPOSE, "config", "--format", "json")
    assert ended.returncode == 0, told(ended)
    whole: dict[str, Any] = json.loads(ended.stdout)
    return whole


def test_every_container_is_locked_down(resolved: dict[str, Any]) -> None:
    for name, service in resolved["services"].items():
        assert service["read_only"] is True, name
        assert service["cap_drop"] == ["ALL"], name
        assert service["security_opt"] == ["no-new-privileges:true"], name
        assert service["user"].split(":")[0] not in ("0", "root"), name
        assert service["tmpfs"], name


def test_only_the_service_is_reachable_and_only_on_loopback(resolved: dict[str, Any]) -> None:
    ports = {
        name: [port["host_ip"] for port in service.get("ports", [])]
        for name, service in resolved["services"].items()
    }
    assert ports == {"database": [], "upgrade": [], "service": ["127.0.0.1"]}
    assert resolved["networks"]["inside"]["internal"] is True


def test_what_stays_up_says_whether_it_is_well(resolved: dict[str, Any]) -> None:
    for name in ("database", "service"):
        assert resolved["services"][name]["healthcheck"]["test"][0] == "CMD", name
    assert "/health/ready" in " ".join(resolved["services"]["service"]["healthcheck"]["test"])
    assert "/health/ready" in CONTAINERFILE.read_text(encoding="utf-8")
    assert (
        resolved["services"]["service"]["depends_on"]["upgrade"]["condition"]
        == "service_completed_successfully"
    )


def test_passwords_come_by_file_and_none_is_written_down(resolved: dict[str, Any]) -> None:
    assert sorted(Path(secret["file"]).name for secret in resolved["secrets"].values()) == sorted(SECRETS)
    for name, service in resolved["services"].items():
        for variable, value in service.get("environment", {}).items():
            named = any(word in variable for word in ("PASSWORD", "SECRET", "DATABASE", "KEY"))
            assert not named or value.startswith("/run/secrets"), (name, variable)


def test_the_secrets_are_random_kept_and_nobody_elses(tmp_path: Path) -> None:
    made: list[dict[str, str]] = []
    for folder in ("one", "two", "one"):
        subprocess.run(["bash", DEPLOY / "secrets.sh", tmp_path / folder], check=True, capture_output=True)
        made.append({name: (tmp_path / folder / name).read_text() for name in SECRETS})
    one, two, again = made
    assert one == again
    assert all(one[name] != two[name] and len(one[name]) >= 64 for name in SECRETS)
    assert one["postgres_password"] in one["drainledger_database"]
    assert stat.S_IMODE((tmp_path / "one").stat().st_mode) == 0o700
