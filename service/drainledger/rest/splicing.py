"""What `Stored.wire` gives in R4, for many at once: the bytes emitted, with meta.versionId and meta.lastUpdated.

A test holds both to the same bytes.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import UTC, datetime
from typing import Final

from drainledger.store.rows import Part

_META: Final = b'"meta":{'
_ID: Final = b'"id":"'
_ISSUED: Final = b'"issued":"'
_END: Final = ord("}")


class Splicer:
    """Remembers how the last instant is written: what came in one commit comes together."""

    def __init__(self) -> None:
        self._updated: datetime | None = None
        self._issued = b""
        self._text = b""

    def row(
        self,
        parts: Mapping[str, Part],
        bodies: Mapping[str, tuple[bytes, datetime]],
        types: Collection[str],
    ) -> dict[str, list[bytes]]:
        """Type -> its resources among these, each a line. `bodies` are R4 as emitted, and when each was received."""
        lines: dict[str, list[bytes]] = {}
        last, written, text = self._updated, self._issued, self._text
        for part, entry in parts.items():
            if entry.type not in types:
                continue
            body, updated = bodies[part]
            # An unescaped quote stands in no text of JSON, and no resource here contains another: there is one, and it
            # is found sooner from the end.
            found = body.rfind(_ISSUED)
            issued = body[found + 10 : body.index(b'"', found + 10)] if found >= 0 else b""
            if issued != written or updated is not last:
                last, written, text = updated, issued, _written(issued, updated)
            place = body.find(_META) + 8
            if place < 8:
                line = _without_meta(body, entry.version, text)
            else:
                end = b'"' if body[place] == _END else b'",'
                told = b'"versionId":"%d","lastUpdated":"' % entry.version
                line = b"".join((body[:place], told, text, end, body[place:]))
            if entry.type in lines:
                lines[entry.type].append(line)
            else:
                lines[entry.type] = [line]
        self._updated, self._issued, self._text = last, written, text
        return lines


def _without_meta(body: bytes, version: int, text: bytes) -> bytes:
    place = body.index(b'",', body.index(_ID) + len(_ID)) + 2
    told = b'"meta":{"versionId":"%d","lastUpdated":"%b"},' % (version, text)
    return body[:place] + told + body[place:]


def _written(issued: bytes, updated: datetime) -> bytes:
    """As `issued` writes the instant where it is the same one, else in UTC (rest.stored.Stored.last_updated)."""
    if issued and datetime.fromisoformat(issued.decode()) == updated:
        return issued
    return updated.astimezone(UTC).isoformat().encode()
