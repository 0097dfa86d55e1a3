"""From lines to what was asked for: intake, groups, fold, emit."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain

from drainledger.convert.folding import Folded, drain_named_by, fold, why_waiting
from drainledger.convert.intake import Intake
from drainledger.convert.ledger_csv import ledger_csv
from drainledger.convert.ledger_json import ledger_json
from drainledger.convert.ledger_view import DrainView, UnusedView, drain_view, record_view
from drainledger.convert.report import Report
from drainledger.convert.resources import Message, Rendering
from drainledger.convert.settings import Settings
from drainledger.convert.spool import Spool
from drainledger.convert.summary import summary
from drainledger.convert.transactions import transactions
from drainledger.domain.entries import DrainLedger
from drainledger.fhir import Renderer, bundle
from drainledger.mapping import Mappings, load_mappings

Lines = Iterable[tuple[int, bytes]]


def convert(lines: Lines, settings: Settings, report: Report) -> Iterator[bytes]:
    """The pieces of the output. Everything is read before the first comes. Raises MappingError."""
    mappings = load_mappings(settings.mappings)
    return emitted(groups(lines, settings, mappings, report), mappings, settings)


def groups(lines: Lines, settings: Settings, mappings: Mappings, report: Report) -> Iterator[Folded]:
    """Every group of records that can touch each other, folded, in an order that depends on the journal alone."""
    intake = Intake(settings.source, mappings.units, settings.received_at, report)
    with Spool(intake.again) as spool:
        for accepted in intake.accepted(lines):
            spool.add(accepted.line, accepted.record, accepted.raw)
        for group in spool.groups():
            yield fold(group, mappings.rules, intake.held, report)


def emitted(folded: Iterator[Folded], mappings: Mappings, settings: Settings) -> Iterator[bytes]:
    """What `settings.emit` asks for."""
    match settings.emit:
        case "ledger":
            return _as_json(folded)
        case "ledger-csv":
            return ledger_csv(chain.from_iterable(map(_ledgers, folded)))
        case "summary":
            return summary(chain.from_iterable(map(_ledgers, folded)))
    renderer = renderer_for(mappings, settings)
    messages = chain([[renderer.adapter()]], chain.from_iterable(rendered(one, renderer) for one in folded))
    match settings.emit:
        case "resources":
            return (resource.body + b"\n" for message in messages for resource in message)
        case "transaction":
            return transactions(messages, settings.base)
    return chain(bundle("collection", chain.from_iterable(messages), base=settings.base), [b"\n"])


def rendered(folded: Folded, renderer: Renderer) -> Iterator[Message]:
    return Rendering(renderer, folded.book, folded.corrections()).whole()


def _as_json(folded: Iterator[Folded]) -> Iterator[bytes]:
    without_drain: list[UnusedView] = []

    def views() -> Iterator[DrainView]:
        for one in folded:
            yield from map(drain_view, _ledgers(one))
            without_drain.extend(_without_drain(one))

    # The list is read when the last drain is written.
    return ledger_json(views(), without_drain)


def _without_drain(folded: Folded) -> Iterator[UnusedView]:
    """Records that wait and that no drain of the book shows, in the order of their ids."""
    for record in sorted(folded.waiting.values(), key=lambda record: record.key):
        if not folded.book.entries(record.key) or drain_named_by(record) not in folded.book.drain_ids():
            yield record_view(record, [problem.code for problem in why_waiting(folded.book, record)])


def _ledgers(folded: Folded) -> Iterator[DrainLedger]:
    for drain_id in folded.book.drain_ids():
        ledger = folded.book.ledger(drain_id)
        assert ledger is not None, "drain_ids gives the known ones"
        yield ledger


def renderer_for(mappings: Mappings, settings: Settings) -> Renderer:
    return Renderer(
        mappings.codes,
        base=settings.base,
        tenant=settings.tenant,
        fhir=settings.fhir,
        patient_secret=settings.patient_secret,
    )
