"""The Observations of one record as they are written down."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from drainledger.domain.records import Key, Observer
from drainledger.fhir.about import DrainTexts
from drainledger.fhir.fragments import quote
from drainledger.fhir.ids import join, key_text, message_name, part_text
from drainledger.fhir.kit import Kit
from drainledger.fhir.resource import Resource
from drainledger.fhir.template import ABSENT

WITHDRAWN = "entered-in-error"


class Sheet:
    """Collects what one record gives in one drain.

    `own` is the status of what the record itself says, `derived` of what is computed. `references` are the texts of
    literal references to all that was written, in order. `statuses` holds, by part, what a history says instead.
    """

    __slots__ = (
        "_head",
        "derived",
        "issued",
        "key",
        "key_name",
        "kit",
        "meta",
        "own",
        "performer",
        "references",
        "resources",
        "statuses",
        "texts",
        "uuid",
    )

    def __init__(
        self,
        kit: Kit,
        texts: DrainTexts,
        key: Key,
        *,
        corrected: bool,
        observer: Observer | None,
        issued: datetime | None,
        statuses: Mapping[str, str],
        withdrawn: bool = False,
    ) -> None:
        self.kit = kit
        self.texts = texts
        self.key = key
        self.uuid = kit.ids.record(key)
        self.key_name = key_text(key)
        self.meta = f'"source":"{kit.base}/message#{message_name(key)}"'
        self.own, self.derived = _statuses(corrected, observer, withdrawn)
        self.performer = kit.performer(observer)
        self.issued = None if issued is None else texts.times(issued)
        self.statuses = statuses
        self.references: list[str] = []
        self.resources: list[Resource] = []
        self._head = f'"identifier":[{{"system":"{kit.sid}/observation","value":"{self.key_name}.'

    def add(
        self,
        code: str,
        prefix: str,
        status: str,
        issued: datetime,
        when: str,
        value: str,
        *,
        about: str = "",
        performer: str = "",
        note: str = "",
        tail: str = "",
        components: str = "",
        claim: bool = True,
    ) -> str | None:
        """Write one Observation and give its reference text; None where the code is switched off.

        `prefix` and `code` make its part. `when`, `value`, `tail` (method, device, hasMember, derivedFrom) are JSON
        members that begin with a comma. A withdrawn one loses its value and its components (profile dl-io-4), so a
        reader who forgets to look at the status still adds up right. `claim` tells whether it claims its profile.
        """
        template = self.kit.templates.get(code)
        if template is None:
            return None
        part = prefix + code
        if self.statuses:
            status = self.statuses.get(part, status)
        if status == WITHDRAWN:
            value, components = ABSENT["error"], ""
        texts = self.texts
        ident = join(self.uuid, part)
        profile = "," + template.profile if template.profile and claim else ""
        body = (
            f'{{"resourceType":"Observation","id":"{ident}","meta":{{{self.meta}{profile}}},'
            f'{self._head}{part_text(part)}"}}],"status":"{status}"{template.coded}'
            f'{about or texts.about_drain}{when},"issued":"{self.issued or texts.times(issued)}"{performer}{value}'
            f"{note}{texts.site}{tail}{components}}}"
        )
        reference = f'{{"reference":"Observation/{ident}","type":"Observation"}}'
        self.references.append(reference)
        self.resources.append(Resource("Observation", ident, body.encode(), self.key, code))
        return reference

    def at(self, instant: datetime) -> str:
        return f',"effectiveDateTime":"{self.texts.times(instant)}"'

    def period(self, start: datetime | None, end: datetime) -> str:
        times = self.texts.times
        if start is None:
            return f',"effectivePeriod":{{"end":"{times(end)}"}}'
        return f',"effectivePeriod":{{"start":"{times(start)}","end":"{times(end)}"}}'


def _statuses(corrected: bool, observer: Observer | None, withdrawn: bool) -> tuple[str, str]:
    """What the record says itself, and what is computed from it. A device's value is preliminary until somebody
    verifies it, corrected or not."""
    if withdrawn:
        return WITHDRAWN, WITHDRAWN
    if observer is not None and observer.kind == "device":
        return "preliminary", "preliminary"
    return ("corrected" if corrected else "final"), "final"


def note(text: str | None) -> str:
    """`,"note":…`, or "" for none."""
    return "" if text is None else f',"note":[{{"text":{quote(text)}}}]'


def derived_from(references: list[str]) -> str:
    return f',"derivedFrom":[{",".join(references)}]' if references else ""


def components(parts: list[str]) -> str:
    return f',"component":[{",".join(parts)}]' if parts else ""
