"""From lines to what was asked for: intake, groups, fold, emit."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain

from drainledger.convert.folding import Folded, fold, without_drain
from drainledger.convert.intake import Intake
from drainledger.convert.ledger_csv import ledger_csv
from drainledger.convert.ledger_json import ledger_json
from drainledger.convert.ledger_view import DrainView, UnusedView, drain_view
from drainledger.convert.ordered import OrderedFold
from drainledger.convert.progress import Watch
from drainledger.convert.report import Report
from drainledger.convert.resources import Message, Rendering
from drainledger.convert.settings import Settings
from drainledger.convert.spool import Spool
from drainledger.convert.streamed import streamed_ledgers, streamed_messages
from drainledger.convert.summary import summary
from drainledger.convert.transactions import transactions
from drainledger.domain.entries import DrainLedger
from drainledger.fhir import Renderer, bundle
from drainledger.mapping import Mappings, load_mappings

Lines = Iterable[tuple[int, bytes]]

#: With --assume-ordered, how many resources sent are kept in mind so that references lead back to them.
_REMEMBERED = 200_000


def convert(lines: Lines, settings: Settings, report: Report, watch: Watch | None = None) -> Iterator[bytes]:
    """The pieces of the output. Unless the file may be assumed to be in order, everything is read before the first
    piece comes. Raises MappingError."""
    mappings = load_mappings(settings.mappings)
    if settings.assume_ordered:
        return _in_order(lines, settings, mappings, report)
    folded = groups(lines, settings, mappings, report, watch or Watch())
    return _in_any_order(folded, settings, mappings, report)


def groups(
    lines: Lines, settings: Settings, mappings: Mappings, report: Report, watch: Watch
) -> Iterator[Folded]:
    """Every group of records that can touch each other, folded, in an order that depends on the journal alone."""
    intake = Intake(settings.source, mappings.units, settings.received_at, report)
    with Spool(intake.again, settings.in_memory) as spool:
        for accepted in intake.accepted(lines):
            spool.add(accepted.line, accepted.record, accepted.raw)
        for group in watch.groups(spool.groups(), len(spool)):
            yield fold(group, mappings.rules, intake.held, report)


def rendered(folded: Folded, renderer: Renderer) -> Iterator[Message]:
    return Rendering(renderer, folded.book, folded.corrections()).whole()


def renderer_for(mappings: Mappings, settings: Settings) -> Renderer:
    return Renderer(
        mappings.codes,
        base=settings.base,
        tenant=settings.tenant,
        fhir=settings.fhir,
        patient_secret=settings.patient_secret,
    )


def _in_any_order(
    folded: Iterator[Folded], settings: Settings, mappings: Mappings, report: Report
) -> Iterator[bytes]:
    if settings.emit == "ledger-csv":
        return ledger_csv(chain.from_iterable(map(_ledgers, folded)))
    if settings.emit in ("ledger", "summary"):
        views = Views(folded)
        return _views(views.drains(), views.waiting(), settings, report)
    renderer = renderer_for(mappings, settings)
    messages = chain.from_iterable(rendered(one, renderer) for one in folded)
    return _resources(chain([[renderer.adapter()]], messages), settings)


class Views:
    """The drains' views, to be taken first, then those of the records that wait and that no drain shows. Groups without
    a drain come last (see `links`), so theirs are made when they are written, not kept."""

    def __init__(self, folded: Iterator[Folded]) -> None:
        self._folded = folded
        self._waiting: list[UnusedView] = []

    def drains(self) -> Iterator[DrainView]:
        for one in self._folded:
            self._waiting.extend(without_drain(one.book, one.waiting.values()))
            if not one.has_drain():
                return
            yield from map(drain_view, _ledgers(one))

    def waiting(self) -> Iterator[UnusedView]:
        yield from self._waiting
        for one in self._folded:
            yield from without_drain(one.book, one.waiting.values())


def _ledgers(folded: Folded) -> Iterator[DrainLedger]:
    for drain_id in folded.book.drain_ids():
        ledger = folded.book.ledger(drain_id)
        assert ledger is not None, "drain_ids gives the known ones"
        yield ledger


def _in_order(lines: Lines, settings: Settings, mappings: Mappings, report: Report) -> Iterator[bytes]:
    intake = Intake(settings.source, mappings.units, settings.received_at, report)
    fold_ = OrderedFold(mappings.rules, intake.held, report)
    stretches = fold_.stretches(intake.accepted(lines))
    if settings.emit == "ledger-csv":
        return ledger_csv(chain.from_iterable(stretches))
    if settings.emit in ("ledger", "summary"):
        waiting: list[UnusedView] = []
        return _views(streamed_ledgers(fold_, stretches, waiting), waiting, settings, report)
    renderer = renderer_for(mappings, settings)
    messages = streamed_messages(fold_, stretches, renderer, heads_first=settings.emit == "transaction")
    return _resources(chain([[renderer.adapter()]], messages), settings)


def _views(
    views: Iterator[DrainView], waiting: Iterable[UnusedView], settings: Settings, report: Report
) -> Iterator[bytes]:
    """`waiting` is filled while the views are taken, and written after them."""
    if settings.emit == "summary":
        return summary(views, waiting, lambda: report.held)
    return ledger_json(views, waiting)


def _resources(messages: Iterator[Message], settings: Settings) -> Iterator[bytes]:
    if settings.emit == "transaction":
        remembered = _REMEMBERED if settings.assume_ordered else None
        return transactions(messages, settings.base, remembered)
    resources = chain.from_iterable(messages)
    if settings.emit == "resources":
        return (resource.body + b"\n" for resource in resources)
    return chain(bundle("collection", resources, base=settings.base), [b"\n"])
