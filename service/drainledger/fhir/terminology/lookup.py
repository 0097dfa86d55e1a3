"""CodeSystem/$lookup: what a code means (R4, R5 codesystem-operation-lookup.html)."""

from __future__ import annotations

from typing import Final

from drainledger.fhir.dialect import Json
from drainledger.fhir.terminology.answers import parameters, part, parts
from drainledger.fhir.terminology.content import Canonical, Concept, Content
from drainledger.fhir.terminology.inputs import Coding, Inputs
from drainledger.fhir.terminology.refused import TerminologyRefused

#: What is said in parameters of its own, and so never under `property`.
_NAMED: Final = frozenset({"name", "version", "display", "designation"})
#: The code system's own, and what R4 names for every code system (R5 tells it in a parameter).
_PROPERTIES: Final = ("kind", "definition")
#: Named for every code system, and empty in this one.
_EMPTY: Final = frozenset({"url", "parent", "child"})


def lookup(content: Content, inputs: Inputs, instance: Canonical | None) -> Json:
    """Raises TerminologyRefused: `not-found` for a code, a system or a version that isn't here."""
    asked = _asked(content, inputs, instance)
    concept = found(content, asked)
    wanted = _wanted(inputs)
    return parameters(
        [
            part("name", "String", content.name_of(concept.system)),
            None if concept.version is None else part("version", "String", concept.version),
            part("display", "String", concept.display),
            _definition(content, concept, wanted),
            *(_property(content, concept, name) for name in _PROPERTIES if name in wanted),
        ]
    )


def found(content: Content, asked: Coding) -> Concept:
    """The code that was asked for. Raises TerminologyRefused `not-found`."""
    system = asked.system or ""
    concept = content.concept(system, asked.code)
    if concept is not None:
        check_version(content, system, asked.version, asked.where)
        return concept
    if content.is_own(system):
        text = "This code system has no such code: search or expand its value sets for those there are."
    elif known := content.codes_of(system):
        codes = ", ".join(known)
        text = (
            f"Of this code system only what is mapped to is known here ({codes}): ask a terminology server."
        )
    else:
        text = f"This code system is not known here: the one of this service is {content.system.url}."
    raise TerminologyRefused("not-found", text, [asked.where])


def check_version(content: Content, system: str, version: str | None, where: str) -> None:
    """Of what is not ours no version is known. Raises TerminologyRefused `not-found`."""
    if version is None or (content.is_own(system) and version == content.system.version):
        return
    there = (
        f"is version {content.system.version} alone" if content.is_own(system) else "are no versions known"
    )
    raise TerminologyRefused(
        "not-found", f"Of this code system there {there}: leave the version out.", [where]
    )


def _asked(content: Content, inputs: Inputs, instance: Canonical | None) -> Coding:
    if inputs.one_of("code", "coding") == "coding":
        coding = inputs.coding("coding")
        assert coding is not None
        return _in_instance(coding, instance)
    code, system = inputs.text("code") or "", inputs.text("system")
    if instance is not None:
        system = instance.url
    if system is None:
        raise TerminologyRefused(
            "required", f"A code needs its system, such as {content.system.url}.", inputs.where("code")
        )
    where = (inputs.where("code") or [""])[0]
    return Coding(code=code, system=system, version=inputs.text("version"), where=where)


def _in_instance(coding: Coding, instance: Canonical | None) -> Coding:
    if coding.system is None:
        raise TerminologyRefused("required", "The coding needs its system.", [coding.where])
    if instance is not None and coding.system != instance.url:
        raise TerminologyRefused("invalid", "The coding is of another system than the path.", [coding.where])
    return coding


def _wanted(inputs: Inputs) -> frozenset[str]:
    """The properties to give; all that there are where none is named. Raises TerminologyRefused."""
    named = inputs.texts("property")
    for name, where in zip(named, inputs.where("property"), strict=True):
        if name not in {*_PROPERTIES, *_NAMED, *_EMPTY} and not name.startswith("lang."):
            raise TerminologyRefused(
                "not-found",
                f"There is no such property. The code system has: {', '.join(_PROPERTIES)}.",
                [where],
            )
    return frozenset(named or _PROPERTIES)


def _definition(content: Content, concept: Concept, wanted: frozenset[str]) -> Json | None:
    """A parameter of its own in R5; a property in R4."""
    if content.fhir == "R4" or concept.definition is None or "definition" not in wanted:
        return None
    return part("definition", "String", concept.definition)


def _property(content: Content, concept: Concept, name: str) -> Json | None:
    values = {"kind": concept.kind, "definition": concept.definition if content.fhir == "R4" else None}
    value = values[name]
    if value is None:
        return None
    return parts("property", [part("code", "Code", name), part("value", "String", value)])
