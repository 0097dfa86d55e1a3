"""A body taken apart into records, each in the bytes as sent: one object, an array, or a record a line (DESIGN 3)."""

from __future__ import annotations

from typing import Final

import msgspec

from drainledger.domain.validation.decode import LONGEST
from drainledger.web.problems import Refusal

JSON: Final = ("application/json",)
NDJSON: Final = ("application/x-ndjson", "application/ndjson", "application/jsonl")
#: What people send by mistake.
_OTHERS: Final = (
    "application/fhir+json",
    "application/octet-stream",
    "application/xml",
    "multipart/form-data",
    "text/csv",
    "text/json",
    "text/plain",
    "text/xml",
)
_MARK: Final = b"\xef\xbb\xbf"
#: No record of the contract has this many commas or line ends.
_CUTS: Final = 100
_ONE = msgspec.json.Decoder(msgspec.Raw)
_ARRAY = msgspec.json.Decoder(list[msgspec.Raw])


def split(body: bytes, content_type: str | None, most: int) -> list[bytes]:
    """The records in the order of the body; what each says is not looked at, so that a bad one is held by itself.

    A body that begins with `[` is an array, whatever its type says; any other is lines where the type is NDJSON, else
    one object, or lines where it is no single one. Without a type, the content alone decides.

    Raises Refusal: `unsupported-type`, `bad-body`, `no-records`, `too-many-records`, `record-too-long`.
    """
    lines_meant = _is_ndjson(content_type)
    whole = body.removeprefix(_MARK).strip(b" \t\r\n")
    if _is_crowded(whole, most):
        raise _too_many(most)
    records = _array(whole, lines_meant) if whole.startswith(b"[") else _objects(whole, lines_meant)
    if not records:
        raise Refusal("no-records", "Send at least one record: an object, an array of them, or one a line.")
    if len(records) > most:
        raise _too_many(most)
    for place, record in enumerate(records, 1):
        if len(record) > LONGEST:
            raise Refusal(
                "record-too-long",
                f"Record {place} of {len(records)} is {len(record)} bytes long, and a record has at most {LONGEST}. "
                "Nothing of this request was taken: send the others without it.",
            )
    return records


def _is_crowded(whole: bytes, most: int) -> bool:
    """Whether the body is cut so small that taking it apart would fill the memory with pieces."""
    return whole.count(b"\n" if not whole.startswith(b"[") else b",") > _CUTS * most


def _too_many(most: int) -> Refusal:
    return Refusal(
        "too-many-records",
        f"At most {most} records are taken at once. Nothing was taken: send them in parts.",
    )


def _is_ndjson(content_type: str | None) -> bool:
    if content_type is None:
        return False
    media_type = content_type.partition(";")[0].strip().lower()
    if media_type in NDJSON:
        return True
    if media_type in JSON or not media_type:
        return False
    raise Refusal(
        "unsupported-type",
        f"{_received(media_type)} Send it with Content-Type: application/json (an object or an array) or "
        "application/x-ndjson (a record a line). Nothing was taken.",
        headers={"Accept": ", ".join((*JSON, NDJSON[0]))},
    )


def _received(media_type: str) -> str:
    """A type is named only where it is a well-known one: a header can hold anything."""
    if media_type == "application/x-www-form-urlencoded":
        return (
            f"The body came as {media_type}, which is what 'curl -d' says unless it is told otherwise with "
            "-H 'Content-Type: application/json'."
        )
    return f"The body came as {media_type if media_type in _OTHERS else 'a type that is not taken here'}."


def _array(whole: bytes, lines_meant: bool) -> list[bytes]:
    try:
        return [bytes(raw) for raw in _ARRAY.decode(whole)]
    except RecursionError:
        raise Refusal("bad-body", "Objects or lists are nested too deep. Nothing was taken.") from None
    except msgspec.DecodeError as error:
        if lines_meant:  # lines of which the first is a list by mistake: each is judged by itself
            return _lines(whole)
        raise Refusal(
            "bad-body",
            f"The body begins as a JSON array and is none: {_where(error)}. Where one record begins and ends can't be "
            "told, so nothing was taken. Mend it, or send a record a line (application/x-ndjson).",
        ) from None


def _where(error: msgspec.DecodeError) -> str:
    """The byte, if the message names one; nothing else of it, which could show what was sent."""
    _, named, byte = str(error).rpartition("(byte ")
    return (
        f"it goes wrong at byte {byte.rstrip(')')}" if named and byte[:-1].isdigit() else "it ends too early"
    )


def _objects(whole: bytes, lines_meant: bool) -> list[bytes]:
    if lines_meant or (b"\n" in whole and not _is_one(whole)):
        return _lines(whole)
    return [whole] if whole else []


def _is_one(whole: bytes) -> bool:
    try:
        _ONE.decode(whole)
    except (msgspec.DecodeError, RecursionError):
        return False
    return True


def _lines(whole: bytes) -> list[bytes]:
    return [line for line in (line.strip(b" \t\r") for line in whole.split(b"\n")) if line]
