"""What each command of the CLI does, from opened input to exit code."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

import msgspec

from drainledger.convert.lines import Source
from drainledger.convert.output import UnwritableOutput, output, reason_of, refuse_input, write_whole
from drainledger.convert.settings import Fhir, Settings

OK = 0
SOMETHING_WRONG = 1


def run_convert(path: Path | None, out: Path | None, settings: Settings) -> int:
    """Convert `path` (None: standard input) into `out` (None: standard output); problems to standard error."""
    from drainledger.convert.intake import LINE_LIMIT
    from drainledger.convert.pipeline import convert
    from drainledger.convert.progress import watch_over
    from drainledger.convert.report import Report, ndjson

    refuse_input(out, path)
    report = Report(ndjson(sys.stderr.buffer))
    with Source(path, LINE_LIMIT) as source, watch_over(source) as watch, output(out) as stream:
        for piece in convert(watch.lines(source), settings, report, watch):
            stream.write(piece)
    return SOMETHING_WRONG if report.held else OK


def run_conformance(folder: Path, fhir: Fhir, mappings: Path | None, base: str) -> int:
    """One file a conformance resource, indented; says on standard output what was written."""
    from drainledger.fhir import conformance_resources
    from drainledger.fhir.tables import view_resources
    from drainledger.mapping import load_mappings

    resources = conformance_resources(load_mappings(mappings).codes, base, fhir) + view_resources(base, fhir)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UnwritableOutput(folder, reason_of(error)) from error
    for resource in resources:
        path = folder / f"{resource.type}-{resource.id}.json"
        write_whole(path, msgspec.json.format(resource.body, indent=2) + b"\n")
        _say([str(path)])
    return OK


def run_check_mapping(path: Path) -> int:
    """Each fault a line: file, line, key, what to do."""
    from drainledger.mapping import check_mapping

    faults = check_mapping(path)
    _say(str(fault) for fault in faults)
    if not faults:
        _say([f"{path}: nothing is wrong"])
    return SOMETHING_WRONG if faults else OK


def run_check_records(path: Path | None, settings: Settings, drain: str | None = None) -> int:
    """What each line becomes, in the order of the lines; with `drain` only those that concern it."""
    from drainledger.convert.check_records import check_records
    from drainledger.convert.intake import LINE_LIMIT
    from drainledger.domain.validation.texts import bare

    with Source(path, LINE_LIMIT) as source:
        told, is_any_held = check_records(source, settings, drain)
    _say(told)
    if drain is not None and not told:
        _say([f"no line concerns the drain {bare(drain)}; check its id"])
        return SOMETHING_WRONG
    return SOMETHING_WRONG if is_any_held else OK


def run_check_resources(path: Path | None, fhir: Fhir) -> int:
    """Each fault a line: where it stands and what the library says."""
    from drainledger.convert.check_resources import NOT_CHECKED, RESOURCE_LIMIT, check_resources

    checked = faults = 0
    with Source(path, RESOURCE_LIMIT) as source:
        for found in check_resources(source, fhir):
            checked += found.resources
            faults += len(found.faults)
            _say(found.faults)
    _say([f"{checked} resources checked against {fhir}, {faults} faults", NOT_CHECKED])
    return SOMETHING_WRONG if faults or not checked else OK


def _say(lines: Iterable[str]) -> None:
    for line in lines:
        sys.stdout.write(line + "\n")
