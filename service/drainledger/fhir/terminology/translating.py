"""ConceptMap/$translate: which standard code fits a local one, and how well; and the other way round.

R4 conceptmap-operation-translate.html: `equivalence` speaks of the code that was found, so a reversed mapping turns
wider into narrower. R5 of the same name: `relationship` reads from source to target, whichever of them was given.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Final

from msgspec import Struct

from drainledger.fhir.dialect import Json
from drainledger.fhir.terminology.answers import coding, parameters, part, parts
from drainledger.fhir.terminology.content import Canonical, Concept, Content
from drainledger.fhir.terminology.inputs import Coding, Inputs
from drainledger.fhir.terminology.lookup import check_version, found
from drainledger.fhir.terminology.refused import TerminologyRefused

_REVERSED: Final[Mapping[str, str]] = {"wider": "narrower", "narrower": "wider"}
_NONE: Final = "unmatched"


class Line(Struct, frozen=True, kw_only=True):
    """One line of a map. `target` None: the map says that there is none in that system, and why in `comment`."""

    map: Canonical
    source: Concept
    target: Concept | None
    target_system: str
    word: str
    comment: str | None


class Asked(Struct, frozen=True, kw_only=True):
    """What is to be translated; the value sets or the system that it is to stay in."""

    codings: Sequence[Coding]
    backwards: bool
    target_system: tuple[str, str] | None = None
    sources: Collection[tuple[str, str]] | None = None
    targets: Collection[tuple[str, str]] | None = None


def translate(content: Content, inputs: Inputs, instance: Canonical | None) -> Json:
    """Raises TerminologyRefused: `not-found` for a map, a value set or a code that isn't here."""
    asked = _asked(content, inputs)
    maps = _maps(content, inputs, instance)
    lines = [line for one in maps for line in _lines(content, one)]
    for each in asked.codings:
        _check_known(content, each)
    hits = [line for each in asked.codings for line in lines if _fits(line, each, asked)]
    real = [line for line in hits if line.target is not None]
    return parameters(
        [
            part("result", "Boolean", bool(real)),
            _message(content, asked, hits),
            *(
                _match(content, line, asked)
                for line in hits
                if line.target is not None or content.fhir == "R4"
            ),
        ]
    )


def _asked(content: Content, inputs: Inputs) -> Asked:
    if content.fhir == "R4":
        backwards = inputs.flag("reverse") or False
        name = inputs.one_of("code", "coding", "codeableConcept")
        scopes = ("target", "source") if backwards else ("source", "target")
        system = "targetsystem"
    else:
        names = ("sourceCode", "sourceCoding", "sourceCodeableConcept")
        name = inputs.one_of(*names, "targetCode", "targetCoding", "targetCodeableConcept")
        backwards, scopes, system = name.startswith("target"), ("sourceScope", "targetScope"), "targetSystem"
    wanted = inputs.text(system)
    return Asked(
        codings=_codings(content, inputs, name),
        backwards=backwards,
        target_system=None if wanted is None else (wanted, inputs.where(system)[0]),
        sources=_members(content, inputs, scopes[0]),
        targets=_members(content, inputs, scopes[1]),
    )


def _codings(content: Content, inputs: Inputs, name: str) -> list[Coding]:
    if name.endswith("odeableConcept"):
        return inputs.codings(name)
    if name.endswith("oding"):
        given = inputs.coding(name)
        assert given is not None
        return [given]
    system = inputs.text("system")
    if system is None:
        raise TerminologyRefused(
            "required", f"A code needs its system, such as {content.system.url}.", inputs.where(name)
        )
    where = inputs.where(name)[0]
    return [Coding(code=inputs.text(name) or "", system=system, version=inputs.text("version"), where=where)]


def _members(content: Content, inputs: Inputs, name: str) -> Collection[tuple[str, str]] | None:
    url = inputs.text(name)
    if url is None:
        return None
    value_set = content.by_url("ValueSet", url, where=inputs.where(name))
    return {(each.system, each.code) for each in content.members(value_set)}


def _maps(content: Content, inputs: Inputs, instance: Canonical | None) -> list[Canonical]:
    """The one that is named, else all there are."""
    if instance is not None:
        return [instance]
    url = inputs.text("url")
    if url is None:
        return content.of("ConceptMap")
    return [content.by_url("ConceptMap", url, inputs.text("conceptMapVersion"), inputs.where("url"))]


def _check_known(content: Content, asked: Coding) -> None:
    if asked.system is None:
        raise TerminologyRefused("required", "The coding needs its system.", [asked.where])
    found(content, asked)
    check_version(content, asked.system, asked.version, asked.where)


def _lines(content: Content, concept_map: Canonical) -> Iterator[Line]:
    for group in concept_map.resource["group"]:
        for element in group["element"]:
            source = content.concept(group["source"], element["code"])
            assert source is not None  # the map is made from the code system
            for target in element.get("target") or [{}]:
                yield Line(
                    map=concept_map,
                    source=source,
                    target=content.concept(group["target"], target["code"]) if "code" in target else None,
                    target_system=group["target"],
                    word=target.get("equivalence") or target.get("relationship") or _NONE,
                    comment=target.get("comment"),
                )


def _fits(line: Line, asked: Coding, wanted: Asked) -> bool:
    given, other = (line.target, line.source) if wanted.backwards else (line.source, line.target)
    if given is None or (given.system, given.code) != (asked.system, asked.code):
        return False
    to_system = line.source.system if wanted.backwards else line.target_system
    if wanted.target_system is not None and to_system != wanted.target_system[0]:
        return False
    return _within(line.source, wanted.sources) and (other is None or _within(line.target, wanted.targets))


def _within(concept: Concept | None, members: Collection[tuple[str, str]] | None) -> bool:
    return members is None or (concept is not None and (concept.system, concept.code) in members)


def _message(content: Content, asked: Asked, hits: Sequence[Line]) -> Json | None:
    """What the map remarks on each line; that there is none, where there is none."""
    notes = [note for line in hits if (note := _note(content, line)) is not None]
    if not hits:
        where = "" if asked.target_system is None else " to that system"
        notes.append(f"There is no mapping{where}: see the ConceptMap for those there are.")
    return part("message", "String", " ".join(dict.fromkeys(notes))) if notes else None


def _note(content: Content, line: Line) -> str | None:
    name = content.name_of(line.target_system)
    if line.target is None:
        return f"{name}: the map says that no code fits. {line.comment or ''}".rstrip()
    return None if line.comment is None else f"{name} {line.target.code}: {line.comment}"


def _match(content: Content, line: Line, asked: Asked) -> Json:
    concept = line.source if asked.backwards else line.target
    told = [] if concept is None else [part("concept", "Coding", _coding(concept))]
    if content.fhir == "R4":
        word = _REVERSED.get(line.word, line.word) if asked.backwards else line.word
        told = [part("equivalence", "Code", word), *told, part("source", "Uri", line.map.url)]
    else:
        told = [part("relationship", "Code", line.word), *told, part("originMap", "Uri", line.map.url)]
    return parts("match", told)


def _coding(concept: Concept) -> Mapping[str, str]:
    return coding(concept.system, concept.code, concept.display, concept.version)
