"""The reverse proxy's example: read by nginx, by an analyser of its configurations, and run.

Sources: `nginx -t`; gixy-next; RFC 9110 (413, 429), RFC 6797 (Strict-Transport-Security), RFC 8996 (no TLS below 1.2).
"""

from __future__ import annotations

import http.client
import socket
import ssl
import time
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.ops import proxied
from tests.ops.proxied import CONF, NAME, Proxy
from tests.ops.tools import changed, run, told


def test_nginx_reads_it(tmp_path: Path) -> None:
    ended = run("nginx", "-t", "-p", tmp_path, "-c", proxied.prepared(tmp_path))
    assert ended.returncode == 0, told(ended)
    assert "[warn]" not in ended.stderr


def test_nginx_names_a_directive_that_it_does_not_know(tmp_path: Path) -> None:
    whole = proxied.prepared(tmp_path)
    conf = tmp_path / "proxy.conf"
    changed(conf, conf, ("client_body_timeout", "client_patience"))
    ended = run("nginx", "-t", "-p", tmp_path, "-c", whole)
    assert ended.returncode != 0
    assert 'unknown directive "client_patience"' in ended.stderr


def test_the_analyser_finds_nothing() -> None:
    ended = run("gixy-next", CONF)
    assert ended.returncode == 0, told(ended)
    assert "No issues found" in ended.stdout


def test_the_analyser_sees_what_it_is_for(tmp_path: Path) -> None:
    weak = changed(CONF, tmp_path / "proxy.conf", ("Host $host;", "Host $http_host;"))
    ended = run("gixy-next", weak)
    assert "host_spoofing" in ended.stdout


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Proxy]:
    with proxied.proxy(tmp_path_factory.mktemp("proxy")) as started:
        yield started


def ask(
    running: Proxy, method: str, path: str, headers: dict[str, str] | None = None, body: bytes = b""
) -> tuple[int, http.client.HTTPMessage]:
    with socket.create_connection(("127.0.0.1", running.tls), timeout=10) as raw:
        context = proxied.trusting(running.certificate)
        connection = http.client.HTTPConnection(NAME)
        connection.sock = context.wrap_socket(raw, server_hostname=NAME)
        connection.request(method, path, body or None, {"Host": NAME} | (headers or {}))
        answer = connection.getresponse()
        answer.read()
        connection.close()
        return answer.status, answer.headers


def test_what_a_client_claims_about_itself_is_not_passed_on(running: Proxy) -> None:
    status, headers = ask(
        running, "GET", "/v1/drains", {"X-Forwarded-For": "10.9.9.9", "X-Request-ID": "mine"}
    )
    assert status == 200
    assert headers["Strict-Transport-Security"] == "max-age=31536000"
    assert headers["X-Content-Type-Options"] == "nosniff"
    passed = running.seen[-1]
    assert passed["x-forwarded-for"] == "127.0.0.1"
    assert passed["x-forwarded-proto"] == "https"
    assert passed["x-request-id"] != "mine"


def test_a_key_reaches_the_service(running: Proxy) -> None:
    ask(running, "GET", "/v1/drains", {"Authorization": "Bearer dl_t_1_x"})
    assert running.seen[-1]["authorization"] == "Bearer dl_t_1_x"


@pytest.mark.parametrize(
    ("path", "logged"),
    [
        ("/fhir/R4/Patient?identifier=P-1042", "/fhir/R4/Patient"),
        ("/fhir/R5/Observation/P-1042/_history/2", "/fhir/R5/Observation"),
        ("/fhir/R4/$export", "/fhir/R4/$export"),
        ("/v1/drains/P-1042/ledger", "/v1/drains"),
        ("/v1/drains/P-1042%2F7", "/v1/drains"),
        ("/v1/trace/ward/P-1042", "/v1/trace"),
        ("/health/live", "/health/live"),
        ("/P-1042", "/..."),
    ],
)
def test_neither_id_nor_query_is_logged(running: Proxy, path: str, logged: str) -> None:
    line = f'"GET {logged}" 200'
    before = running.log.read_text(encoding="utf-8").count(line)
    ask(running, "GET", path, {"Referer": "https://x.example/?P-1043"})
    # The line is written after the answer is sent.
    deadline = time.monotonic() + 10
    while (log := running.log.read_text(encoding="utf-8")).count(line) == before:
        assert time.monotonic() < deadline, log
        time.sleep(0.02)
    assert "P-104" not in log


def test_too_large_a_body_is_refused_before_the_service(running: Proxy) -> None:
    before = len(running.seen)
    assert ask(running, "POST", "/v1/records", body=b" " * (1 << 20))[0] == 200
    assert len(running.seen) == before + 1
    # Refused by the length that it states: none of the body has to be sent.
    assert ask(running, "POST", "/v1/records", {"Content-Length": str(1 << 30)})[0] == 413
    assert len(running.seen) == before + 1


def test_the_numbers_about_the_service_stay_inside(running: Proxy) -> None:
    before = len(running.seen)
    assert ask(running, "GET", "/metrics")[0] == 404
    assert len(running.seen) == before


def test_in_the_clear_nothing_is_served(running: Proxy) -> None:
    before = len(running.seen)
    connection = http.client.HTTPConnection("127.0.0.1", running.plain, timeout=10)
    connection.request("GET", "/v1/drains", headers={"Host": NAME})
    assert connection.getresponse().status == 403
    connection.close()
    assert len(running.seen) == before


@pytest.mark.parametrize(
    ("version", "spoken"),
    [
        (ssl.TLSVersion.TLSv1_1, False),
        (ssl.TLSVersion.TLSv1_2, True),
        (ssl.TLSVersion.TLSv1_3, True),
    ],
)
def test_old_tls_is_not_spoken(running: Proxy, version: ssl.TLSVersion, spoken: bool) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # naming TLS 1.1 is what this test is for
        context = proxied.trusting(running.certificate, version)
    with socket.create_connection(("127.0.0.1", running.tls), timeout=10) as raw:
        if spoken:
            context.wrap_socket(raw, server_hostname=NAME).close()
        else:
            with pytest.raises(ssl.SSLError, match="PROTOCOL_VERSION"):
                context.wrap_socket(raw, server_hostname=NAME)
