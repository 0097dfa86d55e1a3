"""Events that change no connection: drawn, put in, clamped, released, weighed (DESIGN 4)."""

from __future__ import annotations

from decimal import Decimal

from msgspec.structs import replace

from drainledger.domain import bedside as at_bedside
from drainledger.domain.entries import Ground, What
from drainledger.domain.folding.changes import emptied
from drainledger.domain.folding.intervals import draw
from drainledger.domain.folding.page import Page, Status
from drainledger.domain.numbers import CHARTED_AGAIN
from drainledger.domain.records import Event, Key
from drainledger.domain.state import ZERO, Act
from drainledger.domain.topology import Judged


def take_event(page: Page, event: Event) -> Status:
    if page.flow.removed:
        page.note("drain-removed")
        return "set-aside"
    kind = event.kind
    if kind == "emptied":
        return emptied(page, event)
    if kind == "sampled" or kind == "reinfused" or kind == "irrigated":
        _charted_twice(page, event, kind)
    if kind in ("sampled", "reinfused"):
        if page.flow.connection is not None and page.flow.connection.reads == "level":
            draw(page, event, page.node.stamp, page.flow.connection)
    elif kind == "irrigated":
        flow = page.flow
        irrigated = (*flow.irrigated, page.own("irrigated"))
        page.flow = replace(flow, irrigant=flow.irrigant + (event.volume or ZERO), irrigated=irrigated)
    elif kind in ("clamped", "unclamped"):
        page.bedside = at_bedside.clamp(page.bedside, event)
    elif kind == "milked":
        if at_bedside.is_clamped(page.bedside):
            page.note("milked-while-clamped")
    elif kind == "vented":
        page.bedside, noticed = at_bedside.vent(page.bedside)
        page.note_all(noticed)
    elif kind == "suction-prescribed":
        page.bedside = at_bedside.prescribe(page.bedside, event)
    elif kind == "weighed" and event.weight is not None:
        _weigh(page, event.key, event.weight)
    return "used"


def _charted_twice(page: Page, event: Event, what: What) -> None:
    """The same volume drawn or put in twice within a quarter of an hour is counted twice, and told."""
    act = Act(event.kind, event.at, event.volume, Ground(event.key, what))
    recent = tuple(a for a in page.flow.acts if event.at - a.at <= CHARTED_AGAIN)
    twin = next((a for a in recent if (a.kind, a.volume) == (act.kind, act.volume)), None)
    if twin is not None:
        page.note("charted-twice", (act.ground, twin.ground), start=twin.at)
    page.flow = replace(page.flow, acts=(*recent, act))


def _weigh(page: Page, by: Key, weight: Decimal) -> None:
    low, high = weight_range(page.flow.judged)
    if low <= weight <= high:
        page.bedside = replace(page.bedside, weight=weight, weighed_by=by)
    else:
        page.note("weight-unlikely", level=weight)


def weight_range(judged: Judged | None) -> tuple[Decimal, Decimal]:
    """The weights, kg, that are plausible for whoever is on this kind of collector."""
    return judged.profile.weight_kg if judged is not None else (Decimal("0.3"), Decimal(400))
