"""$validate-code of CodeSystem and ValueSet: whether what was said of a code is right.

A wrong display makes the result false: `result` is 'True if the concept details supplied are valid', and the example
of R4 codesystem-operation-validate-code.html answers a wrong display with false, a message, and the right one.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from msgspec import Struct

from drainledger.fhir.dialect import Json
from drainledger.fhir.resource import Fhir
from drainledger.fhir.terminology.answers import ONE_LANGUAGE, coding, parameters, part
from drainledger.fhir.terminology.content import Canonical, Concept, Content
from drainledger.fhir.terminology.inputs import Coding, Inputs
from drainledger.fhir.terminology.lookup import check_version, found
from drainledger.fhir.terminology.refused import TerminologyRefused


class Verdict(Struct, frozen=True, kw_only=True):
    """`concept` None: there is no such code. `fault` says what is wrong, with a code of issue-type and where."""

    asked: Coding
    concept: Concept | None = None
    fault: str | None = None
    issue: str = "code-invalid"
    path: str = ""


def in_code_system(content: Content, inputs: Inputs, instance: Canonical | None) -> Json:
    """Raises TerminologyRefused: also where the system is not ours and nothing can be said of the code."""
    system = instance.url if instance is not None else _url(inputs, "CodeSystem")
    version = inputs.text("version")
    asked = _asked(inputs, system, version)
    if content.is_own(system):
        check_version(content, system, version, (inputs.where("version") or [""])[0])
        verdicts = [_judged(content, each, None, system) for each in asked]
    else:
        verdicts = [_judged_abroad(content, each, system) for each in asked]
    return _answer(content, inputs, verdicts)


def in_value_set(content: Content, inputs: Inputs, instance: Canonical | None) -> Json:
    """Raises TerminologyRefused: `not-found` for a value set that isn't here."""
    value_set = instance
    if value_set is None:
        url = _url(inputs, "ValueSet")
        value_set = content.by_url("ValueSet", url, inputs.text("valueSetVersion"), inputs.where("url"))
    system = inputs.text("system")
    if inputs.has("code") and system is None:
        raise TerminologyRefused(
            "required",
            "A code needs its system: which one, can't be told from the code.",
            inputs.where("code"),
        )
    asked = _asked(inputs, system, inputs.text("systemVersion"))
    members = {(each.system, each.code) for each in content.members(value_set)}
    return _answer(content, inputs, [_judged(content, each, members, each.system) for each in asked])


def _url(inputs: Inputs, type: str) -> str:
    url = inputs.text("url")
    if url is None:
        raise TerminologyRefused(
            "required", f"Say by url which {type}, or call the operation of one: {type}/ID/$validate-code."
        )
    return url


def _asked(inputs: Inputs, system: str | None, version: str | None) -> Sequence[Coding]:
    name = inputs.one_of("code", "coding", "codeableConcept")
    if name == "codeableConcept":
        return inputs.codings(name)
    if name == "coding":
        given = inputs.coding(name)
        assert given is not None
        return [given]
    where = inputs.where("code")[0]
    code, display = inputs.text("code") or "", inputs.text("display")
    return [Coding(code=code, system=system, version=version, display=display, where=where)]


def _judged(
    content: Content, asked: Coding, members: Collection[tuple[str, str]] | None, system: str | None
) -> Verdict:
    """`members` None: the whole of a code system."""
    if system is None:
        untold = "The coding names no system, and so is in no value set."
        return Verdict(asked=asked, fault=untold, path=_path(asked, "system"))
    if asked.system not in (None, system):
        return Verdict(asked=asked, fault="The code is of another system.", path=_path(asked, "system"))
    concept = content.concept(system, asked.code)
    if concept is None or (members is not None and (system, asked.code) not in members):
        place = "code system" if members is None else "value set"
        return Verdict(asked=asked, fault=f"The code is not in the {place}.", path=_path(asked, "code"))
    if content.is_own(system) and asked.version not in (None, content.system.version):
        there = f"The code was found in version {content.system.version}, not in the one that was named."
        return Verdict(asked=asked, concept=concept, fault=there, path=_path(asked, "version"))
    return _displayed(asked, concept)


def _judged_abroad(content: Content, asked: Coding, system: str) -> Verdict:
    """Nobody here knows all of another's code system: only what is known to be in it can be judged."""
    if asked.system not in (None, system):
        return Verdict(asked=asked, fault="The code is of another system.", path=_path(asked, "system"))
    named = Coding(code=asked.code, system=system, version=asked.version, where=asked.where)
    return _displayed(asked, found(content, named))


def _displayed(asked: Coding, concept: Concept) -> Verdict:
    if asked.display is None or _alike(asked.display, concept.display):
        return Verdict(asked=asked, concept=concept)
    return Verdict(
        asked=asked,
        concept=concept,
        fault=f"The display is incorrect: that of {concept.code} is '{concept.display}'.",
        issue="invalid",
        path=_path(asked, "display"),
    )


def _alike(one: str, other: str) -> bool:
    """Displays are words for people: case and the width of gaps say nothing."""
    return " ".join(one.split()).casefold() == " ".join(other.split()).casefold()


def _path(asked: Coding, name: str) -> str:
    return f"{asked.path}.{name}" if asked.path else name


def _answer(content: Content, inputs: Inputs, verdicts: Sequence[Verdict]) -> Json:
    """Right where one of the codings is, and none that is there is said wrongly."""
    there = [each for each in verdicts if each.concept is not None]
    faults = [each for each in there if each.fault is not None] or ([] if there else list(verdicts))
    best = next((each for each in there if each.fault is None), there[0] if there else verdicts[0])
    notes = [each.fault for each in faults if each.fault is not None]
    if inputs.has("displayLanguage"):
        notes.append(ONE_LANGUAGE)
    return parameters(
        [
            part("result", "Boolean", not faults),
            part("message", "String", " ".join(notes)) if notes else None,
            None if best.concept is None else part("display", "String", best.concept.display),
            *_more(content.fhir, inputs, verdicts, best, faults),
        ]
    )


def _more(
    fhir: Fhir, inputs: Inputs, verdicts: Sequence[Verdict], best: Verdict, faults: Sequence[Verdict]
) -> list[Json]:
    """What R5 tells besides."""
    if fhir == "R4":
        return []
    told: list[Json] = []
    concept = best.concept
    if concept is not None and not inputs.has("codeableConcept"):
        told += [part("code", "Code", concept.code), part("system", "Uri", concept.system)]
        told += [] if concept.version is None else [part("version", "String", concept.version)]
    if inputs.has("codeableConcept"):
        right = [each.concept for each in verdicts if each.concept is not None and each.fault is None]
        found = [coding(each.system, each.code, each.display, each.version) for each in right]
        told += [part("codeableConcept", "CodeableConcept", {"coding": found})] if found else []
    if faults:
        told.append({"name": "issues", "resource": _issues(faults)})
    return told


def _issues(faults: Sequence[Verdict]) -> Json:
    return {
        "resourceType": "OperationOutcome",
        "issue": [
            {
                "severity": "error",
                "code": each.issue,
                "details": {"text": each.fault},
                "expression": [each.path],
            }
            for each in faults
        ],
    }
