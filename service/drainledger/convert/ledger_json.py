"""The ledger written as JSON: a drain at a time, an entry a line, so that two can be compared line by line."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from drainledger.convert.ledger_view import DrainView, UnusedView

_encode = msgspec.json.encode


def ledger_json(drains: Iterable[DrainView], without_drain: Iterable[UnusedView] = ()) -> Iterator[bytes]:
    """The pieces of `{"drains": [...]}`.

    `without_drain` are records that wait for a drain that nobody has told of; they are listed under `waiting_records`,
    which is left out when there are none.
    """
    yield b'{"drains":['
    comma = b""
    for drain in drains:
        yield comma + b"\n" + drain_json(drain)
        comma = b","
    yield b"\n]"
    before = b',\n"waiting_records":[\n  '
    for waiting in without_drain:
        yield before + _encode(waiting)
        before = b",\n  "
    if before == b",\n  ":
        yield b"]"
    yield b"}\n"


def drain_json(view: DrainView) -> bytes:
    """One drain's object, an entry of each of its lists a line."""
    return b"{" + b",\n ".join(_encode(name) + b":" + _value(value) for name, value in view.items()) + b"}"


def _value(value: object) -> bytes:
    return _lines(value) if isinstance(value, list) else _encode(value)


def _lines(entries: Sequence[Mapping[str, object]]) -> bytes:
    if not entries:
        return b"[]"
    return b"[\n  " + b",\n  ".join(_encode(entry) for entry in entries) + b"]"
