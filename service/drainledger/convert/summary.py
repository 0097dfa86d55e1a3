"""The ledger for a person at a terminal: one line a drain."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from drainledger.convert.ledger_view import DrainView
from drainledger.domain.entries import Bound

CAUTION = "Not a medical device, not an alarm. Check the patient; local policy and licensed practice decide."
COLUMNS = ("drain", "intervals", "output mL", "net mL", "up to", "issues", "notes", "held", "waiting")
_SIGNS: dict[Bound, str] = {"exact": "", "at-least": ">= ", "estimated": "~ "}


def summary(drains: Iterable[DrainView]) -> Iterator[bytes]:
    """A table of COLUMNS and the caution. `>=` stands before a total of which part is not known."""
    yield _table([COLUMNS, *map(_row, drains)]).encode()
    yield f"\n{CAUTION}\n".encode()


def _row(drain: DrainView) -> tuple[str, ...]:
    last = drain["totals"][-1] if drain["totals"] else None
    issues = sum(finding["issue"] for finding in drain["findings"])
    return (
        drain["drain"],
        str(len(drain["intervals"])),
        _bounded(last["total_ml"], last["bound"]) if last else "none yet",
        _bounded(last["net_ml"], last["bound"]) if last else "none yet",
        last["at"] if last else "",
        str(issues),
        str(len(drain["findings"]) - issues),
        str(drain["held"]),
        str(drain["waiting"]),
    )


def _bounded(volume: str, bound: Bound) -> str:
    return "not known" if bound not in _SIGNS else _SIGNS[bound] + volume


def _table(rows: Sequence[tuple[str, ...]]) -> str:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = ("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows)
    return "".join(line.rstrip() + "\n" for line in lines)
