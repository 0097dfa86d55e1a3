"""The body of a request, read as it comes: cut where it is too long, unpacks too far or comes too slowly."""

from __future__ import annotations

import asyncio
import zlib
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from typing import Final

from starlette.requests import ClientDisconnect, Request

from drainledger.web.problems import Refusal

#: A gzip body may be this long without anybody asking for its ratio.
UNSUSPECTED: Final = 1 << 20
#: Members of one gzip body: each costs some microseconds, however little it holds.
MOST_MEMBERS: Final = 10_000
_STEP: Final = 1 << 18
_SLICE: Final = 1 << 16
_GZIP_WINDOW: Final = 31  # zlib: 15 bits, and a gzip header


@dataclass(frozen=True, slots=True)
class BodyLimits:
    """`sent` and `unpacked` in bytes, `ratio` of unpacked to sent, `seconds` for the whole body to arrive."""

    sent: int
    unpacked: int
    ratio: int
    seconds: float


async def read_body(request: Request, limits: BodyLimits, take: Callable[[int], None]) -> bytes:
    """The whole body, unpacked where it is gzip. `take` is asked for the bytes to be held before they are.

    Raises Refusal: `unsupported-coding`, `body-too-long`, `unpacks-too-far`, `bad-gzip`, `body-too-slow`,
    `body-cut-off`, and what `take` raises.
    """
    coding = request.headers.get("content-encoding", "identity").strip().lower()
    if coding not in ("identity", "gzip", "x-gzip"):
        raise Refusal(
            "unsupported-coding",
            "Send the body as it is, or packed with gzip (Content-Encoding: gzip).",
            headers={"Accept-Encoding": "gzip"},
        )
    _check_announced(request, limits)
    try:
        async with asyncio.timeout(limits.seconds):
            chunks = _within(request.stream(), limits, take)
            if coding == "identity":
                return b"".join([chunk async for chunk in chunks])
            return await _unpacked(chunks, limits, take)
    except TimeoutError:
        raise Refusal(
            "body-too-slow",
            f"The body has to arrive within {limits.seconds:g} s. Nothing of it was taken: send it again, in parts.",
            headers={"Connection": "close"},
        ) from None
    except ClientDisconnect:
        raise Refusal("body-cut-off", "The body broke off. Nothing of it was taken: send it again.") from None


def _check_announced(request: Request, limits: BodyLimits) -> None:
    announced = request.headers.get("content-length", "0")
    if announced.isascii() and announced.isdigit() and int(announced[:20]) > limits.sent:
        raise _too_long(limits)


def _too_long(limits: BodyLimits) -> Refusal:
    return Refusal(
        "body-too-long",
        f"At most {limits.sent} bytes are taken at once. Nothing of this was taken: send the records in parts.",
        headers={"Connection": "close"},
    )


async def _within(
    stream: AsyncIterator[bytes], limits: BodyLimits, take: Callable[[int], None]
) -> AsyncIterator[bytes]:
    received = 0
    async for chunk in stream:
        received += len(chunk)
        if received > limits.sent:
            raise _too_long(limits)
        take(len(chunk))
        yield chunk


async def _unpacked(chunks: AsyncIterator[bytes], limits: BodyLimits, take: Callable[[int], None]) -> bytes:
    unpacking = _Gunzip(limits, take)
    async for chunk in chunks:
        for start in range(0, len(chunk), _SLICE):  # each member copies what follows it
            unpacking.feed(chunk[start : start + _SLICE])
            await asyncio.sleep(0)  # others have their turn between two slices
    return unpacking.end()


class _Gunzip:
    """gzip data of one or more members (RFC 1952), unpacked by steps of bounded length, so that a bomb is noticed
    before it has gone off."""

    def __init__(self, limits: BodyLimits, take: Callable[[int], None]) -> None:
        self._limits, self._take = limits, take
        self._member = zlib.decompressobj(_GZIP_WINDOW)
        self._sent = self._length = 0
        self._members = 1
        self._pieces: list[bytes] = []

    def feed(self, chunk: bytes) -> None:
        self._sent += len(chunk)
        rest, more = chunk, bool(chunk)
        while more:
            if self._member.eof:
                self._next_member()
            piece = self._step(rest)
            self._keep(piece)
            rest = self._member.unused_data if self._member.eof else self._member.unconsumed_tail
            # A full step may have left output behind although its input is used up.
            more = bool(rest) or (len(piece) == _STEP and not self._member.eof)

    def _next_member(self) -> None:
        self._members += 1
        if self._members > MOST_MEMBERS:
            raise Refusal(
                "unpacks-too-far",
                f"At most {MOST_MEMBERS} gzip members are taken in a body. Nothing of this was taken: pack it as one.",
                headers={"Connection": "close"},
            )
        self._member = zlib.decompressobj(_GZIP_WINDOW)

    def _step(self, chunk: bytes) -> bytes:
        try:
            return self._member.decompress(chunk, _STEP)
        except zlib.error:
            raise Refusal("bad-gzip", _BAD_GZIP) from None

    def _keep(self, piece: bytes) -> None:
        self._length += len(piece)
        suspected = self._length > UNSUSPECTED and self._length > self._sent * self._limits.ratio
        if suspected or self._length > self._limits.unpacked:
            raise Refusal(
                "unpacks-too-far",
                f"At most {self._limits.unpacked} bytes are taken once unpacked, and over {UNSUSPECTED} bytes at most "
                f"{self._limits.ratio} times what was sent. Nothing of this was taken: send the records in parts.",
                headers={"Connection": "close"},
            )
        self._take(len(piece))
        self._pieces.append(piece)

    def end(self) -> bytes:
        if self._sent and not self._member.eof:
            raise Refusal("bad-gzip", _BAD_GZIP)
        return b"".join(self._pieces)


_BAD_GZIP = (
    "The body says that it is gzip, and it is not, or it breaks off. Nothing of it was taken: send it again."
)
