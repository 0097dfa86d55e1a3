"""Bytes that are no record at all."""

from __future__ import annotations

from typing import Final

from tests.validation.cases.case import Case
from tests.validation.samples import (
    as_bytes,
    reading,
)


def _deep(depth: int) -> bytes:
    return b'{"record":"reading","note":' + b"[" * depth + b"]" * depth + b"}"


BYTES: Final = [
    Case("empty", b"", "bad-json", "", "ends too early"),
    Case("cut off", as_bytes(reading())[:-9], "bad-json", "", "not valid JSON"),
    Case("two records on one line", as_bytes(reading()) * 2, "bad-json", "", "at byte 114"),
    Case("single quotes", b"{'record':'reading'}", "bad-json", "", "at byte 1"),
    Case("trailing comma", b'{"record":"reading",}', "bad-json", "", "at byte 20"),
    Case("raw newline in text", b'{"note":"a\nb"}', "bad-json", "", "at byte 10"),
    Case("half of a surrogate pair", b'{"note":"\\ud83d"}', "bad-json", "", "not valid JSON"),
    Case("NaN", b'{"level":{"value":NaN,"unit":"mL"}}', "not-finite", "", "leave the field out"),
    Case("minus infinity", b'{"level":{"value":-Infinity,"unit":"mL"}}', "not-finite", "", "NaN or Infinity"),
    Case("bad UTF-8", b'{"record":"reading","note":"\xff"}', "bad-encoding", "", "from byte 28 on"),
    Case("bad UTF-8 in a name", b'{"\xc3\x28":1}', "bad-encoding", "", "Have the source write UTF-8"),
    Case("UTF-16", '{"record":"reading"}'.encode("utf-16"), "bad-encoding", "", "not UTF-8"),
    Case("a surrogate in UTF-8", b'{"note":"\xed\xa0\x80"}', "bad-encoding", "", "from byte 9 on"),
    Case("33 deep", _deep(32), "too-deep", "", "more than 32 deep"),
    Case("a million deep", b"[" * 10**6, "too-deep", "", "check how the source writes it"),
    Case("a million objects deep", b'{"a":' * 200_000, "too-deep", "", "more than 32 deep"),
    Case("over 1 MiB", b'{"note":"' + b"x" * (1 << 20) + b'"}', "too-big", "", "the limit is 1048576"),
    Case("a list", b"[1,2]", "not-an-object", "", "a list was sent"),
    Case("text", b'"reading"', "not-an-object", "", "text was sent"),
    Case("null", b"null", "not-an-object", "", "null was sent"),
    Case("a number of 5000 digits", b'{"x":' + b"9" * 5000 + b"}", "number-out-of-range", "", "too large"),
    Case(
        "an exponent of 20 digits",
        b'{"x":1e99999999999999999999}',
        "number-out-of-range",
        "",
        "The record holds",
    ),
    Case("a field twice", b'{"record":"reading","at":1,"at":1}', "duplicate-key", "", "Send each field once"),
    Case(
        "a field twice, inside",
        b'{"level":{"value":30,"value":300,"unit":"mL"}}',
        "duplicate-key",
        "",
        "twice",
    ),
    Case("a field twice, spaced", b'{"id" : 1, "id":2}', "duplicate-key", "", "appears twice"),
    Case("a field twice, escaped", b'{"id":1,"\\u0069d":2}', "duplicate-key", "", "appears twice"),
    Case(
        "a field twice beside escaped quotes", b'{"i":"\\u0022","i":"\\u0022"}', "duplicate-key", "", "twice"
    ),
    Case("a field twice in a list", b'{"x":[[{"a":{},"a":{}}]]}', "duplicate-key", "", "twice"),
]
