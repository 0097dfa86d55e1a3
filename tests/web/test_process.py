"""The service as a process: how fast it starts, how it stops, and what becomes of callers that are too slow."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.crash.service import SERVE, Service, clean_environment, drainledger, settings
from tests.house.repository import ROOT
from tests.web.ward import BED, reading

#: Issue 'Ops': a clean start in under 2 s.
START_SECONDS = 2.0
NDJSON = {"Content-Type": "application/x-ndjson"}


@pytest.fixture
def running(tmp_path: Path) -> Iterator[tuple[Service, str]]:
    environment = settings(f"sqlite:///{tmp_path}/ward.db") | {
        "DRAINLEDGER_HEAD_SECONDS": "0.5",
        "DRAINLEDGER_BODY_SECONDS": "20",
        "DRAINLEDGER_WRITE_SECONDS": "1",
    }
    drainledger("db", "upgrade", environment=environment)
    key = drainledger(
        "keys",
        "create",
        "--tenant",
        "t",
        "--source",
        "ward",
        "--scope",
        "records.write",
        "--scope",
        "read",
        environment=environment,
    ).strip()
    service = Service(SERVE, environment, tmp_path / "log")
    service.start()
    try:
        yield service, key
    finally:
        service.end()


def client(running: tuple[Service, str]) -> httpx.Client:
    service, key = running
    return httpx.Client(
        base_url=service.base, headers={"Authorization": f"Bearer {key}"}, trust_env=False, timeout=30
    )


def test_it_starts_in_under_two_seconds(tmp_path: Path) -> None:
    """Until /health/ready says so, with a database that is new each time. What counts is the processor's time: a start
    is all work and no waiting, and the clock on the wall would count what else runs on this machine."""
    took = []
    for attempt in range(3):
        service = Service(SERVE, settings(f"sqlite:///{tmp_path}/{attempt}.db"), tmp_path / "log")
        service.start()
        took.append(service.processor_seconds())
        assert service.stop() == 0
    assert min(took) < START_SECONDS, took


def test_nothing_slow_is_imported_that_a_start_does_not_need() -> None:
    """Units, validation, templates, tables as Parquet, migrations and tokens are loaded by what asks for them."""
    program = "import sys, drainledger.cli, drainledger.web.serve\nprint(*{m.partition('.')[0] for m in sys.modules})"
    said = subprocess.run(
        [sys.executable, "-c", program], env=clean_environment(), capture_output=True, text=True, check=True
    )
    loaded = set(said.stdout.split())
    assert {"fastapi", "sqlalchemy", "drainledger"} <= loaded
    slow = {
        "alembic",
        "cryptography",
        "fhir",
        "jinja2",
        "joserfc",
        "lark",
        "numpy",
        "pandas",
        "pint",
        "psycopg",
    }
    assert loaded & (slow | {"pyarrow", "ucumvert"}) == set()


def test_what_was_answered_is_there_after_a_restart(running: tuple[Service, str]) -> None:
    service, _ = running
    body = b"\n".join(json.dumps(one).encode() for one in (*BED, reading("r-1", 7, 40)))
    with client(running) as http:
        assert http.post("/v1/records", content=body, headers=NDJSON).status_code == 200
        before = http.get("/v1/drains/drn-7/ledger").json()
    assert service.stop() == 0
    service.start()
    with client(running) as http:
        assert http.get("/v1/drains/drn-7/ledger").json() == before


def test_a_stop_finishes_what_is_begun_and_refuses_the_rest(running: tuple[Service, str]) -> None:
    """A body that is still coming when the signal comes is taken; a new call is told to go elsewhere."""
    service, _ = running
    body = b"\n".join(json.dumps(one).encode() for one in BED)
    may_end = threading.Event()
    answers: list[httpx.Response] = []

    def halves() -> Iterator[bytes]:
        yield body[:50]
        may_end.wait(20)
        yield body[50:]

    def post() -> None:
        with client(running) as http:
            answers.append(http.post("/v1/records", content=halves(), headers=NDJSON))

    begun = threading.Thread(target=post)
    begun.start()
    with client(running) as http:
        assert http.get("/health/ready").status_code == 200
        time.sleep(0.3)
        assert service._process is not None
        service._process.send_signal(signal.SIGTERM)
        time.sleep(0.3)
        refused = http.get("/v1/drains")
        assert (refused.status_code, refused.json()["code"]) == (503, "stopping")
        assert int(refused.headers["retry-after"]) > 0
        may_end.set()
    begun.join(30)
    assert [(one.status_code, one.json()["accepted"]) for one in answers] == [(200, 3)]
    assert service._process.wait(30) == 0


def test_a_head_that_does_not_come_is_cut(running: tuple[Service, str]) -> None:
    service, _ = running
    with socket.create_connection(("127.0.0.1", service.port), timeout=10) as slow:
        slow.sendall(b"GET /v1/drains HTTP/1.1\r\nHost: ")
        started = time.monotonic()
        assert slow.recv(100) == b""
        assert time.monotonic() - started < 5
    with socket.create_connection(("127.0.0.1", service.port), timeout=10) as again:
        again.sendall(b"GET /health/live HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        assert again.recv(10_000).startswith(b"HTTP/1.1 200")
        again.sendall(b"GET /health/live HT")
        while again.recv(10_000):
            pass  # what is left of the first answer; then the end


def test_who_does_not_read_is_cut(running: tuple[Service, str]) -> None:
    """Many answers asked for at once, none read: the connection ends, the service goes on."""
    service, _ = running
    with socket.socket() as deaf:
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        deaf.connect(("127.0.0.1", service.port))
        deaf.settimeout(15)
        asked = b"GET /openapi.json HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
        cut = False
        try:
            for _ in range(400):
                deaf.sendall(asked)
                time.sleep(0.01)
            while deaf.recv(1 << 16):
                pass
        except (ConnectionError, BrokenPipeError):
            cut = True
    assert cut, "the connection was served to its end"
    with client(running) as http:
        assert http.get("/health/live").status_code == 200


def test_keys_are_printed_alone_listed_rotated_and_revoked(tmp_path: Path) -> None:
    environment = settings(f"sqlite:///{tmp_path}/ward.db")
    drainledger("db", "upgrade", environment=environment)
    made = drainledger(
        "keys", "create", "--tenant", "t", "--scope", "read", "--expires", "90d", environment=environment
    )
    assert made.count("\n") == 1
    key_id = made.split("_")[2]
    listed = drainledger("keys", "list", environment=environment)
    assert listed.split("\t")[:3] == ["t", key_id, "valid"]
    assert made.strip().rpartition("_")[2] not in listed
    rotated = drainledger(
        "keys", "rotate", key_id, "--tenant", "t", "--overlap", "2h", environment=environment
    )
    assert rotated.split("_")[2] != key_id
    drainledger("keys", "revoke", key_id, "--tenant", "t", environment=environment)
    states = {
        line.split("\t")[1]: line.split("\t")[2]
        for line in drainledger("keys", "list", environment=environment).splitlines()
    }
    assert states == {key_id: "revoked", rotated.split("_")[2]: "valid"}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["serve"], "DRAINLEDGER_PATIENT_SECRET is not set"),
        (["serve", "--demo", "--host", "0.0.0.0"], "this machine alone"),
        (["serve", "--settings", "nowhere.toml"], "nowhere.toml"),
        (["serve", "--demo", "--database", "mysql://x"], "database: write sqlite"),
        (["keys", "list", "--database", "sqlite:///nowhere.db"], "drainledger db upgrade"),
        (["keys", "create", "--tenant", "t", "--scope", "all"], "db upgrade"),
    ],
)
def test_what_can_not_be_used_is_told_in_a_line(tmp_path: Path, arguments: list[str], said: str) -> None:
    environment = {name: value for name, value in os.environ.items() if not name.startswith("DRAINLEDGER_")}
    done = subprocess.run(
        [sys.executable, "-m", "drainledger", *arguments],
        cwd=tmp_path,
        env=environment | {"PYTHONPATH": str(ROOT / "service")},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 2, done.stderr
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_a_body_of_two_lengths_is_refused_and_the_connection_closed(running: tuple[Service, str]) -> None:
    """What follows on the same connection is not taken for a second request."""
    service, key = running
    smuggled = b"GET /health/live HTTP/1.1\r\nHost: x\r\n\r\n"
    head = (
        f"POST /v1/records HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {key}\r\n"
        "Content-Type: application/json\r\nContent-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n"
    ).encode()
    with socket.create_connection(("127.0.0.1", service.port), timeout=10) as connection:
        connection.sendall(head + b"0\r\n\r\n" + smuggled)
        answered = b"".join(iter(lambda: connection.recv(65536), b""))
    assert answered.startswith(b"HTTP/1.1 400 ")
    assert b'"code":"bad-framing"' in answered
    assert answered.count(b"HTTP/1.1 ") == 1


def test_over_a_socket_a_head_has_the_length_and_no_body(running: tuple[Service, str]) -> None:
    with client(running) as http:
        for path in ("/health/live", "/v1/drains", "/v1/drains/nobody"):
            got, head = http.get(path), http.head(path)
            assert (head.status_code, head.content) == (got.status_code, b"")
            assert head.headers["content-length"] == got.headers["content-length"]
