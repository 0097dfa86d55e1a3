"""The ledger for a person at a terminal: one line a drain."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from zoneinfo import ZoneInfo

from drainledger.convert.ledger_view import all_findings, local_time, plain_text
from drainledger.domain.entries import Bound, DrainLedger

CAUTION = "Not a medical device, not an alarm. Check the patient; local policy and licensed practice decide."
COLUMNS = ("drain", "intervals", "output mL", "net mL", "up to", "issues", "notes", "held", "waiting")
_SIGNS: dict[Bound, str] = {"exact": "", "at-least": ">= ", "estimated": "~ "}


def summary(ledgers: Iterable[DrainLedger]) -> Iterator[bytes]:
    """A table of COLUMNS and the caution. `>=` stands before a total of which part is not known."""
    yield _table([COLUMNS, *(_row(ledger) for ledger in ledgers)]).encode()
    yield f"\n{CAUTION}\n".encode()


def _row(ledger: DrainLedger) -> tuple[str, ...]:
    last = next((node.total for node in reversed(ledger.nodes) if node.total), None)
    findings = list(all_findings(ledger))
    issues = sum(finding.issue for finding in findings)
    return (
        ledger.drain.id,
        str(sum(node.interval is not None for node in ledger.nodes)),
        _SIGNS.get(last.bound, "? ") + plain_text(last.total) if last else "none yet",
        _SIGNS.get(last.bound, "? ") + plain_text(last.net) if last else "none yet",
        local_time(last.at, ZoneInfo(ledger.drain.time_zone)) if last else "",
        str(issues),
        str(len(findings) - issues),
        str(ledger.held),
        str(ledger.waiting),
    )


def _table(rows: Sequence[tuple[str, ...]]) -> str:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = ("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows)
    return "".join(line.rstrip() + "\n" for line in lines)
