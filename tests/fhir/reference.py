"""The plain way: one record's resources built as objects, element by element, after FHIR.md.

Slow and easy to read; nothing here uses the renderer. The templates are proven equal to it (test_templates.py), and
the benchmark measures against it: `as_models` puts every resource through `fhir.resources`, as a program without
templates would.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from typing import Any
from urllib.parse import quote
from uuid import NAMESPACE_URL, UUID, uuid5
from zoneinfo import ZoneInfo

import fhir.resources.R4B
from msgspec.structs import replace
from pydantic import BaseModel

from drainledger.domain.collectors import Profile
from drainledger.domain.entries import (
    CollectorUse,
    Finding,
    Ground,
    Interval,
    LevelMark,
    NodeEntry,
    Total,
)
from drainledger.domain.records import Drain, Event, Key, Observer, Reading
from drainledger.mapping.codes import Code

Json = dict[str, Any]

#: Findings after which no difference of levels tells an output.
NOTHING_TO_RECKON = {
    "unexplained-fall",
    "start-level-not-known",
    "closing-level-not-charted",
    "reinfusion-not-measured",
}
NAMED_UNIT = {"chamber-not-stated", "chamber-occupied", "collector-not-in-place", "no-such-chamber"}
THE_DRAIN = {
    *("milked-while-clamped", "still-clamped", "output-while-clamped", "drain-removed", "weight-unlikely"),
    *("hourly-output", "hourly-output-per-weight", "daily-output", "output-at-once"),
    *("output-stopped-abruptly", "appearance-changed", "air-leak-prolonged", "reading-overdue"),
    *("charted-twice", "period-overlaps", "reads-otherwise", "unit-change-not-charted"),
}


def parts(ground: Ground) -> list[str]:
    """The parts of the Observations that may state it."""
    dot = "." if ground.part and not ground.part.endswith(".") else ""
    suction = ["suction-set", "suction-applied", "suction-prescribed"]
    codes = {
        "level": ["chamber-level"],
        "output": ["interval-output"],
        "sampled": ["sample-withdrawn"],
        "irrigated": ["irrigant-instilled"],
        "reinfused": ["volume-reinfused"],
        "suction": suction,
        "pressure": ["drain-pressure"],
        "pattern": ["bubbling-pattern"],
        "grade": ["air-leak-grade"],
        "flow": ["air-leak-flow"],
        "appearance": ["fluid-appearance"],
        "reading": ["drain-panel"],
    }
    return [f"{ground.part}{dot}{code}" for code in codes.get(ground.what, [ground.what])]


def without_nothing(element: Json) -> Json:
    return {name: value for name, value in element.items() if value is not None and value != []}


class PlainRenderer:
    """Renders one record's entry in one drain as R4 resources (dicts)."""

    def __init__(self, codes: Mapping[str, Code], base: str, tenant: str, patients: UUID) -> None:
        self.codes = codes
        self.base = base
        self.local = f"{base}/CodeSystem/chest-drain"
        self.records = uuid5(uuid5(NAMESPACE_URL, base), f"tenant|{tenant}")
        self.patients = patients

    # Identity

    def uuid(self, key: Key) -> UUID:
        return uuid5(self.records, f"{key.kind}|{len(key.source)}|{key.source}|{key.id}")

    def ident(self, key: Key, part: str) -> str:
        return f"{self.uuid(key)}.{part}"

    def collector(self, collector: str) -> UUID:
        return self.uuid(Key("collector", "", collector))

    @staticmethod
    def name(key: Key) -> str:
        """`source.id`, escaped."""
        return ".".join(quote(piece, safe="-_~:@/").replace(".", "%2E") for piece in key[1:] if piece)

    # Data types

    def concept(self, code: str) -> Json:
        found = self.codes[code]
        local = {"system": self.local, "code": code, "display": found.display}
        standard = [
            {"system": each.system, "code": each.code, "display": each.display}
            for each in found.standard
            if each.wire
        ]
        return {"coding": [local, *standard]}

    def word(self, kind: str, word: str) -> Json:
        """What stands for a word: a coded value, or why there is none."""
        if word == "not-assessed":
            return {"dataAbsentReason": absent("not-performed", "Not Performed")}
        return {"valueCodeableConcept": self.concept(f"{kind}-{word}")}

    def quantity(
        self, code: str, value: Decimal, bound: str = "exact", deviation: Decimal | None = None
    ) -> Json:
        unit = self.codes[code]
        uncertainty = "http://hl7.org/fhir/StructureDefinition/iso21090-uncertainty"
        return without_nothing(
            {
                "extension": None if deviation is None else [{"url": uncertainty, "valueDecimal": deviation}],
                "value": value,
                "comparator": ">=" if bound in ("at-least", "unknown") else None,
                "unit": unit.unit_display,
                "system": "http://unitsofmeasure.org",
                "code": unit.unit,
            }
        )

    def metric(self, collector: str, channel: str) -> Json:
        return reference("DeviceMetric", f"{self.collector(collector)}.{channel}")

    # One record

    def node(self, entry: NodeEntry, drain: Drain, use: CollectorUse | None) -> list[Json]:
        node = _Node(self, entry, drain, None if use is None else use.profile)
        return node.nothing_but_issues() if entry.status == "waiting" else node.resources()


class _Node:
    def __init__(self, plain: PlainRenderer, entry: NodeEntry, drain: Drain, profile: Profile | None) -> None:
        self.plain = plain
        self.entry = entry
        self.record = entry.record
        self.drain = drain
        self.profile = profile
        self.observations: list[Json] = []
        observer = entry.record.observer
        device = observer is not None and observer.kind == "device"
        self.derived = "preliminary" if device else "final"
        self.own = "corrected" if entry.corrected and not device else self.derived
        self.unit = None if entry.connection is None else entry.connection.collector

    def resources(self) -> list[Json]:
        for mark in self.entry.levels:
            self.level(mark)
        if isinstance(self.record, Reading):
            self.level_not_read(self.record)
        if self.entry.interval is not None:
            self.interval(self.entry.interval)
        if self.entry.total is not None:
            self.total(self.entry.total)
        if isinstance(self.record, Reading):
            self.reading(self.record)
        else:
            self.event(self.record)
        issues = self.issues()
        made = [*self.observations, *issues]
        return [*made, self.provenance(made)] if made else []

    def nothing_but_issues(self) -> list[Json]:
        """A waiting record says nothing yet; that it waits may be an issue, about the drain."""
        self.entry = replace(self.entry, levels=(), interval=None, total=None)
        self.unit = None
        issues = self.issues()
        return [*issues, self.provenance(issues)] if issues else []

    def time(self, at: datetime) -> str:
        return at.astimezone(ZoneInfo(self.drain.time_zone)).isoformat()

    def observation(
        self,
        code: str,
        prefix: str,
        status: str,
        issued: datetime,
        said: bool,
        focus: list[Json] | None = None,
        profile: str | None = None,
        **elements: Any,
    ) -> Json:
        """`said`: by the record itself, so that its author performed it."""
        plain, drain = self.plain, self.drain
        part = f"{prefix}{code}"
        category = plain.codes[code].category
        made = without_nothing(
            {
                "resourceType": "Observation",
                "id": plain.ident(self.entry.key, part),
                "meta": without_nothing(
                    {
                        "source": f"{plain.base}/message#{plain.name(self.entry.key)}",
                        "profile": None
                        if profile is None
                        else [f"{plain.base}/StructureDefinition/{profile}"],
                    }
                ),
                "identifier": [
                    {
                        "system": f"{plain.base}/sid/observation",
                        "value": f"{plain.name(self.entry.key)}.{part}",
                    }
                ],
                "status": status,
                "category": [
                    {
                        "coding": [
                            {
                                "system": "http://terminology.hl7.org/CodeSystem/observation-category",
                                "code": category,
                                "display": str(category).capitalize(),
                            }
                        ]
                    },
                    plain.concept("chest-drain"),
                ],
                "code": plain.concept(code),
                "subject": self.patient(),
                "focus": focus or [reference("Device", plain.uuid(drain.key))],
                "encounter": None
                if drain.encounter is None
                else {
                    "type": "Encounter",
                    "identifier": {"system": drain.encounter.system, "value": drain.encounter.value},
                },
                "issued": self.time(issued),
                "performer": self.performer() if said else None,
                "bodySite": self.site(),
                **elements,
            }
        )
        self.observations.append(made)
        return made

    def patient(self) -> Json:
        who = self.drain.patient
        ident = uuid5(self.plain.patients, f"{len(who.system)}|{who.system}|{who.value}")
        return {**reference("Patient", ident), "identifier": {"system": who.system, "value": who.value}}

    def site(self) -> Json:
        kind = "chest" if self.drain.kind == "other" else self.drain.kind
        if self.drain.side is None:
            return self.plain.concept(f"site-{kind}")
        if f"site-{self.drain.side}-{kind}" in self.plain.codes:
            return self.plain.concept(f"site-{self.drain.side}-{kind}")
        return {**self.plain.concept(f"site-{kind}"), "text": f"{kind}, {self.drain.side}"}

    def performer(self) -> list[Json] | None:
        observer = self.record.observer
        if observer is None or observer.kind == "device":
            return None
        return [{"type": "Practitioner", "identifier": observer_identifier(observer)}]

    # Levels, intervals, totals

    def level(self, mark: LevelMark) -> None:
        scale = self.record.scale if isinstance(self.record, Reading) else None
        method = "device-count" if mark.counter else None if scale is None else f"scale-{scale}"
        why = "Set aside: not used by the arithmetic."
        for finding in reversed(self.entry.findings):
            if finding.code == mark.why and Ground(mark.owner, "level", mark.part) in finding.grounds:
                why = finding.text
        self.observation(
            "chamber-level",
            f"{mark.part}." if mark.part else "",
            self.own,
            self.entry.stamp,
            True,
            profile="drain-chamber-level",
            effectiveDateTime=self.time(mark.at),
            valueQuantity=self.plain.quantity("chamber-level", mark.value),
            note=None if mark.used else [{"text": why}],
            method=None if method is None else self.plain.concept(method),
            device=self.plain.metric(mark.collector, f"level.{mark.chamber}"),
        )

    def level_not_read(self, reading: Reading) -> None:
        connection = self.entry.connection
        if reading.level_not_read is None or connection is None:
            return
        self.observation(
            "chamber-level",
            "",
            self.own,
            self.entry.stamp,
            True,
            profile="drain-chamber-level",
            effectiveDateTime=self.time(reading.at),
            dataAbsentReason=absent("not-performed", "Not Performed"),
            note=[{"text": f"Level not read: {reading.level_not_read}."}],
            device=self.plain.metric(connection.collector, f"level.{connection.chamber}"),
        )

    def period(self, start: datetime | None, end: datetime) -> Json:
        return without_nothing({"start": None if start is None else self.time(start), "end": self.time(end)})

    def interval(self, interval: Interval) -> None:
        amount = isinstance(self.record, Reading) and self.record.volume is not None
        charted = amount and not interval.levels
        computed = "preliminary" if interval.preliminary else self.derived
        known = interval.output is not None
        self.observation(
            "interval-output",
            interval.part,
            self.own if charted else computed,
            interval.stamp,
            charted,
            profile="drain-interval-output",
            effectivePeriod=self.period(interval.start, interval.end),
            valueQuantity=self.plain.quantity(
                "interval-output", interval.output, interval.bound, interval.deviation
            )
            if interval.output is not None
            else None,
            dataAbsentReason=None if known else absent("unknown", "Unknown"),
            method=self.plain.concept(self.interval_method(interval, charted)) if known else None,
            device=self.interval_device(interval),
            derivedFrom=[
                reference(
                    "Observation",
                    self.plain.ident(
                        level.owner, f"{level.part}.chamber-level" if level.part else "chamber-level"
                    ),
                )
                for level in interval.levels
            ]
            + [
                reference("Observation", self.plain.ident(ground.owner, part))
                for ground in interval.drawn
                for part in parts(ground)
            ],
        )
        for code, rate in (
            ("output-rate", interval.rate),
            ("output-rate-per-weight", interval.rate_per_weight),
        ):
            if rate is not None:
                self.rate(code, rate, interval, computed)

    def interval_method(self, interval: Interval, charted: bool) -> str:
        if charted:
            return "charted-amount"
        if NOTHING_TO_RECKON & set(interval.findings):
            return "drawn-volumes"
        connection = self.entry.connection
        return (
            "counter-difference"
            if connection is not None and connection.reads == "counter"
            else "level-difference"
        )

    def interval_device(self, interval: Interval) -> Json | None:
        if interval.collector is None or interval.chamber is None:
            return None
        return self.plain.metric(interval.collector, f"level.{interval.chamber}")

    def this(self, code: str, part: str = "") -> Json:
        return reference("Observation", self.plain.ident(self.entry.key, f"{part}{code}"))

    def rate(self, code: str, rate: Decimal, interval: Interval, status: str) -> None:
        self.observation(
            code,
            interval.part,
            status,
            interval.stamp,
            False,
            effectivePeriod=self.period(interval.start, interval.end),
            valueQuantity=self.plain.quantity(code, rate, interval.bound),
            method=self.plain.concept("output-over-time"),
            device=self.interval_device(interval),
            derivedFrom=[self.this("interval-output", interval.part)],
        )

    def total(self, total: Total) -> None:
        interval = self.entry.interval
        if interval is not None:
            sources = [self.this("interval-output", interval.part)]
        else:
            sources = [
                self.this("chamber-level", f"{mark.part}." if mark.part else "")
                for mark in self.entry.levels
                if mark.used
            ]
        net = self.plain.quantity("net-total", total.net, total.bound)
        self.observation(
            "running-total",
            total.part,
            "preliminary" if total.preliminary else self.derived,
            total.stamp,
            False,
            effectivePeriod=self.period(total.since, total.at),
            valueQuantity=self.plain.quantity("running-total", total.total, total.bound, total.deviation),
            method=self.plain.concept("sum-of-intervals"),
            derivedFrom=sources,
            component=[{"code": self.plain.concept("net-total"), "valueQuantity": net}]
            if total.net != total.total
            else None,
        )

    # A reading

    def say(self, code: str, **elements: Any) -> Json:
        at = self.time(self.record.at)
        return self.observation(code, "", self.own, self.entry.stamp, True, effectiveDateTime=at, **elements)

    def unit_reference(self) -> Json | None:
        return None if self.unit is None else reference("Device", self.plain.collector(self.unit))

    def component(self, code: str, **elements: Any) -> Json:
        return {"code": self.plain.concept(code), **elements}

    def measured(self, channel: str) -> Json | None:
        if self.unit is not None and self.profile is not None and channel in self.profile.measures:
            return self.plain.metric(self.unit, channel)
        return self.unit_reference()

    def reading(self, reading: Reading) -> None:
        self.suction(reading)
        if reading.pressure is not None:
            unit = self.unit_reference()
            drain = reference("Device", self.plain.uuid(self.drain.key))
            self.say(
                "drain-pressure",
                focus=None if unit is None else [drain, unit],
                valueQuantity=self.plain.quantity("drain-pressure", reading.pressure),
                device=self.measured("pressure"),
            )
        seen = self.air(reading)
        if self.entry.leak_free_hours is not None:
            self.observation(
                "time-since-air-leak",
                "",
                self.derived,
                self.entry.stamp,
                False,
                effectiveDateTime=self.time(reading.at),
                valueQuantity=self.plain.quantity("time-since-air-leak", self.entry.leak_free_hours),
                derivedFrom=[
                    *(
                        reference("Observation", self.plain.ident(ground.owner, part))
                        for ground in self.entry.last_leak
                        for part in parts(ground)
                    ),
                    *seen,
                ],
            )
        if reading.tidaling is not None or reading.swing is not None:
            swing = reading.swing
            self.say(
                "tidaling",
                **({} if reading.tidaling is None else self.plain.word("tidaling", reading.tidaling)),
                device=self.unit_reference(),
                component=None
                if swing is None
                else [
                    self.component(
                        "tidaling-swing", valueQuantity=self.plain.quantity("tidaling-swing", swing)
                    )
                ],
            )
        if reading.patency is not None:
            self.say("patency", **self.plain.word("patency", reading.patency))
        self.appearance(reading.appearance)
        self.panel(reading)

    def suction(self, reading: Reading) -> None:
        suction = reading.suction
        if suction is None:
            return
        parts = []
        if suction.mode is not None:
            parts.append(self.component("suction-mode", **self.plain.word("mode", suction.mode)))
        if suction.indicator is not None:
            parts.append(
                self.component("suction-indicator", **self.plain.word("indicator", suction.indicator))
            )
        setting = Decimal(0) if suction.set is None and suction.mode == "gravity" else suction.set
        stated = {
            "suction-set": (setting, self.unit_reference()),
            "suction-applied": (suction.applied, self.measured("pressure")),
            "suction-prescribed": (suction.prescribed, None),
        }
        shown = {code: pair for code, pair in stated.items() if pair[0] is not None}
        if not shown and parts:
            shown = {"suction-set": stated["suction-set"]}
        unit = self.unit_reference()
        for code, (value, device) in shown.items():
            self.say(
                code,
                focus=None if unit is None else [unit],
                valueQuantity=None if value is None else self.plain.quantity(code, value),
                device=device,
                component=parts,
            )
            parts = []

    def air(self, reading: Reading) -> list[Json]:
        leak = reading.air_leak
        if leak is None:
            return []
        parts = []
        if leak.provoked is not None:
            parts.append(self.component("leak-provoked-by", **self.plain.word("provoked", leak.provoked)))
        if leak.test is not None:
            parts.append(self.component("pinch-test-site", valueString=leak.test.pinched))
            parts.append(self.component("pinch-test-result", **self.plain.word("pinch", leak.test.bubbling)))
        values: dict[str, Json] = {}
        if leak.pattern is not None:
            values["bubbling-pattern"] = self.plain.word("bubbling", leak.pattern)
        if leak.grade is not None:
            values["air-leak-grade"] = self.grade(leak.grade)
        if leak.flow is not None:
            values["air-leak-flow"] = {"valueQuantity": self.plain.quantity("air-leak-flow", leak.flow)}
        if not values and parts:
            values["bubbling-pattern"] = {}
        for code, value in values.items():
            device = self.measured("air-flow") if code == "air-leak-flow" else self.unit_reference()
            self.say(code, device=device, component=parts, **value)
            parts = []
        return [self.this(code) for code in values]

    def grade(self, grade: int) -> Json:
        scale = None if self.profile is None else self.profile.air_leak_scale
        if scale is None:
            method: Json = {"text": "Scale of the leak meter not known"}
        else:
            method = self.plain.concept(scale.name)
        if "air_leak.grade" in self.entry.dropped:
            refused = ("grade-off-scale", "no-leak-scale")
            texts = [finding.text for finding in self.entry.findings if finding.code in refused]
            said = {"note": [{"text": texts[0]}]} if texts else {}
            return {"dataAbsentReason": absent("error", "Error"), "method": method, **said}
        return {"valueQuantity": self.plain.quantity("air-leak-grade", Decimal(grade)), "method": method}

    def appearance(self, words: tuple[str, ...]) -> None:
        if len(words) == 1:
            self.say("fluid-appearance", **self.plain.word("appearance", words[0]))
        elif words:
            parts = [
                self.component("fluid-appearance", **self.plain.word("appearance", word)) for word in words
            ]
            self.say("fluid-appearance", component=parts)

    def panel(self, reading: Reading) -> None:
        members = [reference("Observation", made["id"]) for made in self.observations]
        if not members:
            return
        label = self.drain.label
        self.say(
            "drain-panel",
            note=None if reading.note is None else [{"text": reading.note}],
            hasMember=members,
            component=None if label is None else [self.component("drain-number", valueString=label)],
        )

    # An event

    def event(self, event: Event) -> None:
        note = None if event.note is None else [{"text": event.note}]
        codes = {
            "sampled": "sample-withdrawn",
            "irrigated": "irrigant-instilled",
            "reinfused": "volume-reinfused",
        }
        if event.kind in codes:
            code = codes[event.kind]
            self.say(
                code,
                **(
                    {"dataAbsentReason": absent("unknown", "Unknown")}
                    if event.volume is None
                    else {"valueQuantity": self.plain.quantity(code, event.volume)}
                ),
                note=note,
                device=None
                if event.collector is None
                else reference("Device", self.plain.collector(event.collector)),
            )
        if event.kind == "suction-prescribed":
            pressure = Decimal(0) if event.pressure is None and event.mode == "gravity" else event.pressure
            unit = self.unit_reference()
            self.say(
                "suction-prescribed",
                focus=None if unit is None else [unit],
                **(
                    {"dataAbsentReason": absent("unknown", "Unknown")}
                    if pressure is None
                    else {"valueQuantity": self.plain.quantity("suction-prescribed", pressure)}
                ),
                note=note,
                component=None
                if event.mode is None
                else [self.component("suction-mode", **self.plain.word("mode", event.mode))],
            )

    # Findings and provenance

    def owner(self) -> tuple[UUID, str]:
        """What names issues and the Provenance: the record, or its share in this drain where it names none."""
        own, name = self.plain.uuid(self.entry.key), self.plain.name(self.entry.key)
        if self.record.drain == self.entry.drain:
            return own, name
        share = self.plain.name(Key("drain", "", self.entry.drain))
        return uuid5(own, f"drain|{self.entry.drain}"), f"{name}.{share}"

    def issues(self) -> list[Json]:
        issues: list[Json] = []
        for finding in self.entry.findings:
            if finding.issue:
                nth = 1 + sum(1 for issue in issues if issue["code"] == self.plain.concept(finding.code))
                issues.append(self.issue(finding, finding.code if nth == 1 else f"{finding.code}.{nth}"))
        return issues

    def issue(self, finding: Finding, part: str) -> Json:
        own, name = self.owner()
        fits = len(part) <= 27  # 64 - 36 of the UUID - the dot
        interval = self.entry.interval
        implicated, evidence = [], []
        for ground in finding.grounds:
            said = [reference("Observation", self.plain.ident(ground.owner, part)) for part in parts(ground)]
            if ground.owner != self.entry.key:
                evidence += said
            else:
                made = [each for each in said if each["reference"].split("/")[1] in self.ids()]
                implicated += made[:1]
        implicated.append(self.concerned(finding.code))
        rests_on_output = "output" in [ground.what for ground in finding.grounds]
        preliminary = interval is not None and interval.preliminary and rests_on_output
        return without_nothing(
            {
                "resourceType": "DetectedIssue",
                "id": f"{own}.{part}" if fits else str(uuid5(own, part)),
                "meta": {"source": f"{self.plain.base}/message#{self.plain.name(finding.owner)}"},
                "identifier": [
                    {"system": f"{self.plain.base}/sid/detected-issue", "value": f"{name}.{part}"}
                ],
                "status": "preliminary" if preliminary else self.derived,
                "code": self.plain.concept(finding.code),
                "patient": self.patient(),
                "identifiedDateTime": self.time(finding.at),
                "author": reference("Device", uuid5(self.plain.records, "adapter")),
                "implicated": implicated,
                "evidence": [{"detail": evidence}] if evidence else None,
                "detail": finding.text,
            }
        )

    def ids(self) -> set[str]:
        return {made["id"] for made in self.observations}

    def concerned(self, code: str) -> Json:
        """The unit, or the drain where the finding is about the tube, its output or its charting."""
        unit = self.unit
        if code in NAMED_UNIT:
            unit = self.record.collector or unit
        if unit is None or code in THE_DRAIN:
            return reference("Device", self.plain.uuid(self.drain.key))
        return reference("Device", self.plain.collector(unit))

    def provenance(self, targets: list[Json]) -> Json:
        observer = self.record.observer
        agents = [self.agent("assembler", reference("Device", uuid5(self.plain.records, "adapter")))]
        if observer is not None:
            role, kind = ("performer", "Device") if observer.kind == "device" else ("author", "Practitioner")
            agents.append(self.agent(role, {"type": kind, "identifier": observer_identifier(observer)}))
        operation = {"system": "http://terminology.hl7.org/CodeSystem/v3-DataOperation", "code": "CREATE"}
        message = {"system": f"{self.plain.base}/sid/message", "value": self.plain.name(self.entry.key)}
        return {
            "resourceType": "Provenance",
            "id": f"{self.owner()[0]}.provenance",
            "target": [reference(each["resourceType"], each["id"]) for each in targets],
            "occurredDateTime": self.time(self.entry.at),
            "recorded": self.time(self.entry.stamp),
            "activity": {"coding": [{**operation, "display": "create"}]},
            "agent": agents,
            "entity": [
                {"role": "source", "what": {"identifier": {**message, "value": value}}}
                for value in self.messages()
            ],
        }

    def messages(self) -> list[str]:
        own = self.entry.key
        interval = self.entry.interval
        weighed = None if interval is None or interval.rate_per_weight is None else interval.weighed_by
        waiting = self.entry.status == "waiting"
        keys = dict.fromkeys([own, own if waiting else weighed or own])
        # A drain's or a collector's id is told apart from another's by its kind: no source stands before it.
        return [("" if key.source else f"{key.kind}.") + self.plain.name(key) for key in keys]

    @staticmethod
    def agent(role: str, who: Json) -> Json:
        system = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
        return {
            "type": {"coding": [{"system": system, "code": role, "display": role.capitalize()}]},
            "who": who,
        }


def reference(kind: str, ident: UUID | str) -> Json:
    return {"reference": f"{kind}/{ident}", "type": kind}


def absent(code: str, display: str) -> Json:
    system = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
    return {"coding": [{"system": system, "code": code, "display": display}]}


def observer_identifier(observer: Observer) -> Json:
    return without_nothing({"system": observer.system, "value": observer.value})


def as_models(resources: list[Json]) -> list[BaseModel]:
    """Each resource as a model of fhir.resources: what a program without templates would build and validate."""
    classes = {each["resourceType"] for each in resources}
    models = {name: fhir.resources.R4B.get_fhir_model_class(name) for name in classes}
    return [models[each["resourceType"]].model_validate(each) for each in resources]
