"""Tables as files: CSV (RFC 4180) or Parquet, written as rows come, in little memory.

In both, instants are in UTC and the offset of the ward's clock stands in a column beside each; decimals are exact: in
CSV as they were written, in Parquet decimal128. What is not known is empty (null). In CSV a text that a spreadsheet
would run as a formula has an apostrophe in front (ledger_csv.guarded).
"""

from __future__ import annotations

import csv
import io
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from decimal import Decimal
from itertools import islice
from pathlib import Path
from shutil import copyfileobj
from typing import Any, BinaryIO, Final, Literal

import msgspec

from drainledger import __version__
from drainledger.convert.ledger_csv import guarded
from drainledger.convert.lines import Source
from drainledger.convert.output import output
from drainledger.convert.pipeline import groups, rendered, renderer_for
from drainledger.convert.progress import watch_over
from drainledger.convert.report import Report
from drainledger.convert.settings import Settings
from drainledger.fhir.tables import CAUTION, Column, Row, Table
from drainledger.mapping import load_mappings

Json = dict[str, Any]
To = Literal["parquet", "csv"]

#: Rows in memory at a time, and in a row group of Parquet.
_AT_ONCE: Final = 10_000
_DECODER: Final = msgspec.json.Decoder(float_hook=Decimal)


def decoded(body: bytes) -> Json:
    """A resource, numbers with a fraction as Decimals of the precision they have."""
    found: Json = _DECODER.decode(body)
    return found


def observations_of(file: Path | None, settings: Settings, report: Report) -> Iterator[Json]:
    """The R4 Observations that a file of records gives (None: standard input). Raises UnreadableInput, MappingError."""
    from drainledger.convert.intake import LINE_LIMIT

    mappings = load_mappings(settings.mappings)
    renderer = renderer_for(mappings, settings)
    with Source(file, LINE_LIMIT) as source, watch_over(source) as watch:
        for folded in groups(watch.lines(source), settings, mappings, report, watch):
            for message in rendered(folded, renderer):
                yield from (decoded(one.body) for one in message if one.type == "Observation")


def write_table(
    out: Path | None, to: To, table: Table, columns: Sequence[Column], rows: Iterable[Row]
) -> int:
    """Writes a table of these columns to a file, which appears whole or not at all, or to standard output (None). How
    many rows. Raises UnwritableOutput."""
    with output(out) as stream:
        if to == "csv":
            return _write_csv(stream, columns, rows)
        if out is not None:
            return _write_parquet(stream, table, columns, rows)
        # The library asks where it is in the file, which a pipe can't tell.
        with tempfile.TemporaryFile() as whole:
            count = _write_parquet(whole, table, columns, rows)
            whole.seek(0)
            copyfileobj(whole, stream)
        return count


def _write_csv(stream: BinaryIO, columns: Sequence[Column], rows: Iterable[Row]) -> int:
    stream.write(_csv([[column.name for column in columns]]))
    count = 0
    for some in _batches(rows):
        stream.write(_csv([_cell(column, row) for column in columns] for row in some))
        count += len(some)
    return count


def _cell(column: Column, row: Row) -> str:
    value = row[column.name]
    if value is None:
        return ""
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    return value if column.kind == "offset" else guarded(value) or ""


def _csv(rows: Iterable[Iterable[str]]) -> bytes:
    buffer = io.StringIO(newline="")
    csv.writer(buffer).writerows(rows)
    return buffer.getvalue().encode()


def _write_parquet(stream: BinaryIO, table: Table, columns: Sequence[Column], rows: Iterable[Row]) -> int:
    import pyarrow as pa  # a large library: only where it is used
    import pyarrow.parquet as pq

    types = {
        # Amounts are no finer than a thousandth; what a site observes may be.
        "decimal": pa.decimal128(38, 6),
        "instant": pa.timestamp("us", tz="UTC"),
    }
    schema = pa.schema(
        [
            pa.field(
                column.name,
                types.get(column.kind, pa.string()),
                metadata={"meaning": column.meaning} | ({"unit": column.unit} if column.unit else {}),
            )
            for column in columns
        ],
        metadata={
            "table": table.name,
            "title": table.title,
            "caution": CAUTION,
            "drainledger": __version__,
        },
    )
    count = 0
    with pq.ParquetWriter(stream, schema) as writer:
        for some in _batches(rows):
            writer.write_table(pa.Table.from_pylist(some, schema=schema))
            count += len(some)
    return count


def _batches(rows: Iterable[Row]) -> Iterator[list[Row]]:
    coming = iter(rows)
    while some := list(islice(coming, _AT_ONCE)):
        yield some
