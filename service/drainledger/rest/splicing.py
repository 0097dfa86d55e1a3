"""What `Stored.wire` gives in R4, for many at once: the bytes emitted, with meta.versionId and meta.lastUpdated.

A test holds both to the same bytes.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import UTC, datetime
from typing import Final

from drainledger.rest.ndjson import Lines
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
        bodies: Mapping[str, bytes],
        received: Mapping[str, datetime],
        types: Collection[str],
    ) -> dict[str, Lines]:
        """Type -> its resources among these. `bodies` are R4 as emitted, `received` when each of them was."""
        found: dict[str, Lines] = {}
        last, written, text = self._updated, self._issued, self._text
        version, told = 0, b""
        for part, entry in parts.items():
            if entry.type not in types:
                continue
            body, updated = bodies[part], received[part]
            # An unescaped quote stands in no text of JSON, and no resource here contains another: there is one, and it
            # is found sooner from the end.
            place = body.rfind(_ISSUED)
            issued = body[place + 10 : body.index(b'"', place + 10)] if place >= 0 else b""
            if issued != written or updated is not last:
                last, written, text = updated, issued, _written(issued, updated)
                version = 0
            if entry.version != version:
                version = entry.version
                told = b'"versionId":"%d","lastUpdated":"%b"' % (version, text)
            lines = found.get(entry.type)
            if lines is None:
                lines = found[entry.type] = Lines()
            # Onto the end of one buffer: to make a line by itself, a megabyte after the other, takes twice as long.
            data = lines.data
            place = body.find(_META) + 8
            if place < 8:
                place = body.index(b'",', body.index(_ID) + len(_ID)) + 2
                data += body[:place]
                data += b'"meta":{%b},' % told
            else:
                data += body[:place]
                data += told
                if body[place] != _END:
                    data += b","
            data += body[place:]
            data += b"\n"
            lines.count += 1
        self._updated, self._issued, self._text = last, written, text
        return found


def _written(issued: bytes, updated: datetime) -> bytes:
    """As `issued` writes the instant where it is the same one, else in UTC (rest.stored.Stored.last_updated)."""
    if issued and datetime.fromisoformat(issued.decode()) == updated:
        return issued
    return updated.astimezone(UTC).isoformat().encode()
