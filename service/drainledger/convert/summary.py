"""The ledger for a person at a terminal: one line a drain."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from drainledger.convert.ledger_view import DrainView, UnusedView
from drainledger.domain.entries import Bound

CAUTION = "Not a medical device, not an alarm. Check the patient; local policy and licensed practice decide."
COLUMNS = ("drain", "intervals", "output mL", "net mL", "up to", "issues", "notes", "held", "waiting")
_SIGNS: dict[Bound, str] = {"exact": "", "at-least": ">= ", "estimated": "~ "}


def summary(
    drains: Iterable[DrainView], without_drain: Iterable[UnusedView] = (), held: Callable[[], int] = lambda: 0
) -> Iterator[bytes]:
    """A table of COLUMNS, what is tied to no known drain, and the caution. `>=` stands before a total of which part is
    not known. `held`, asked after the drains, tells how many records are held in all."""
    rows: list[tuple[str, ...]] = [COLUMNS]
    of_drains = 0
    for drain in drains:
        rows.append(_row(drain))
        of_drains += drain["held"]
    yield _table(rows).encode()
    yield _untied(held() - of_drains, sum(1 for _ in without_drain)).encode()
    yield f"\n{CAUTION}\n".encode()


def _untied(held: int, waiting: int) -> str:
    if not held and not waiting:
        return ""
    return f"\nTied to no known drain: {held} held, {waiting} waiting. Standard error says of each why.\n"


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
