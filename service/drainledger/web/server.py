"""The HTTP server: callers that are too slow are cut, and a stop finishes what is begun."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from types import FrameType
from typing import Any

import h11
import uvicorn
from fastapi import FastAPI
from uvicorn.protocols.http.h11_impl import H11Protocol

from drainledger.settings import Settings
from drainledger.web import logs
from drainledger.web.gate import Gate
from drainledger.web.service import Service

#: When time is up, a commit that is begun has this long to end; then connections have it to close, s.
_LAST_SECONDS = 2


def protocol(head_seconds: float, write_seconds: float) -> type[H11Protocol]:
    """A protocol that closes a connection whose request line and headers take too long to come, or whose caller does
    not read its answer."""

    class Timed(H11Protocol):
        def __init__(self, *arguments: Any, **named: Any) -> None:
            super().__init__(*arguments, **named)
            self._head, self._unread = _Timer(self.loop), _Timer(self.loop)
            self._has_answered = False

        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as its base
            super().connection_made(transport)
            self._watch_head()

        def data_received(self, data: bytes) -> None:
            super().data_received(data)
            self._watch_head()

        def on_response_complete(self) -> None:
            super().on_response_complete()
            self._has_answered = True
            self._watch_head()

        def connection_lost(self, exc: Exception | None) -> None:
            self._head.stop()
            self._unread.stop()
            super().connection_lost(exc)

        def pause_writing(self) -> None:
            super().pause_writing()
            self._unread.start(write_seconds, self.transport.abort)

        def resume_writing(self) -> None:
            self._unread.stop()
            super().resume_writing()

        def _watch_head(self) -> None:
            """A head is awaited before the first request, and once a part of the next one has come."""
            begun = not self._has_answered or bool(self.conn.trailing_data[0])
            if self.conn.their_state is h11.IDLE and begun:
                self._head.start(head_seconds, self.transport.close)
            else:
                self._head.stop()

    return Timed


class _Timer:
    """Calls something once, unless it is stopped before; starting it again while it runs changes nothing."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._running: asyncio.TimerHandle | None = None

    def start(self, seconds: float, then: Callable[[], object]) -> None:
        if self._running is None:
            self._running = self._loop.call_later(seconds, then)

    def stop(self) -> None:
        if self._running is not None:
            self._running.cancel()
            self._running = None


class Server(uvicorn.Server):
    """On the first signal it lets nothing new in, finishes what is begun, and ends with exit code 0; on the second it
    ends at once. What is not finished in time is given up by `cut`, and told so."""

    def __init__(self, config: uvicorn.Config, gate: Gate, seconds: float, cut: Callable[[], None]) -> None:
        super().__init__(config)
        self._gate, self._seconds, self._cut = gate, seconds, cut
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stopping: asyncio.Task[None] | None = None

    async def startup(self, sockets: Any = None) -> None:
        self._loop = asyncio.get_running_loop()
        await super().startup(sockets)
        if self.started:
            logs.logger().info("listening", port=self.port)

    @property
    def port(self) -> int:
        """The one listened on, where the setting was 0."""
        listening: int = self.servers[0].sockets[0].getsockname()[1]
        return listening

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        if self._gate.closed or self._loop is None:
            self._cut()
            self.force_exit = self.should_exit = True
            return
        self._gate.close()
        self._loop.call_soon_threadsafe(self._stop)

    def _stop(self) -> None:
        self._stopping = asyncio.get_running_loop().create_task(self._finish())

    async def _finish(self) -> None:
        logs.logger().info("stopping", in_flight=self._gate.in_flight)
        try:
            async with asyncio.timeout(self._seconds):
                await self._gate.empty()
        except TimeoutError:
            logs.logger().warning("cut off", in_flight=self._gate.in_flight)
            self._cut()
            with suppress(TimeoutError):
                async with asyncio.timeout(_LAST_SECONDS):
                    await self._gate.empty()
        self.should_exit = True


def server_of(app: FastAPI, settings: Settings) -> Server:
    """A server that is not started yet."""
    service: Service = app.state.service
    config = uvicorn.Config(
        app,
        host=settings.host,
        port=settings.port,
        http=protocol(settings.head_seconds, settings.write_seconds),
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=_LAST_SECONDS,
    )
    return Server(config, service.gate, settings.stop_seconds, service.intake.cut)
