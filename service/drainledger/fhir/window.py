"""Charted windows as Observations: what a ward day or a shift put out, as on paper."""

from __future__ import annotations

from drainledger.domain.entries import Window
from drainledger.fhir.about import DrainTexts
from drainledger.fhir.ground import ground_references
from drainledger.fhir.ids import join, readable
from drainledger.fhir.kit import Kit
from drainledger.fhir.output import observation_reference
from drainledger.fhir.resource import Resource
from drainledger.fhir.sheet import WITHDRAWN, components, derived_from
from drainledger.fhir.template import ABSENT, AT_LEAST


def window_observations(
    kit: Kit, texts: DrainTexts, window: Window, status: str, issued: str
) -> list[Resource]:
    """`charted-total` and `charted-net` over the window, derived from its intervals and the net from the irrigant, too;
    a lower bound carries `>=`."""
    uuid = kit.ids.window(window.drain, window.name, window.day)
    named = f"{readable(window.drain)}.{readable(window.name)}.{readable(window.day)}"
    times = texts.times
    when = f',"effectivePeriod":{{"start":"{times(window.start)}","end":"{times(window.end)}"}}'
    comparator = "" if window.bound in ("exact", "estimated") else AT_LEAST
    sources = []
    if "interval-output" in kit.templates:
        sources = [observation_reference(kit, of, f"{of.part}interval-output") for of in window.intervals]
    method = f',"method":{kit.vocabulary.concept_text("sum-of-intervals")}'
    left_out = ground_references(kit, window.irrigated)
    parts = "" if status == WITHDRAWN else components(_parts(kit, texts, window))
    written = []
    for code, amount, rests_on in (
        ("charted-total", window.total, sources),
        ("charted-net", window.net, [*sources, *left_out]),
    ):
        template = kit.templates.get(code)
        if template is None:
            continue
        ident = join(uuid, code)
        value = ABSENT["error"] if status == WITHDRAWN else template.quantity(amount, comparator)
        body = (
            f'{{"resourceType":"Observation","id":"{ident}",'
            f'"identifier":[{{"system":"{kit.sid}/observation","value":"window.{named}.{code}"}}],'
            f'"status":"{status}"{template.coded}{texts.about_drain}{when},"issued":"{issued}"{value}'
            f"{texts.site}{method}{derived_from(rests_on)}{parts}}}"
        )
        written.append(Resource("Observation", ident, body.encode(), None, code))
    return written


def _parts(kit: Kit, texts: DrainTexts, window: Window) -> list[str]:
    """How much of the window is covered, by which period, and how long the drain was clamped in it."""
    first, last = window.covers
    return [
        kit.component_quantity("coverage", window.coverage),
        kit.component_period("period-covered", texts.times(first), texts.times(last)),
        kit.component_quantity("minutes-clamped", window.clamped_minutes),
    ]
