"""Bytes to a Python object: JSON with exact numbers, and limits on what is taken in."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import Any, Final, cast

import msgspec

from drainledger.domain.validation.outcome import Refused
from drainledger.domain.validation.subject import refuse
from drainledger.domain.validation.texts import problem, type_name

LONGEST: Final = 1 << 20
DEEPEST: Final = 32

_DECODER: Final = msgspec.json.Decoder(float_hook=Decimal)
_ENCODER: Final = msgspec.json.Encoder(decimal_format="number")
_MARK: Final = b"\xef\xbb\xbf"
_NOT_FINITE: Final = re.compile(rb"[:\[,]\s*[+-]?(?:nan|inf(?:inity)?)\s*[,}\]]", re.IGNORECASE)
_BYTE: Final = re.compile(r"\(byte (\d+)\)")
#: A quote, escaped in the one way that the encoder does not use.
_QUOTE: Final = b"\\u0022"


def decode(line: bytes) -> dict[str, Any] | Refused:
    """One record's bytes as an object, every fractional number a Decimal and every other an int.

    Refused: over 1 MiB, not UTF-8, not JSON (NaN and Infinity included), nested over 32 deep, a name twice in one
    object, or not an object. Never raises.
    """
    if len(line) > LONGEST:
        return _refused("too-big", size=len(line), limit=LONGEST)
    try:
        raw = _DECODER.decode(line)
    except (msgspec.MsgspecError, UnicodeDecodeError, InvalidOperation, RecursionError) as error:
        return _undecodable(line, error)
    if line.count(b"{") + line.count(b"[") > DEEPEST and _depth_exceeds(raw, DEEPEST):
        return _refused("too-deep", limit=DEEPEST)
    if type(raw) is not dict:
        return _refused("not-an-object", found=type_name(raw))
    if _may_repeat_a_key(line, raw) and _repeats_a_key(line):
        return refuse(raw, [problem("duplicate-key", "")])
    return cast(dict[str, Any], raw)


def _refused(code: str, **details: object) -> Refused:
    return Refused(None, None, None, (problem(code, "", **details),))


def _undecodable(line: bytes, error: Exception) -> dict[str, Any] | Refused:
    rest = line.removeprefix(_MARK)  # a byte order mark, as some editors write at the head of a file
    if len(rest) < len(line) and not rest.startswith(_MARK):
        return decode(rest)
    if isinstance(error, RecursionError):
        return _refused("too-deep", limit=DEEPEST)
    if isinstance(error, UnicodeDecodeError) or not _is_utf8(line):
        return _refused("bad-encoding", byte=_first_bad_byte(line))
    if isinstance(error, InvalidOperation | msgspec.ValidationError):
        return _refused("number-out-of-range")
    if _NOT_FINITE.search(line):
        return _refused("not-finite")
    return _refused("bad-json", reason=_reason(str(error)))


def _reason(message: str) -> str:
    at = _BYTE.search(message)
    return f"it breaks off or goes wrong at byte {at[1]}" if at else "it ends too early"


def _is_utf8(line: bytes) -> bool:
    return _first_bad_byte(line) is None


def _first_bad_byte(line: bytes) -> int | None:
    try:
        line.decode()
    except UnicodeDecodeError as error:
        return error.start
    return None


def _depth_exceeds(raw: object, limit: int) -> bool:
    """Whether containers nest more than `limit` deep; level by level, so that no depth overflows the stack."""
    level = [raw]
    for _ in range(limit):
        level = [child for node in level for child in _children(node) if isinstance(child, dict | list)]
        if not level:
            return False
    return True


def _children(node: object) -> list[object]:
    if isinstance(node, dict):
        return list(node.values())
    return node if isinstance(node, list) else []


def _may_repeat_a_key(line: bytes, raw: Mapping[str, Any]) -> bool:
    """False where it is certain that no object names a key twice; costs under a microsecond.

    The decoder keeps the last of two, so writing out what it kept needs fewer quotation marks: each key, kept or not,
    takes two, and a text the same number on both sides. Equal counts mean that nothing was dropped.
    """
    if b"\\" in line and _QUOTE in line:
        return True
    return line.count(b'"') != _ENCODER.encode(raw).count(b'"')


def _repeats_a_key(line: bytes) -> bool:
    class Repeated(Exception):
        pass

    def keys_once(pairs: list[tuple[str, object]]) -> None:
        if len({name for name, _ in pairs}) != len(pairs):
            raise Repeated

    try:
        json.loads(line, object_pairs_hook=keys_once, parse_int=str, parse_float=str)
    except Repeated:
        return True
    return False
