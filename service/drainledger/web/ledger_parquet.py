"""The ledger as Parquet: the columns of its CSV (convert/ledger_csv.py), as decimals and instants in UTC."""

from __future__ import annotations

import io
from collections.abc import Iterable
from decimal import Decimal
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from drainledger.convert.ledger_csv import COLUMNS, OfDrain
from drainledger.domain.entries import NodeEntry
from drainledger.domain.records import Drain
from drainledger.web.caution import CAUTION

#: mL, mL/h and mL/kg/h; nothing in the ledger is finer than a thousandth.
_AMOUNT: Final = pa.decimal128(38, 3)
_INSTANT: Final = pa.timestamp("us", tz="UTC")
_TEXT: Final = pa.string()
_TYPES: Final[dict[str, Any]] = {
    "start": _INSTANT,
    "end": _INSTANT,
    "records": pa.list_(_TEXT),
    "findings": pa.list_(_TEXT),
}


def _type(column: str) -> Any:
    amount = column.endswith(("_ml", "_h"))
    return _TYPES.get(column, _AMOUNT if amount else _TEXT)


SCHEMA: Final = pa.schema(
    [pa.field(column, _type(column)) for column in COLUMNS], metadata={"caution": CAUTION}
)


def ledger_parquet(parts: Iterable[OfDrain]) -> bytes:
    """One row an interval, in the order of each ledger. An unknown output is null."""
    rows = [_row(part.drain, node) for part in parts for node in part.nodes if node.interval]
    buffer = io.BytesIO()
    pq.write_table(pa.Table.from_pylist(rows, schema=SCHEMA), buffer)
    return buffer.getvalue()


def _row(drain: Drain, node: NodeEntry) -> dict[str, object]:
    interval, total = node.interval, node.total
    assert interval is not None
    return {
        "drain": drain.id,
        "patient_system": drain.patient.system,
        "patient": drain.patient.value,
        "collector": interval.collector,
        "chamber": interval.chamber,
        "start": interval.start,
        "end": interval.end,
        "output_ml": _fitting(interval.output),
        "bound": interval.bound,
        "output_sd_ml": _fitting(interval.deviation),
        "irrigant_ml": _fitting(interval.irrigant),
        "rate_ml_h": _fitting(interval.rate),
        "rate_ml_kg_h": _fitting(interval.rate_per_weight),
        "total_ml": None if total is None else _fitting(total.total),
        "total_bound": None if total is None else total.bound,
        "net_ml": None if total is None else _fitting(total.net),
        "records": [key.id for key in interval.records],
        "findings": list(interval.findings),
    }


def _fitting(value: Decimal | None) -> Decimal | None:
    """Without an exponent above 0, which the library takes for a scale."""
    return None if value is None else Decimal(format(value, "f"))
