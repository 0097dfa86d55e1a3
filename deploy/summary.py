"""Shows on the terminal what the demo gave: one line a drain, then where the files are.

Usage: summary.py RECORDS FOLDER, with ledger.json, resources.ndjson and problems.ndjson in FOLDER.
"""

from __future__ import annotations

import json
import sys
from collections import Counter
from pathlib import Path
from typing import Any

CAUTION = (
    "Not a medical device, not an alarm. Check the patient; local policy and licensed practice decide.\n"
    "Every ward, patient and reading in this demo is invented."
)
COLUMNS = ("drain", "intervals", "output mL", "net mL", "up to", "issues", "notes", "held", "waiting")
SIGNS = {"exact": "", "at-least": ">= ", "estimated": "~ "}


def ledger_rows(ledger: dict[str, Any]) -> list[tuple[str, ...]]:
    """One row of COLUMNS for each drain of a ledger as JSON; decimals stay the strings they are."""
    return [_row(drain) for drain in ledger["drains"]]


def _row(drain: dict[str, Any]) -> tuple[str, ...]:
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


def _bounded(volume: str | None, bound: str) -> str:
    return "not known" if volume is None or bound not in SIGNS else SIGNS[bound] + volume


def table(rows: list[tuple[str, ...]]) -> str:
    """Rows under COLUMNS, each column as wide as its widest cell."""
    widths = [max(map(len, column)) for column in zip(COLUMNS, *rows, strict=True)]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in (COLUMNS, *rows)
    )


def resource_counts(path: Path) -> Counter[str]:
    """How many resources of each type an NDJSON file holds."""
    with path.open(encoding="utf-8") as lines:
        return Counter(json.loads(line)["resourceType"] for line in lines)


def main(records: str, folder: str) -> None:
    """Print the summary of one converted file."""
    out = Path(folder)
    counts = resource_counts(out / "resources.ndjson")
    kinds = ", ".join(f"{count} {kind}" for kind, count in counts.most_common())
    problems = (out / "problems.ndjson").read_text(encoding="utf-8").splitlines()
    print(f"\n{records}, converted:\n")
    print(table(ledger_rows(json.loads((out / "ledger.json").read_text(encoding="utf-8")))))
    print(f"\n{counts.total()} FHIR R4 resources: {kinds}")
    print(f"  resources  {out / 'resources.ndjson'}")
    print(f"  ledger     {out / 'ledger.json'}")
    if problems:
        print(f"  problems   {out / 'problems.ndjson'} ({len(problems)})")
    print("\nYour own records: .venv/bin/drainledger convert FILE --emit resources   (--help says more)")
    print(f"\n{CAUTION}")


if __name__ == "__main__":
    main(*sys.argv[1:])
