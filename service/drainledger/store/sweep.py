"""All that a tenant's resources were at a horizon, in one pass over the table in the order of its key.

No transaction is open between two batches: a row is never changed, and one that comes later has a seq after the
horizon. So a pass of an hour holds nobody up, and sees one state all the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any, Final

from msgspec import Struct, field
from sqlalchemy import BigInteger, select, tuple_, type_coerce

from drainledger.store import codec
from drainledger.store.instants import from_micros
from drainledger.store.rows import Part
from drainledger.store.schema import versions
from drainledger.store.store import Store

#: Rows asked for at once: some megabytes.
_BATCH: Final = 400


class Standing(Struct):
    """What there is of one id: `told` its parts as its last row tells them, `bodies` part -> its latest body,
    `received` part -> when that was received. `patient` and `drain` are the last row's."""

    id: str
    bodies: dict[str, bytes] = field(default_factory=dict)
    received: dict[str, datetime] = field(default_factory=dict)
    told: bytes = b""
    patient: str | None = None
    drain: str | None = None

    @property
    def parts(self) -> dict[str, Part]:
        return codec.decode_parts(self.told)


def sweep(store: Store, tenant: str, horizon: int) -> Iterator[Standing]:
    """Every id that has a row up to the seq `horizon`, in code point order. Memory: one batch of rows as they are
    stored, and the latest bodies of one id; so what is unpacked is still near when it is used, and its place is used
    again."""
    open_: Standing | None = None
    for id_, _, micros, patient, drain, parts, bodies in _all_rows(store, tenant, horizon):
        if open_ is None or open_.id != id_:
            if open_ is not None:
                yield open_
            open_ = Standing(id_)
        open_.told, open_.patient, open_.drain = parts, patient, drain
        some = codec.decode_bodies(bodies)
        open_.bodies.update(some)
        open_.received.update(dict.fromkeys(some, from_micros(micros)))
    if open_ is not None:
        yield open_


def _all_rows(store: Store, tenant: str, horizon: int) -> Iterator[Any]:
    place: tuple[str, int] | None = None
    while True:
        rows = _rows(store, tenant, horizon, place)
        yield from rows
        if len(rows) < _BATCH:
            return
        place = (rows[-1][0], rows[-1][1])


def _rows(store: Store, tenant: str, horizon: int, place: tuple[str, int] | None) -> list[Any]:
    c = versions.c
    query = select(
        c.id,
        c.seq,
        type_coerce(c.received_at, BigInteger),
        c.patient,
        c.drain,
        c.parts,
        c.bodies,
    ).where(c.tenant == tenant, c.seq + 0 <= horizon)  # by the key, whatever statistics say
    if place is not None:
        query = query.where(tuple_(c.id, c.seq) > place)
    with store.database.read() as connection:
        found: list[Any] = list(connection.execute(query.order_by(c.id, c.seq).limit(_BATCH)).fetchall())
        return found
