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
_BATCH: Final = 1000


class Standing(Struct):
    """What there is of one id: `told` its parts as its last row tells them, `bodies` part -> (body, when it was
    received), the latest of each. `patient` and `drain` are the last row's."""

    id: str
    bodies: dict[str, tuple[bytes, datetime]] = field(default_factory=dict)
    told: bytes = b""
    patient: str | None = None
    drain: str | None = None

    @property
    def parts(self) -> dict[str, Part]:
        return codec.decode_parts(self.told)


def sweep(store: Store, tenant: str, horizon: int) -> Iterator[list[Standing]]:
    """Every id that has a row up to the seq `horizon`, in code point order, some at a time. Memory: one batch of rows,
    and the latest bodies of one id."""
    place: tuple[str, int] | None = None
    open_: Standing | None = None
    while True:
        rows = _rows(store, tenant, horizon, place)
        done: list[Standing] = []
        for id_, _, micros, patient, drain, parts, bodies in rows:
            if open_ is None or open_.id != id_:
                if open_ is not None:
                    done.append(open_)
                open_ = Standing(id_)
            open_.told, open_.patient, open_.drain = parts, patient, drain
            received_at = from_micros(micros)
            for part, body in codec.decode_bodies(bodies).items():
                open_.bodies[part] = (body, received_at)
        if len(rows) < _BATCH:
            if open_ is not None:
                done.append(open_)
            yield done
            return
        place = (rows[-1][0], rows[-1][1])
        yield done


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
