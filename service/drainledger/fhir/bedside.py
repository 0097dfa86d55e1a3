"""What a reading says beside the level: suction, pressure, air, tidaling, patency, fluid (FHIR.md 'Observation')."""

from __future__ import annotations

from decimal import Decimal

from drainledger.domain.collectors import Profile
from drainledger.domain.entries import NodeEntry
from drainledger.domain.records import AirLeak, Reading, Suction
from drainledger.fhir.ground import ground_references
from drainledger.fhir.kit import Kit
from drainledger.fhir.sheet import Sheet, components, derived_from, note
from drainledger.fhir.template import ABSENT

GRAVITY = Decimal(0)
#: Findings of a grade that its place on a scale does not bear out.
_GRADE_REFUSED = ("grade-off-scale", "no-leak-scale")


class Bedside:
    """Writes one reading's own findings onto its sheet. `profile` is that of the unit in place, where it is known."""

    __slots__ = (
        "collector",
        "dropped",
        "findings",
        "kit",
        "profile",
        "reading",
        "sheet",
        "stamp",
        "unit",
        "when",
    )

    def __init__(self, sheet: Sheet, entry: NodeEntry, reading: Reading, profile: Profile | None) -> None:
        self.sheet = sheet
        self.kit: Kit = sheet.kit
        self.reading = reading
        self.profile = profile
        self.collector = None if entry.connection is None else entry.connection.collector
        self.unit = "" if self.collector is None else self.kit.unit(self.collector)
        self.stamp = entry.stamp
        self.dropped = entry.dropped
        self.findings = entry.findings
        self.when = sheet.at(reading.at)

    def add_all(self, entry: NodeEntry) -> None:
        reading = self.reading
        if reading.suction is not None:
            self._suction(reading.suction)
        if reading.pressure is not None:
            self._pressure("drain-pressure", reading.pressure)
        leak = [] if reading.air_leak is None else self._air_leak(reading.air_leak)
        if entry.leak_free_hours is not None:
            last = ground_references(self.kit, entry.last_leak)
            self._leak_free(entry.leak_free_hours, [*last, *leak])
        if reading.tidaling is not None or reading.swing is not None:
            self._tidaling(reading)
        if reading.patency is not None:
            self._say("patency", self._word("patency", reading.patency))
        if reading.appearance:
            self._appearance(reading.appearance)

    def _say(
        self, code: str, value: str, tail: str = "", parts: list[str] | None = None, text: str = ""
    ) -> str | None:
        return self.sheet.add(
            code,
            "",
            self.sheet.own,
            self.stamp,
            self.when,
            value,
            performer=self.sheet.performer,
            note=text,
            tail=tail,
            components=components(parts) if parts else "",
        )

    def _word(self, kind: str, word: str) -> str:
        """A word is a value; 'not-assessed' is why there is none."""
        if word == "not-assessed":
            return ABSENT["not-performed"]
        return f',"valueCodeableConcept":{self.kit.word(kind, word)}'

    # Suction: prescribed, set and measured are three Observations; the unit is in focus, for both drains share it.

    def _suction(self, suction: Suction) -> None:
        setting = suction.set
        if setting is None and suction.mode == "gravity":
            setting = GRAVITY
        stated = [
            ("suction-set", setting),
            ("suction-applied", suction.applied),
            ("suction-prescribed", suction.prescribed),
        ]
        parts = self._suction_parts(suction)
        carrier = next((code for code, value in stated if value is not None), "suction-set" if parts else "")
        for code, value in stated:
            if value is not None or code == carrier:
                self._suction_value(code, value, parts if code == carrier else [])

    def _suction_parts(self, suction: Suction) -> list[str]:
        """The state as found, and whether the unit's indicator showed it reached: on the first of set, applied and
        prescribed that the reading states."""
        parts = []
        if suction.mode is not None:
            parts.append(self.kit.component_word("suction-mode", "mode", suction.mode))
        if suction.indicator is not None:
            parts.append(self.kit.component_word("suction-indicator", "indicator", suction.indicator))
        return parts

    def _suction_value(self, code: str, value: Decimal | None, parts: list[str]) -> None:
        measured = code == "suction-applied" and self._measures("pressure")
        if measured and self.collector is not None:
            device = self.kit.metric(self.collector, "pressure")
        else:
            device = "" if code == "suction-prescribed" else self.unit
        self._on_unit(code, value, device, parts)

    def _on_unit(self, code: str, value: Decimal | None, device: str, parts: list[str]) -> None:
        template = self.kit.templates.get(code)
        if template is None:
            return
        about = "" if self.collector is None else self.sheet.texts.about_unit(self.collector)
        self.sheet.add(
            code,
            "",
            self.sheet.own,
            self.stamp,
            self.when,
            "" if value is None else template.quantity(value),
            about=about,
            performer=self.sheet.performer,
            tail=device,
            components=components(parts),
        )

    def _pressure(self, code: str, value: Decimal) -> None:
        """Measured at this drain: the drain stands in focus before the unit."""
        template = self.kit.templates.get(code)
        if template is None:
            return
        about, device = "", self.unit
        if self.collector is not None:
            about = self.sheet.texts.about_unit(self.collector, drain_too=True)
            if self._measures("pressure"):
                device = self.kit.metric(self.collector, "pressure")
        self.sheet.add(
            code,
            "",
            self.sheet.own,
            self.stamp,
            self.when,
            template.quantity(value),
            about=about,
            performer=self.sheet.performer,
            tail=device,
        )

    def _measures(self, channel: str) -> bool:
        return self.profile is not None and channel in self.profile.measures

    # Air.

    def _air_leak(self, leak: AirLeak) -> list[str]:
        """Pattern, grade and flow. How bubbling was provoked and what pinching did are components of the first of
        them that the reading states, else of a bubbling-pattern without a value. Gives the references written."""
        parts = self._air_parts(leak)
        stated = [
            code
            for code, value in (
                ("bubbling-pattern", leak.pattern),
                ("air-leak-grade", leak.grade),
                ("air-leak-flow", leak.flow),
            )
            if value is not None
        ]
        carrier = stated[0] if stated else "bubbling-pattern"
        written: list[str | None] = []
        if leak.pattern is not None or (parts and not stated):
            value = "" if leak.pattern is None else self._word("bubbling", leak.pattern)
            written.append(self._say("bubbling-pattern", value, self.unit, parts))
        if leak.grade is not None:
            written.append(self._grade(leak.grade, parts if carrier == "air-leak-grade" else []))
        if leak.flow is not None:
            written.append(self._flow(leak.flow, parts if carrier == "air-leak-flow" else []))
        return [reference for reference in written if reference]

    def _air_parts(self, leak: AirLeak) -> list[str]:
        parts = []
        if leak.provoked is not None:
            parts.append(self.kit.component_word("leak-provoked-by", "provoked", leak.provoked))
        if leak.test is not None:
            parts.append(self.kit.component_text("pinch-test-site", leak.test.pinched))
            parts.append(self.kit.component_word("pinch-test-result", "pinch", leak.test.bubbling))
        return parts

    def _grade(self, grade: int, parts: list[str]) -> str | None:
        """A grade off the profile's scale can't be so: it keeps its place, without a value."""
        template = self.kit.templates.get("air-leak-grade")
        if template is None:
            return None
        tail = self.kit.scale(self.profile) + self.unit
        if "air_leak.grade" in self.dropped:
            text = note(next((each.text for each in self.findings if each.code in _GRADE_REFUSED), None))
            return self._say("air-leak-grade", ABSENT["error"], tail, parts, text)
        return self._say("air-leak-grade", template.quantity(Decimal(grade)), tail, parts)

    def _flow(self, flow: Decimal, parts: list[str]) -> str | None:
        template = self.kit.templates.get("air-leak-flow")
        if template is None:
            return None
        device = self.unit
        if self.collector is not None and self._measures("air-flow"):
            device = self.kit.metric(self.collector, "air-flow")
        return self._say("air-leak-flow", template.quantity(flow), device, parts)

    def _leak_free(self, hours: Decimal, seen: list[str]) -> None:
        """Computed: from the last reading with a leak to this one, which looked and found none. Derived from both."""
        template = self.kit.templates.get("time-since-air-leak")
        if template is None:
            return
        sheet = self.sheet
        value = template.quantity(hours)
        tail = derived_from(seen)
        sheet.add("time-since-air-leak", "", sheet.derived, self.stamp, self.when, value, tail=tail)

    # The column and the fluid.

    def _tidaling(self, reading: Reading) -> None:
        value = "" if reading.tidaling is None else self._word("tidaling", reading.tidaling)
        parts = (
            [] if reading.swing is None else [self.kit.component_quantity("tidaling-swing", reading.swing)]
        )
        self._say("tidaling", value, self.unit, parts)

    def _appearance(self, words: tuple[str, ...]) -> None:
        """One word is the value; several are components of one code each, which combo-value-concept finds as well.
        Codings of one CodeableConcept would say that they mean the same."""
        if len(words) == 1:
            self._say("fluid-appearance", self._word("appearance", words[0]))
            return
        self._say(
            "fluid-appearance",
            "",
            parts=[self.kit.component_word("fluid-appearance", "appearance", word) for word in words],
        )
