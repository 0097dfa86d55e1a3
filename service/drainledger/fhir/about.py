"""What an Observation is about: the texts that every resource of one drain shares (FHIR.md 2 and 3)."""

from __future__ import annotations

from typing import Any

from drainledger.domain.records import Drain, Identifier, Observer
from drainledger.fhir.codes import Vocabulary
from drainledger.fhir.fragments import TimeTexts, encode, uri
from drainledger.fhir.ids import Ids


def reference(kind: str, ident: str) -> dict[str, Any]:
    return {"reference": f"{kind}/{ident}", "type": kind}


def patient_reference(ids: Ids, patient: Identifier) -> dict[str, Any]:
    """The Patient as reference, type and identifier, so that a destination may choose what it resolves."""
    return {**reference("Patient", ids.patient(patient)), "identifier": identifier(patient)}


def identifier(of: Identifier) -> dict[str, Any]:
    return {"system": uri(of.system), "value": of.value}


def site(vocabulary: Vocabulary, drain: Drain) -> dict[str, Any]:
    """Where the drain lies: the code of kind and side if there is one, else that of the kind with the side in text."""
    place = "chest" if drain.kind == "other" else drain.kind
    sided = f"site-{drain.side}-{place}"
    if drain.side is not None and sided in vocabulary.codes:
        return vocabulary.concept(sided)
    words = place if drain.side is None else f"{place}, {drain.side}"
    plain = vocabulary.concept_or_text(f"site-{place}", words)
    return plain if drain.side is None else {**plain, "text": words}


def practitioner(observer: Observer) -> dict[str, Any]:
    """Who read, by identifier: this project holds no directory of people."""
    return {"type": "Practitioner", "identifier": observer_identifier(observer)}


def observer_identifier(observer: Observer) -> dict[str, Any]:
    known = {} if observer.system is None else {"system": uri(observer.system)}
    return {**known, "value": observer.value}


class DrainTexts:
    """The texts of one drain's statement. `about_drain` and `about_unit` hold subject, focus and encounter."""

    def __init__(self, drain: Drain, ids: Ids, vocabulary: Vocabulary, times: TimeTexts) -> None:
        self.drain = drain
        self.times = times
        self.device = ids.drain(drain.id)
        self.device_reference = encode(reference("Device", self.device)).decode()
        self.subject = encode(patient_reference(ids, drain.patient)).decode()
        self.encounter = _encounter(drain)
        self.site = f',"bodySite":{encode(site(vocabulary, drain)).decode()}'
        self.about_drain = self._about(self.device_reference)
        self._ids = ids
        self._units: dict[tuple[str, bool], str] = {}

    def about_unit(self, collector: str, *, drain_too: bool = False) -> str:
        """As `about_drain`, in focus the collection unit, which several drains may share; the drain first if it, too,
        is what was observed."""
        text = self._units.get((collector, drain_too))
        if text is None:
            unit = encode(reference("Device", self._ids.collector(collector))).decode()
            text = self._about(f"{self.device_reference},{unit}" if drain_too else unit)
            self._units[collector, drain_too] = text
        return text

    def _about(self, focus: str) -> str:
        return f',"subject":{self.subject},"focus":[{focus}]{self.encounter}'


def _encounter(drain: Drain) -> str:
    if drain.encounter is None:
        return ""
    by_identifier = {"type": "Encounter", "identifier": identifier(drain.encounter)}
    return f',"encounter":{encode(by_identifier).decode()}'
