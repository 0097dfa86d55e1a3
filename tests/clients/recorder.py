"""Stands between a client and the service, passes everything on as it is, and keeps every answer, so that each can be
validated whoever asked."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import httpx

#: RFC 9110, 7.6.1: these are between two ends of one connection.
_OF_ONE_CONNECTION = {"connection", "keep-alive", "transfer-encoding", "content-length", "content-encoding"}


@dataclass
class Answer:
    """One answer as the service gave it."""

    method: str
    path: str
    status: int
    media_type: str
    body: bytes


@dataclass
class Recorder:
    """`base` stands for the service's; `answers` in the order in which they came."""

    base: str
    answers: list[Answer] = field(default_factory=list)


@contextmanager
def recording(target: str) -> Iterator[Recorder]:
    """A recorder in front of the service at `target`."""
    with httpx.Client(base_url=target, trust_env=False, timeout=60) as client:
        server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(client))
        recorder = Recorder(f"http://127.0.0.1:{server.server_port}")
        server.recorder = recorder  # type: ignore[attr-defined]  # the handler is made anew for each connection
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        try:
            yield recorder
        finally:
            server.shutdown()
            server.server_close()
            thread.join()


def _handler(client: httpx.Client) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def _pass_on(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            headers = {
                name: value for name, value in self.headers.items() if name.lower() not in _OF_ONE_CONNECTION
            }
            answer = client.request(self.command, self.path, content=body, headers=headers)
            recorder: Recorder = self.server.recorder  # type: ignore[attr-defined]  # see above
            media_type = answer.headers.get("Content-Type", "")
            recorder.answers.append(
                Answer(self.command, self.path, answer.status_code, media_type, answer.content)
            )
            self.send_response(answer.status_code)
            for name, value in answer.headers.items():
                if name.lower() not in _OF_ONE_CONNECTION:
                    self.send_header(name, value)
            self.send_header("Content-Length", str(len(answer.content)))
            self.end_headers()
            self.wfile.write(answer.content)

        do_GET = _pass_on  # noqa: N815 - http.server calls it so
        do_POST = _pass_on  # noqa: N815 - http.server calls it so

        def log_message(self, format: str, *args: Any) -> None:
            """Says nothing: what was asked may name a patient."""

    return Handler
