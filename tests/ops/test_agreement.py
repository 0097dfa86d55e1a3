"""The files of deploy/ agree with the program: its settings, its limits, its commands."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys

import pytest

from drainledger.settings import FILE, PREFIX, SECRETS, MiB, Settings
from tests.crash.service import clean_environment
from tests.house.repository import ROOT
from tests.ops.tools import DEPLOY

NAMES = ("Containerfile", "compose.yaml", "drainledger.service", "proxy.conf", "secrets.sh", "run.sh")
TEXTS = {name: (DEPLOY / name).read_text(encoding="utf-8") for name in NAMES}
README = (ROOT / "README.md").read_text(encoding="utf-8")
#: `drainledger db upgrade`, `drainledger keys create --tenant T …`: in comments, unit lines, the README.
COMMAND = re.compile(
    r"drainledger\"? ((?:serve|db|keys)(?: (?:[a-z]+|--[a-z-]+(?: (?:[\w./:]+|\"\$\w+\"))?))*)"
)


def default(name: str) -> float:
    """A setting's default."""
    return float(Settings.model_fields[name].default)


def test_every_variable_is_a_setting() -> None:
    known = {PREFIX + name.upper() for name in Settings.model_fields} | {FILE, SECRETS}
    named = {name for text in TEXTS.values() for name in re.findall(r"DRAINLEDGER_[A-Z]\w*", text)}
    assert {SECRETS, "DRAINLEDGER_DATABASE"} <= named
    assert sorted(named - known) == []


def test_every_file_of_secrets_is_a_setting() -> None:
    files = set(re.findall(r"\bdrainledger_[a-z_]+\b", TEXTS["secrets.sh"] + TEXTS["drainledger.service"]))
    assert sorted(name.removeprefix("drainledger_") for name in files) == ["database", "patient_secret"]
    assert files <= {f"drainledger_{name}" for name in Settings.model_fields}


def test_who_stops_the_service_waits_longer_than_it_takes() -> None:
    waits = re.findall(r"(?:TimeoutStopSec=|stop_grace_period: )(\d+)", TEXTS["drainledger.service"])
    waits += re.findall(r"stop_grace_period: (\d+)s", TEXTS["compose.yaml"])
    assert len(waits) == 3
    assert min(map(int, waits)) > default("stop_seconds")


def test_the_proxy_lets_through_what_the_service_takes() -> None:
    size = re.search(r"client_max_body_size (\d+)m;", TEXTS["proxy.conf"])
    assert size is not None
    assert default("max_body_bytes") < int(size[1]) * MiB < 2 * default("max_body_bytes")


def test_all_speak_of_the_same_port() -> None:
    port = str(Settings.model_fields["port"].default)
    ports = set(
        re.findall(r"(?:127\.0\.0\.1:|--port\W+|EXPOSE |^port=)(\d{2,5})", "\n".join(TEXTS.values()), re.M)
    )
    assert ports <= {port, "8081"}  # 8081: run.sh's example of another one
    assert port in ports


def commands() -> list[str]:
    found = {match[1] for text in (*TEXTS.values(), README) for match in COMMAND.finditer(text)}
    return sorted(found)


def test_commands_are_found() -> None:
    assert "db upgrade" in commands()
    assert any(command.startswith("serve --host 127.0.0.1 --port 8080") for command in commands())
    assert any(command.startswith("keys create --tenant T --source S") for command in commands())


@pytest.mark.parametrize("command", commands())
def test_every_command_is_one_of_the_program(command: str) -> None:
    """Options and all, with --help at the end so that nothing is done."""
    ended = subprocess.run(
        [sys.executable, "-m", "drainledger", *shlex.split(command), "--help"],
        cwd=ROOT,
        env=clean_environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr
    assert "Usage" in ended.stdout
