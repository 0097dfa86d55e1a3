"""What each line of a file of records becomes, and why: for a person who wires a source."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from zoneinfo import ZoneInfo

from drainledger.convert.folding import Folded
from drainledger.convert.ledger_view import interval_view, total_view
from drainledger.convert.pipeline import Lines, groups, rendered, renderer_for
from drainledger.convert.progress import Watch
from drainledger.convert.report import Report, Reported
from drainledger.convert.settings import Settings
from drainledger.domain.entries import NodeEntry
from drainledger.domain.records import Key, Record
from drainledger.fhir import Resource
from drainledger.mapping import load_mappings

_STANDING = {"used": "used", "set-aside": "set aside, not used", "waiting": "waiting", None: "retracted"}


def check_records(lines: Lines, settings: Settings) -> tuple[list[str], bool]:
    """The text, in the order of the lines, and whether a record is held. Raises MappingError."""
    mappings = load_mappings(settings.mappings)
    reported: dict[int, list[Reported]] = {}
    report = Report(lambda one: reported.setdefault(one.line, []).append(one))
    told: dict[int, list[str]] = {}
    for folded in groups(lines, settings, mappings, report, Watch()):
        messages = rendered(folded, renderer_for(mappings, settings))
        given = _by_record(resource for message in messages for resource in message)
        for line, record in folded.accepted.items():
            told[line] = _accepted(line, record, folded, given.get(record.key, []))
        for line, record in folded.duplicates.items():
            told[line] = [_heading(line, record.key.kind, record.key.id, "a duplicate, already there")]
    for line, all_told in reported.items():
        told.setdefault(line, [_refused(all_told[0])])
        told[line].extend(
            f"    {p.code} at {p.pointer or '/'}: {p.text}" for one in all_told for p in one.problems
        )
    return [text for line in sorted(told) for text in told[line]], report.held > 0


def _by_record(resources: Iterator[Resource]) -> Mapping[Key, list[Resource]]:
    found: dict[Key, list[Resource]] = {}
    for resource in resources:
        if resource.record is not None:
            found.setdefault(resource.record, []).append(resource)
    return found


def _heading(line: int, kind: str | None, id_: str | None, standing: str) -> str:
    return f"line {line}  {kind or 'record'} {id_ or '(no id)'}: {standing}"


def _refused(reported: Reported) -> str:
    return _heading(reported.line, reported.record, reported.id, "held, not used")


def _accepted(line: int, record: Record, folded: Folded, given: list[Resource]) -> list[str]:
    standing = _STANDING[folded.book.status(record.key)]
    told = [_heading(line, record.key.kind, record.key.id, standing)]
    for entry in folded.book.entries(record.key):
        if entry.status != "waiting":
            told.extend(f"    {text}" for text in _in_ledger(entry, folded))
    if given:
        told.append("    gives " + ", ".join(dict.fromkeys(one.code or one.type for one in given)))
    return told


def _in_ledger(entry: NodeEntry, folded: Folded) -> Iterator[str]:
    ledger = folded.book.ledger(entry.drain)
    if ledger is None:
        return
    zone = ZoneInfo(ledger.drain.time_zone)
    if entry.interval:
        shown = interval_view(entry.interval, zone)
        since = f" since {shown['start']}" if shown["start"] else ""
        output = "output not known" if shown["output_ml"] is None else f"output {shown['output_ml']} mL"
        yield f"{output}{since} ({shown['bound']})"
    if entry.total:
        total = total_view(entry.total, zone)
        yield f"total {total['total_ml']} mL since {total['since']} ({total['bound']})"
    for finding in entry.findings:
        yield f"{'issue' if finding.issue else 'note'} {finding.code}: {finding.text}"
