"""What all rendering of one tenant and one FHIR version shares: codes, ids, and the texts that are made once."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from drainledger.domain.collectors import Profile
from drainledger.domain.records import Drain, Observer
from drainledger.fhir.about import DrainTexts, observer_identifier, practitioner, reference
from drainledger.fhir.codes import Code, Vocabulary
from drainledger.fhir.fragments import KEPT, TimeTexts, encode, quote
from drainledger.fhir.ids import Ids, join
from drainledger.fhir.resource import Fhir
from drainledger.fhir.template import ABSENT, Template, unit_close


class Kit:
    """Immutable settings and the caches behind them; nothing here depends on the order of use."""

    def __init__(
        self,
        codes: Mapping[str, Code],
        *,
        base: str,
        tenant: str,
        fhir: Fhir,
        patient_secret: bytes,
        version: str,
    ) -> None:
        self.base = base
        self.fhir: Fhir = fhir
        self.version = version
        self.sid = f"{base}/sid"
        self.vocabulary = Vocabulary(codes, base)
        self.ids = Ids(base, tenant, patient_secret)
        self.adapter = reference("Device", self.ids.adapter())
        self.templates = {
            code: Template(code, self.vocabulary, base)
            for code, found in codes.items()
            if found.kind == "observation" and found.emit
        }
        self._drains: dict[str, DrainTexts] = {}
        self._zones: dict[str, TimeTexts] = {}
        self._words: dict[tuple[str, str], str] = {}
        self._devices: dict[tuple[str, str], str] = {}
        self._performers: dict[Observer, str] = {}
        self._agents: dict[Observer | None, str] = {}
        self._scales: dict[str, str] = {}
        self._components: dict[str, tuple[str, str]] = {}

    def times(self, zone: str) -> TimeTexts:
        found = self._zones.get(zone)
        if found is None:
            found = self._zones[zone] = TimeTexts(zone)
        return found

    def drain(self, drain: Drain) -> DrainTexts:
        """The drain's texts, made again when its statement was corrected."""
        found = self._drains.get(drain.id)
        if found is None or (found.drain is not drain and found.drain != drain):
            _bound(self._drains)
            found = DrainTexts(drain, self.ids, self.vocabulary, self.times(drain.time_zone))
            self._drains[drain.id] = found
        return found

    def word(self, kind: str, word: str) -> str:
        """A word of the contract as a CodeableConcept: the local code `<kind>-<word>`, or the word as text."""
        text = self._words.get((kind, word))
        if text is None:
            _bound(self._words)
            concept = self.vocabulary.concept_or_text(f"{kind}-{word}", word)
            text = self._words[kind, word] = encode(concept).decode()
        return text

    def metric(self, collector: str, channel: str) -> str:
        """`,"device":…` of the DeviceMetric of one channel: "level.<chamber>", "pressure" or "air-flow"."""
        text = self._devices.get((collector, channel))
        if text is None:
            _bound(self._devices)
            metric = reference("DeviceMetric", join(self.ids.collector(collector), channel))
            text = self._devices[collector, channel] = f',"device":{encode(metric).decode()}'
        return text

    def unit(self, collector: str) -> str:
        """`,"device":…` of the collection unit."""
        text = self._devices.get((collector, ""))
        if text is None:
            _bound(self._devices)
            unit = reference("Device", self.ids.collector(collector))
            text = self._devices[collector, ""] = f',"device":{encode(unit).decode()}'
        return text

    def performer(self, observer: Observer | None) -> str:
        """`,"performer":…` of a person; R4's performer allows no Device (observation.html)."""
        if observer is None or observer.kind != "practitioner":
            return ""
        text = self._performers.get(observer)
        if text is None:
            _bound(self._performers)
            text = self._performers[observer] = f',"performer":[{encode(practitioner(observer)).decode()}]'
        return text

    def agents(self, observer: Observer | None) -> str:
        """Provenance.agent: the adapter that assembled, and who or what made the record."""
        text = self._agents.get(observer)
        if text is None:
            _bound(self._agents)
            text = self._agents[observer] = encode(agents(self.adapter, observer)).decode()
        return text

    def component_quantity(self, code: str, value: Decimal, comparator: str = "") -> str:
        """A component with a Quantity in the code's unit."""
        opening, close = self._component(code)
        return f'{opening},"valueQuantity":{{"value":{value:f}{comparator}{close}}}'

    def component_word(self, code: str, kind: str, word: str) -> str:
        """A component with a word; 'not-assessed' is why there is none."""
        if word == "not-assessed":
            return f"{self._component(code)[0]}{ABSENT['not-performed']}}}"
        return f'{self._component(code)[0]},"valueCodeableConcept":{self.word(kind, word)}}}'

    def component_text(self, code: str, text: str) -> str:
        return f'{self._component(code)[0]},"valueString":{quote(text)}}}'

    def component_period(self, code: str, start: str, end: str) -> str:
        """A component with a Period between two written times."""
        return f'{self._component(code)[0]},"valuePeriod":{{"start":"{start}","end":"{end}"}}}}'

    def _component(self, code: str) -> tuple[str, str]:
        """How a component of a code opens, and how its Quantity closes."""
        found = self._components.get(code)
        if found is None:
            opening = f'{{"code":{self.vocabulary.concept_text(code)}'
            found = self._components[code] = (opening, unit_close(self.vocabulary, code))
        return found

    def scale(self, profile: Profile | None) -> str:
        """`,"method":…` of an air-leak grade: a grade without its scale means nothing."""
        key = "" if profile is None else profile.id
        text = self._scales.get(key)
        if text is None:
            _bound(self._scales)
            text = self._scales[key] = f',"method":{encode(scale_method(self.vocabulary, profile)).decode()}'
        return text


def agents(adapter: dict[str, Any], observer: Observer | None) -> list[dict[str, Any]]:
    """The adapter as assembler; a person as author, a device as performer, each by identifier (R4 provenance.html)."""
    found = [{"type": _participation("assembler", "Assembler"), "who": adapter}]
    if observer is None:
        return found
    if observer.kind == "practitioner":
        return [*found, {"type": _participation("author", "Author"), "who": practitioner(observer)}]
    device = {"type": "Device", "identifier": observer_identifier(observer)}
    return [*found, {"type": _participation("performer", "Performer"), "who": device}]


def _participation(code: str, display: str) -> dict[str, Any]:
    system = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
    return {"coding": [{"system": system, "code": code, "display": display}]}


def scale_method(vocabulary: Vocabulary, profile: Profile | None) -> dict[str, Any]:
    scale = None if profile is None else profile.air_leak_scale
    if scale is None:
        return {"text": "Scale of the leak meter not known"}
    return vocabulary.concept_or_text(scale.name, f"{scale.name}, 0 to {scale.highest}")


def _bound(kept: dict[Any, Any]) -> None:
    if len(kept) >= KEPT:
        kept.clear()
