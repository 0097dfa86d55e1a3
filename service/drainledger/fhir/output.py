"""Levels, intervals, rates and totals as Observations (FHIR.md 1 and 3): what adds up.

LOINC 9129-8 stands on interval outputs alone, through the code mapping; nothing here adds it anywhere.
"""

from __future__ import annotations

from drainledger.domain.entries import Ground, Interval, LevelMark, LevelRef, NodeEntry, Total
from drainledger.domain.records import Reading
from drainledger.fhir.ground import ground_references
from drainledger.fhir.ids import join
from drainledger.fhir.kit import Kit
from drainledger.fhir.sheet import Sheet, components, derived_from, note
from drainledger.fhir.template import ABSENT, AT_LEAST

#: The collector of a level of a withdrawn record that nothing ties to one: the profile, which asks for the device,
#: isn't claimed then.
UNKNOWN = ""


def level_part(part: str) -> str:
    """What stands before "chamber-level" in the part of a level's Observation: "", "final." or "A.final."."""
    return f"{part}." if part else ""


def add_levels(sheet: Sheet, entry: NodeEntry) -> None:
    """One Observation a level that the record states, a level set aside with its reason as a note."""
    template = sheet.kit.templates.get("chamber-level")
    if template is None:
        return
    record = entry.record
    scale = record.scale if isinstance(record, Reading) else None
    for mark in entry.levels:
        value = template.quantity(mark.value)
        sheet.add(
            "chamber-level",
            level_part(mark.part),
            sheet.own,
            entry.stamp,
            sheet.at(mark.at),
            value,
            performer=sheet.performer,
            note=note(None if mark.used else _why_unused(entry, mark)),
            tail=_level_method(sheet.kit, mark, scale) + _level_device(sheet.kit, mark),
            claim=mark.collector != UNKNOWN,
        )


def _why_unused(entry: NodeEntry, mark: LevelMark) -> str:
    """The sentence of the finding that set a level aside."""
    about = Ground(mark.owner, "level", mark.part)
    texts = (each.text for each in entry.findings if each.code == mark.why and about in each.grounds)
    return next(texts, "Set aside: not used by the arithmetic.")


def add_level_not_read(sheet: Sheet, entry: NodeEntry, reading: Reading) -> None:
    """A check of the level that was skipped is said to be so: no reader may take it for a level not yet sent."""
    connection = entry.connection
    if reading.level_not_read is None or connection is None:
        return
    sheet.add(
        "chamber-level",
        "",
        sheet.own,
        entry.stamp,
        sheet.at(reading.at),
        ABSENT["not-performed"],
        performer=sheet.performer,
        note=note(f"Level not read: {reading.level_not_read}."),
        tail=sheet.kit.metric(connection.collector, f"level.{connection.chamber}"),
    )


def _level_device(kit: Kit, mark: LevelMark) -> str:
    return "" if mark.collector == UNKNOWN else kit.metric(mark.collector, f"level.{mark.chamber}")


def _level_method(kit: Kit, mark: LevelMark, scale: str | None) -> str:
    """Which of a bag's two scales was read, or that a device counted; read by eye on the only scale goes unsaid."""
    if mark.counter:
        return f',"method":{kit.vocabulary.concept_text("device-count")}'
    if scale is not None:
        return f',"method":{kit.vocabulary.concept_text(f"scale-{scale}")}'
    return ""


def add_output(sheet: Sheet, entry: NodeEntry) -> None:
    """The interval that ends at this record, its rates, and the drain's total to here."""
    interval = entry.interval
    reference = None if interval is None else _add_interval(sheet, interval, entry)
    if interval is not None:
        _add_rates(sheet, interval, reference)
    if entry.total is not None:
        _add_total(sheet, entry.total, reference, entry)


def _add_interval(sheet: Sheet, interval: Interval, entry: NodeEntry) -> str | None:
    """Computed from two levels; or an amount, which the record itself states: then its author performed it. What
    nobody could work out was worked out by no method."""
    template = sheet.kit.templates.get("interval-output")
    if template is None:
        return None
    if interval.output is None:
        value = ABSENT["unknown"]
    else:
        value = template.quantity(interval.output, _comparator(interval.bound), interval.deviation)
    charted = _is_charted(interval, entry)
    method = ""
    if interval.output is not None:
        code = "charted-amount" if charted else _difference(interval, entry)
        method = f',"method":{sheet.kit.vocabulary.concept_text(code)}'
    return sheet.add(
        "interval-output",
        interval.part,
        sheet.own if charted else _derived(sheet, interval.preliminary),
        interval.stamp,
        sheet.period(interval.start, interval.end),
        value,
        performer=sheet.performer if charted else "",
        tail=method
        + _device(sheet.kit, interval)
        + derived_from(
            [*level_references(sheet.kit, interval.levels), *ground_references(sheet.kit, interval.drawn)]
        ),
    )


def _is_charted(interval: Interval, entry: NodeEntry) -> bool:
    """Whether the record is a reading of an amount, which the interval is. A change that nobody read a level for ends
    an interval without levels, too."""
    record = entry.record
    return isinstance(record, Reading) and record.volume is not None and not interval.levels


#: Findings of intervals between whose levels nothing could be reckoned: their output is what was drawn, if any.
_NO_DIFFERENCE = frozenset(
    {"unexplained-fall", "start-level-not-known", "closing-level-not-charted", "reinfusion-not-measured"}
)


def _difference(interval: Interval, entry: NodeEntry) -> str:
    if not _NO_DIFFERENCE.isdisjoint(interval.findings):
        return "drawn-volumes"
    connection = entry.connection
    counted = connection is not None and connection.reads == "counter"
    return "counter-difference" if counted else "level-difference"


def level_references(kit: Kit, levels: tuple[LevelRef, ...]) -> list[str]:
    if "chamber-level" not in kit.templates:
        return []
    return [observation_reference(kit, level, f"{level_part(level.part)}chamber-level") for level in levels]


def observation_reference(kit: Kit, of: LevelRef, part: str) -> str:
    """A literal reference to one part of another record."""
    return f'{{"reference":"Observation/{join(kit.ids.record(of.owner), part)}","type":"Observation"}}'


def _add_rates(sheet: Sheet, interval: Interval, reference: str | None) -> None:
    """Rates carry their interval's bound and period; nobody may add them up, so they carry local codes only."""
    sources = [reference] if reference else level_references(sheet.kit, interval.levels)
    tail = None
    for code, rate in (("output-rate", interval.rate), ("output-rate-per-weight", interval.rate_per_weight)):
        template = sheet.kit.templates.get(code)
        if template is None or rate is None:
            continue
        if tail is None:
            method = f',"method":{sheet.kit.vocabulary.concept_text("output-over-time")}'
            tail = method + _device(sheet.kit, interval) + derived_from(sources)
        sheet.add(
            code,
            interval.part,
            _derived(sheet, interval.preliminary),
            interval.stamp,
            sheet.period(interval.start, interval.end),
            template.quantity(rate, _comparator(interval.bound)),
            tail=tail,
        )


def _add_total(sheet: Sheet, total: Total, reference: str | None, entry: NodeEntry) -> None:
    """`derivedFrom` only the interval that ends here: a late level that telescopes leaves later totals untouched."""
    template = sheet.kit.templates.get("running-total")
    if template is None:
        return
    own_levels = tuple(LevelRef(mark.owner, mark.part) for mark in entry.levels if mark.used)
    sources = [reference] if reference else level_references(sheet.kit, own_levels)
    method = f',"method":{sheet.kit.vocabulary.concept_text("sum-of-intervals")}'
    sheet.add(
        "running-total",
        total.part,
        _derived(sheet, total.preliminary),
        total.stamp,
        sheet.period(total.since, total.at),
        template.quantity(total.total, _comparator(total.bound), total.deviation),
        tail=method + derived_from(sources),
        components=components(_net(sheet.kit, total)),
    )


def _net(kit: Kit, total: Total) -> list[str]:
    """Net of irrigant, stated where it differs from the gross total."""
    if total.net == total.total:
        return []
    comparator = _comparator(total.bound)
    return [kit.component_quantity("net-total", total.net, comparator)]


def _comparator(bound: str) -> str:
    return "" if bound in ("exact", "estimated") else AT_LEAST


def _derived(sheet: Sheet, preliminary: bool) -> str:
    return "preliminary" if preliminary else sheet.derived


def _device(kit: Kit, interval: Interval) -> str:
    if interval.collector is None or interval.chamber is None:
        return ""
    return kit.metric(interval.collector, f"level.{interval.chamber}")
