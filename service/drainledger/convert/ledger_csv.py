"""The ledger as CSV (RFC 4180): one row an interval, for spreadsheets and analysts.

| column | meaning |
| --- | --- |
| drain | the drain's id |
| patient_system, patient | the patient's identifier |
| collector, chamber | what was read; empty where an amount was charted without one |
| start, end | the interval, in the drain's offset; an empty start: not known |
| output_ml | mL that came out; empty: not known. Add these up to get the output |
| bound | how far to trust output_ml: exact, at-least, estimated, unknown |
| output_sd_ml | standard deviation of output_ml from the scale's resolution alone |
| irrigant_ml | mL put in during the interval (output is gross: it includes them once they drain) |
| rate_ml_h, rate_ml_kg_h | output over the interval's duration; never add these up |
| total_ml, total_bound, net_ml | the drain's running total at `end`, and the same less irrigant; never add these up |
| records | ids of the records that the interval rests on, as a JSON array: an id may hold a space |
| findings | codes of what was noticed, joined by a space |
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Sequence
from typing import Protocol
from zoneinfo import ZoneInfo

from drainledger.convert.ledger_view import interval_view, total_view
from drainledger.domain.entries import NodeEntry
from drainledger.domain.records import Drain

COLUMNS = (
    "drain",
    "patient_system",
    "patient",
    "collector",
    "chamber",
    "start",
    "end",
    "output_ml",
    "bound",
    "output_sd_ml",
    "irrigant_ml",
    "rate_ml_h",
    "rate_ml_kg_h",
    "total_ml",
    "total_bound",
    "net_ml",
    "records",
    "findings",
)

#: What a spreadsheet takes for the start of a formula, or skips before looking for one (OWASP, 'CSV Injection').
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


class OfDrain(Protocol):
    """A drain's ledger, or a part of it."""

    @property
    def drain(self) -> Drain: ...

    @property
    def nodes(self) -> Sequence[NodeEntry]: ...


def ledger_csv(parts: Iterable[OfDrain]) -> Iterator[bytes]:
    """The header, then the rows of each part in the order of its ledger. UTF-8, lines end in CR LF."""
    yield _csv([COLUMNS])
    for part in parts:
        zone = ZoneInfo(part.drain.time_zone)
        yield _csv(_row(part.drain, node, zone) for node in part.nodes if node.interval)


def _row(drain: Drain, node: NodeEntry, zone: ZoneInfo) -> list[str | None]:
    assert node.interval is not None
    interval = interval_view(node.interval, zone)
    total = total_view(node.total, zone) if node.total else None
    return [
        guarded(drain.id),
        guarded(drain.patient.system),
        guarded(drain.patient.value),
        guarded(interval["collector"]),
        guarded(interval["chamber"]),
        interval["start"],
        interval["end"],
        interval["output_ml"],
        interval["bound"],
        interval["output_sd_ml"],
        interval["irrigant_ml"],
        interval["rate_ml_h"],
        interval["rate_ml_kg_h"],
        total and total["total_ml"],
        total and total["bound"],
        total and total["net_ml"],
        json.dumps(interval["records"], ensure_ascii=False),
        " ".join(interval["findings"]),
    ]


def guarded(text: str | None) -> str | None:
    """Text from a source, with an apostrophe in front where a spreadsheet would run it as a formula."""
    return f"'{text}" if text and text.startswith(_FORMULA_STARTS) else text


def _csv(rows: Iterable[Iterable[str | None]]) -> bytes:
    buffer = io.StringIO(newline="")
    csv.writer(buffer).writerows(rows)
    return buffer.getvalue().encode()
