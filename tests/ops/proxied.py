"""deploy/proxy.conf run by nginx itself on this machine's loopback, with throwaway certificates, before a stand-in."""

from __future__ import annotations

import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from tests.ops.tools import DEPLOY, changed, program

CONF = DEPLOY / "proxy.conf"
NAME = "drainledger.example"


class Proxy(NamedTuple):
    plain: int
    tls: int
    certificate: Path
    log: Path
    seen: list[dict[str, str]]  # the headers of what reached the stand-in


def free_port() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port: int = taken.getsockname()[1]
    return port


def certificate(folder: Path) -> Path:
    """A self-signed certificate and its key in `folder`, good for an hour."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, NAME)])
    now = datetime.now(UTC)
    signed = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(minutes=5))
        .not_valid_after(now + timedelta(hours=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(NAME)]), critical=False)
        .sign(key, hashes.SHA256())
    )
    folder.mkdir()
    (folder / "drainledger.crt").write_bytes(signed.public_bytes(serialization.Encoding.PEM))
    (folder / "drainledger.key").write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    return folder / "drainledger.crt"


def prepared(folder: Path, upstream: int = 8080, plain: int = 8081, tls: int = 8443) -> Path:
    """A whole nginx configuration in `folder` that includes proxy.conf, but for its ports and where it logs."""
    certificate(folder / "tls")
    changed(
        CONF,
        folder / "proxy.conf",
        ("127.0.0.1:8080", f"127.0.0.1:{upstream}"),
        ("listen 80;", f"listen 127.0.0.1:{plain};"),
        ("listen 443 ssl;", f"listen 127.0.0.1:{tls} ssl;"),
        ("/var/log/nginx/", f"{folder}/"),
    )
    kept = "".join(f"{name}_temp_path {folder}/{name};\n" for name in _BUFFERED)
    whole = folder / "nginx.conf"
    whole.write_text(
        f"daemon off;\npid {folder}/pid;\nerror_log {folder}/error.log;\nworker_processes 1;\n"
        f"events {{}}\nhttp {{\n{kept}include {folder}/proxy.conf;\n}}\n",
        encoding="utf-8",
    )
    return whole


_BUFFERED = ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")


@contextmanager
def stand_in() -> Iterator[tuple[int, list[dict[str, str]]]]:
    """An HTTP server that takes everything, and notes the headers that reached it."""
    seen: list[dict[str, str]] = []

    class Takes(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.rfile.read(int(self.headers.get("Content-Length", 0)))
            seen.append({name.lower(): value for name, value in self.headers.items()})
            self.send_response(200)
            self.send_header("Content-Length", "2")
            self.end_headers()
            self.wfile.write(b"{}")

        def do_POST(self) -> None:
            self.do_GET()

        def log_message(self, format: str, *args: object) -> None:
            """Quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Takes)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield server.server_port, seen
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@contextmanager
def proxy(folder: Path) -> Iterator[Proxy]:
    plain, tls = free_port(), free_port()
    with stand_in() as (upstream, seen):
        whole = prepared(folder, upstream, plain, tls)
        nginx = subprocess.Popen(
            [program("nginx"), "-p", folder, "-c", whole],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            _wait_for(tls, nginx, folder)
            yield Proxy(plain, tls, folder / "tls" / "drainledger.crt", folder / "drainledger.log", seen)
        finally:
            nginx.terminate()
            nginx.wait(timeout=10)


def _wait_for(port: int, nginx: subprocess.Popen[bytes], folder: Path) -> None:
    for _ in range(100):
        assert nginx.poll() is None, (folder / "error.log").read_text()
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            return
        except OSError:
            time.sleep(0.05)
    raise AssertionError("nginx did not start to listen within 5 s")


def trusting(certificate: Path, highest: ssl.TLSVersion = ssl.TLSVersion.MAXIMUM_SUPPORTED) -> ssl.SSLContext:
    """A client's context; one that speaks old TLS only is made to, against its own defaults."""
    context = ssl.create_default_context(cafile=str(certificate))
    if highest is not ssl.TLSVersion.MAXIMUM_SUPPORTED:
        context.set_ciphers("DEFAULT@SECLEVEL=0")
        context.minimum_version = highest
        context.maximum_version = highest
    return context
