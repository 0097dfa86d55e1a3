"""Ids and identifiers: the same record gives the same ones for ever, whatever time or value it holds (FHIR.md 2).

An id is a UUIDv5 of the record, `.` and the part, at most 64 characters of A-Za-z0-9-. (R4 datatypes.html#id).
"""

from __future__ import annotations

import re
from functools import lru_cache
from hashlib import sha1, sha256
from urllib.parse import quote as percent_encode
from uuid import NAMESPACE_URL, UUID

from drainledger.domain.records import Identifier, Key
from drainledger.fhir.fragments import KEPT

_VARIANT = {digit: "89ab"[int(digit, 16) & 3] for digit in "0123456789abcdef"}
_ROOM = 64 - 36 - 1  # what a UUID and a dot leave of an id
_PART = re.compile(rf"[A-Za-z0-9.-]{{1,{_ROOM}}}")
_READABLE = re.compile(r"[A-Za-z0-9_~:@/-]+")


def uuid5(namespace: bytes, name: str) -> str:
    """RFC 4122 version 5, as uuid.uuid5, at a fifth of the cost. `namespace` is 16 bytes."""
    digits = sha1(namespace + name.encode(), usedforsecurity=False).hexdigest()
    return (
        f"{digits[:8]}-{digits[8:12]}-5{digits[13:16]}-{_VARIANT[digits[16]]}{digits[17:20]}-{digits[20:32]}"
    )


@lru_cache(maxsize=KEPT)
def fits(part: str) -> bool:
    """Whether a part may stand behind a UUID in an id."""
    return _PART.fullmatch(part) is not None


def join(uuid: str, part: str) -> str:
    """`<uuid>.<part>`; a part that doesn't fit an id is hashed into the UUID instead."""
    if fits(part):
        return f"{uuid}.{part}"
    return uuid5(UUID(uuid).bytes, part)


@lru_cache(maxsize=KEPT)
def readable(text: str) -> str:
    """Text for an identifier's value: everything that FHIR search (R4 search.html#escaping), JSON or a URI would have
    to escape is percent-encoded, and so is the dot, which separates the pieces of a key."""
    if _READABLE.fullmatch(text):
        return text
    return percent_encode(text, safe="-_~:@/").replace(".", "%2E")


def key_text(key: Key) -> str:
    """A record's key for people: `source.id`, or the id alone where it is tenant-wide."""
    return f"{readable(key.source)}.{readable(key.id)}" if key.source else readable(key.id)


def message_name(key: Key) -> str:
    """What names a record's raw message: its key, behind its kind where ids are tenant-wide a kind."""
    return key_text(key) if key.source else f"{key.kind}.{key_text(key)}"


@lru_cache(maxsize=KEPT)
def part_text(part: str) -> str:
    """A part as the end of an identifier's value; its dots stay."""
    return ".".join(readable(piece) for piece in part.split("."))


class Ids:
    """The ids of one tenant. A Patient's id is made with a secret, so that it can't be guessed back from a record
    number: a UUIDv5 is an unsalted hash."""

    def __init__(self, base: str, tenant: str, patient_secret: bytes) -> None:
        self._namespace = UUID(uuid5(UUID(uuid5(NAMESPACE_URL.bytes, base)).bytes, f"tenant|{tenant}")).bytes
        self._patients = sha256(b"patient|" + self._namespace + patient_secret).digest()[:16]
        self._records: dict[Key, str] = {}

    def record(self, key: Key) -> str:
        """UUIDv5 of (tenant, kind, source, record id). The source goes in with its length, so that no two keys meet."""
        found = self._records.get(key)
        if found is None:
            if len(self._records) >= KEPT:
                self._records.clear()
            name = f"{key.kind}|{len(key.source)}|{key.source}|{key.id}"
            found = self._records[key] = uuid5(self._namespace, name)
        return found

    def of(self, key: Key, part: str) -> str:
        """The id of one part of what a record gives."""
        return join(self.record(key), part)

    def within(self, uuid: str, kind: str, name: str) -> str:
        """UUIDv5 of something that belongs to what `uuid` names, such as one drain's share of a record."""
        return uuid5(UUID(uuid).bytes, f"{kind}|{name}")

    def in_drain(self, key: Key, drain: str) -> str:
        """UUIDv5 of what a record that names no drain gives in one drain."""
        return self.within(self.record(key), "drain", drain)

    def drain(self, drain: str) -> str:
        return self.record(Key("drain", "", drain))

    def collector(self, collector: str) -> str:
        return self.record(Key("collector", "", collector))

    def window(self, drain: str, name: str, day: str) -> str:
        return uuid5(self._namespace, f"window|{len(drain)}|{drain}|{len(name)}|{name}|{day}")

    def adapter(self) -> str:
        return uuid5(self._namespace, "adapter")

    def patient(self, patient: Identifier) -> str:
        return uuid5(self._patients, f"{len(patient.system)}|{patient.system}|{patient.value}")
