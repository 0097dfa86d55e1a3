"""Every answer that a client of the tests gets: errors and figures are gathered, and whom the records sent speak of."""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Callable
from typing import Any

import httpx

from drainledger.web.caution import REQUEST_HEADER
from tests.privacy.gathering import Gathering, Kind
from tests.privacy.identifiers import is_distinctive, named_in_lines

#: A sent identifier shorter than this may be any fragment that a generator of nonsense made.
_SHORTEST_SENT = 4


def listen(gathering: Gathering) -> Callable[[], None]:
    """Hears all that httpx receives, whatever the transport; gives what ends it."""
    plain, waiting = httpx.Client.send, httpx.AsyncClient.send

    def send(client: httpx.Client, *arguments: Any, **named: Any) -> httpx.Response:
        return _noted(gathering, plain(client, *arguments, **named))

    async def send_async(client: httpx.AsyncClient, *arguments: Any, **named: Any) -> httpx.Response:
        return _noted(gathering, await waiting(client, *arguments, **named))

    def end() -> None:
        _set(plain, waiting)

    _set(send, send_async)
    return end


def _set(send: Any, send_async: Any) -> None:
    httpx.Client.send = send  # type: ignore[method-assign]  # there is no hook that all clients have
    httpx.AsyncClient.send = send_async  # type: ignore[method-assign]  # as above: no hook


def _noted(gathering: Gathering, answer: httpx.Response) -> httpx.Response:
    if REQUEST_HEADER in answer.headers:
        gathering.add("answer", str(answer.status_code))
    if answer.status_code >= 400:
        kind: Kind = "held" if _is_of_records(answer) else "error"
        gathering.add(kind, f"{_headers(answer)}\n{_body(answer)}")
    elif answer.request.url.path.endswith("/metrics"):
        gathering.add("figures", _body(answer))
    elif answer.request.url.path.endswith("/v1/records"):
        _note_sent(gathering, answer.request)
    return answer


def _is_of_records(answer: httpx.Response) -> bool:
    """Not the error of a call, but the answer to whoever sent records that were held: it has to say which they were."""
    return answer.headers.get("Content-Type") == "application/json" and _body(answer).startswith(
        '{"accepted":'
    )


def _headers(answer: httpx.Response) -> str:
    return "\n".join(f"{name}: {value}" for name, value in answer.headers.items())


def _body(answer: httpx.Response) -> str:
    try:
        return answer.text
    except httpx.ResponseNotRead:
        return ""


def _note_sent(gathering: Gathering, request: httpx.Request) -> None:
    """The identifiers of records that were taken; a body sent piece by piece is gone by now."""
    try:
        body = request.content
    except httpx.RequestNotRead:
        return
    if request.headers.get("Content-Encoding") == "gzip":
        try:
            body = gzip.decompress(body)
        except (OSError, EOFError, zlib.error):
            return
    for one in set(named_in_lines([body] if body.lstrip()[:1] == b"[" else body.splitlines())):
        if len(one.text) >= _SHORTEST_SENT and is_distinctive(one):
            gathering.add("identifier", f"{one.kind}\t{one.text}")
