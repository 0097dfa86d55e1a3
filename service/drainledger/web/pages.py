"""Long lists a page at a time: cursors that show nothing in a URL, and the link to the next page (RFC 8288)."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
from collections.abc import Sequence
from typing import Final, Generic, NamedTuple, TypeVar
from urllib.parse import urlencode

from drainledger.web.problems import Refusal

T = TypeVar("T")
_SUM_LENGTH: Final = 8


class Page(NamedTuple, Generic[T]):
    """`items` of this page, and the cursor of the next, None at the end."""

    items: Sequence[T]
    next: str | None


class Cursors:
    """Makes and reads the cursors of one service. A cursor holds for one list of one tenant alone.

    The position is masked with a stream made from `secret`, so that ids do not stand in URLs, and summed, so that
    one that was made up or belongs elsewhere is refused.
    """

    def __init__(self, secret: bytes) -> None:
        self._secret = hashlib.blake2b(secret, person=b"dl-cursor").digest()

    def give(self, tenant: str, listed: str, after: str) -> str:
        position = after.encode()
        tag = self._sum(tenant, listed, position)
        return base64.urlsafe_b64encode(tag + self._masked(tag, position)).rstrip(b"=").decode()

    def read(self, tenant: str, listed: str, cursor: str | None) -> str:
        """The position after which the page starts; "" for the first. Raises Refusal `bad-cursor`."""
        if cursor is None:
            return ""
        try:
            raw = base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True)
        except (binascii.Error, ValueError):
            raise bad_cursor() from None
        tag, masked = raw[:_SUM_LENGTH], raw[_SUM_LENGTH:]
        position = self._masked(tag, masked)
        if not hmac.compare_digest(tag, self._sum(tenant, listed, position)):
            raise bad_cursor()
        return position.decode()

    def _sum(self, tenant: str, listed: str, position: bytes) -> bytes:
        named = "\0".join((tenant, listed)).encode() + b"\0" + position
        return hashlib.blake2b(named, key=self._secret, digest_size=_SUM_LENGTH).digest()

    def _masked(self, tag: bytes, position: bytes) -> bytes:
        stream = hashlib.shake_256(self._secret + tag).digest(len(position))
        return bytes(a ^ b for a, b in zip(position, stream, strict=True))


def bad_cursor() -> Refusal:
    """A cursor that was made up, or is of another list, tenant or choice."""
    return Refusal(
        "bad-cursor",
        "Take the cursor from the link to the next page as it is, or leave it out to begin anew.",
        parameter="cursor",
    )


def next_link(path: str, cursor: str, **kept: str | int | None) -> str:
    """The value of the header `Link`: the same list from `cursor` on, with the other parameters as they were."""
    query = {name: value for name, value in kept.items() if value is not None} | {"cursor": cursor}
    return f'<{path}?{urlencode(query)}>; rel="next"'
