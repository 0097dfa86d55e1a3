"""The conformance set, found by type, id, canonical URL and version; and the codes that it holds.

Codes of other systems are known as far as the value sets and the concept map enumerate them: whether there are more is
for a terminology server to say.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from typing import Final

import msgspec
from msgspec import Struct

from drainledger.fhir.codes import LOINC, SNOMED
from drainledger.fhir.conformance.terminology import V2_BODY_SITE
from drainledger.fhir.dialect import Json
from drainledger.fhir.resource import Fhir, Resource
from drainledger.fhir.terminology.refused import TerminologyRefused

#: The types that are served; none of the set's is left out.
TYPES: Final = (
    "CapabilityStatement",
    "CodeSystem",
    "ConceptMap",
    "SearchParameter",
    "StructureDefinition",
    "ValueSet",
)
#: What the systems that are not ours are called.
_NAMES: Final[Mapping[str, str]] = {
    LOINC: "LOINC",
    SNOMED: "SNOMED CT",
    "urn:iso:std:iso:11073:10101": "ISO/IEEE 11073-10101",
    V2_BODY_SITE: "HL7 v2 table 0550, body site",
}


class Canonical(Struct, frozen=True, kw_only=True):
    """One resource of the set. `tag` tells its content apart from any other's."""

    type: str
    id: str
    body: bytes
    resource: Json
    tag: str

    @property
    def url(self) -> str:
        return str(self.resource["url"])

    @property
    def version(self) -> str:
        return str(self.resource["version"])


class Concept(Struct, frozen=True, kw_only=True):
    """A code with its display. `definition` and `kind` None, `version` None: of a system that is not ours."""

    system: str
    code: str
    display: str
    version: str | None = None
    definition: str | None = None
    kind: str | None = None


class Content:
    """What `conformance_resources` gave for one FHIR version; never changed after."""

    def __init__(self, resources: Iterable[Resource], fhir: Fhir) -> None:
        self.fhir = fhir
        self.all = [_canonical(each) for each in resources]
        self._by_id = {(each.type, each.id): each for each in self.all}
        self._by_url = {(each.type, each.url): each for each in self.all}
        self.system = self.of("CodeSystem")[0]
        self._concepts = {(each.system, each.code): each for each in self._found()}

    def of(self, type: str) -> list[Canonical]:
        return [each for each in self.all if each.type == type]

    def read(self, type: str, id: str) -> Canonical | None:
        return self._by_id.get((type, id))

    def by_url(self, type: str, url: str, version: str | None = None, where: Iterable[str] = ()) -> Canonical:
        """`url` may end with `|version` (R4 references.html#canonical). Raises TerminologyRefused `not-found`."""
        plain, _, told = url.partition("|")
        found = self._by_url.get((type, plain))
        if found is None:
            raise TerminologyRefused(
                "not-found",
                f"There is no {type} of this URL here: search {type} for those there are.",
                [*where],
            )
        for asked in (told or None, version):
            if asked not in (None, found.version):
                raise TerminologyRefused(
                    "not-found",
                    f"Of this {type} there is version {found.version} alone: leave the version out, or name that.",
                    [*where],
                )
        return found

    def concept(self, system: str, code: str) -> Concept | None:
        return self._concepts.get((system, code))

    def is_own(self, system: str) -> bool:
        return system == self.system.url

    def codes_of(self, system: str) -> list[str]:
        """The codes known of a system, in order; none where the system isn't known."""
        return [each.code for each in self._concepts.values() if each.system == system]

    def name_of(self, system: str) -> str:
        return str(self.system.resource["title"]) if self.is_own(system) else _NAMES.get(system, system)

    def members(self, value_set: Canonical) -> list[Concept]:
        """The codes of a value set, in its order."""
        return [
            found
            for include in value_set.resource["compose"]["include"]
            for code in _included(include) or self.codes_of(include["system"])
            if (found := self.concept(include["system"], code)) is not None
        ]

    def _found(self) -> Iterator[Concept]:
        """Those of others first: where a code is enumerated twice, the last display holds, and ours is the system's."""
        for concept_map in self.of("ConceptMap"):
            for group in concept_map.resource["group"]:
                for element in group["element"]:
                    for target in element.get("target", ()):
                        if "code" in target:
                            yield Concept(
                                system=group["target"], code=target["code"], display=target["display"]
                            )
        for value_set in self.of("ValueSet"):
            for include in value_set.resource["compose"]["include"]:
                for each in include.get("concept", ()):
                    if not self.is_own(include["system"]):
                        yield Concept(system=include["system"], code=each["code"], display=each["display"])
        yield from self._own()

    def _own(self) -> Iterator[Concept]:
        for each in self.system.resource["concept"]:
            yield Concept(
                system=self.system.url,
                version=self.system.version,
                code=each["code"],
                display=each["display"],
                definition=each["definition"],
                kind=each["property"][0]["valueString"],
            )


def _canonical(resource: Resource) -> Canonical:
    return Canonical(
        type=resource.type,
        id=resource.id,
        body=resource.body,
        resource=msgspec.json.decode(resource.body),
        tag=hashlib.sha256(resource.body).hexdigest()[:16],
    )


def _included(include: Json) -> list[str]:
    return [each["code"] for each in include.get("concept", ())]
