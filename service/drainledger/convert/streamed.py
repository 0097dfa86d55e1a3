"""What comes out of an ordered file while it is read: messages, or ledgers that grow."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from drainledger.convert.folding import without_drain
from drainledger.convert.ledger_view import DrainView, GrowingView, UnusedView
from drainledger.convert.ordered import OrderedFold
from drainledger.convert.resources import Message, Rendering, Stretch
from drainledger.domain.records import Key
from drainledger.fhir import Renderer

Stretches = Iterable[list[Stretch]]


def streamed_messages(
    fold: OrderedFold, stretches: Stretches, renderer: Renderer, *, heads_first: bool
) -> Iterator[Message]:
    """Every message, readings and events as they are let go of.

    Drains and collectors come at the end, when it is known how long they were in place. With `heads_first` they come
    before what refers to them, too: in a transaction the later form updates the earlier.
    """
    rendering = Rendering(renderer, fold.book, fold.corrections)
    early = _EarlyHeads()
    for batch in stretches:
        rendering.look_again()
        if heads_first:
            yield from early.new(rendering)
        yield from rendering.along_time(batch)
        yield from rendering.windows(batch)
    yield from early.changed(rendering.heads())
    yield from rendering.withdrawn()
    yield from rendering.findings()


class _EarlyHeads:
    """Drains and collectors sent before their end is known."""

    def __init__(self) -> None:
        self._keys: set[Key] = set()
        self._bodies: dict[str, bytes] = {}

    def new(self, rendering: Rendering) -> Iterator[Message]:
        """Those not sent yet."""
        for message in rendering.heads(but=frozenset(self._keys)):
            self._keys.update(resource.record for resource in message if resource.record is not None)
            yield from self.changed([message])

    def changed(self, messages: Iterable[Message]) -> Iterator[Message]:
        """What was not sent, or not in this form; a Provenance goes with what it tells of."""
        for message in messages:
            fresh = [one for one in message if self._bodies.get(one.reference) != one.body]
            self._bodies.update((one.reference, one.body) for one in fresh)
            if fresh:
                yield fresh


def streamed_ledgers(
    fold: OrderedFold, stretches: Stretches, waiting: list[UnusedView]
) -> Iterator[DrainView]:
    """Every drain's view, by id, at the end; they are in memory until then. Fills `waiting`."""
    views: dict[str, GrowingView] = {}
    for batch in stretches:
        for stretch in batch:
            view = views.setdefault(stretch.drain.id, GrowingView(stretch.drain))
            view.add(stretch.nodes, stretch.windows)
    for drain_id in fold.book.drain_ids():
        ledger = fold.book.ledger(drain_id)
        if ledger is not None:
            yield views[drain_id].of(ledger)
    waiting.extend(without_drain(fold.book, fold.waiting))
