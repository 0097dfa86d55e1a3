"""What an Observation of each code says, in the fields of a record (DESIGN 3)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from drainledger.fhir.reading.concepts import DATA_ABSENT, codings, local_code, read_word
from drainledger.fhir.reading.quantity import read_grade, read_quantity
from drainledger.fhir.reading.seen import Json, Seen
from drainledger.fhir.reading.when import PANEL

#: Worked out here from what is read: taken from others, it would count twice or contradict the ledger.
COMPUTED: Final = frozenset(
    {
        *("output-rate", "output-rate-per-weight", "running-total", "charted-total", "charted-net"),
        "time-since-air-leak",
    }
)
#: The kind of event that each of these codes is; all others are readings.
EVENTS: Final = {
    "sample-withdrawn": "sampled",
    "irrigant-instilled": "irrigated",
    "volume-reinfused": "reinfused",
    "suction-prescribed": "suction-prescribed",
}
#: How a level that nobody could read is said: DESIGN 3 `level_not_read`.
_NOT_READ: Final = ("foam", "covered", "tilted")
_COUNT: Final = "device-count"
_CHARTED: Final = "charted-amount"


def read_values(seen: Seen) -> None:
    """Value, method and components of a known code into `fields`."""
    _READERS[seen.code](seen)
    _check_derived(seen)


# What stands in a value


def _quantity(seen: Seen, pointer: str, *, absent: Callable[[Seen], bool] | None = None) -> bool:
    """Whether there was a Quantity."""
    raw = _value(seen, "valueQuantity", absent)
    if raw is None:
        return False
    found = read_quantity(seen.notes, seen.desk.units, raw, f"{seen.path}.value")
    if found is not None:
        seen.put_quantity(pointer, found, f"{seen.path}.value", raw)
    return True


def _word(seen: Seen, pointer: str, kind: str, *, not_assessed: bool = True) -> bool:
    raw = _value(seen, "valueCodeableConcept", _not_performed if not_assessed else None)
    if raw is not None:
        word = read_word(seen.notes, seen.desk, raw, f"{seen.path}.value", kind)
        if word is not None:
            seen.put(pointer, word, f"{seen.path}.value")
        return True
    if not_assessed and _is_absent(seen) and _not_performed(seen):
        seen.put(pointer, "not-assessed", f"{seen.path}.dataAbsentReason")
    return False


def _value(seen: Seen, wanted: str, absent: Callable[[Seen], bool] | None) -> Json | None:
    """The value of the wanted type. Refused: another type, a value beside a reason for its absence (obs-6), a reason
    that the code has no place for."""
    for name in ("valueQuantity", "valueCodeableConcept"):
        if name != wanted and name in seen.resource:
            kind = wanted.removeprefix("value")
            seen.notes.refuse(f"{seen.path}.value", "value", f"What this code says is a {kind}.")
    if _is_absent(seen):
        path = f"{seen.path}.dataAbsentReason"
        if wanted in seen.resource:
            seen.notes.refuse(
                path, "invariant", "There is a value and also a reason why there is none (obs-6)."
            )
            return None
        if absent is None or not absent(seen):
            seen.notes.refuse(path, "not-supported", _ABSENT.get(seen.code, "Leave out what was not read."))
        return None
    return seen.notes.object(seen.resource, wanted, seen.path)


_ABSENT: Final = {
    "chamber-level": "A level that could not be read says why: put one of the words foam, covered or tilted in "
    "dataAbsentReason.text, or send nothing.",
    "interval-output": "An amount that is not known is not sent: the ledger tells where output is not known.",
    "bubbling-pattern": "What was not assessed has the reason not-performed.",
    "tidaling": "What was not assessed has the reason not-performed.",
    "patency": "What was not assessed has the reason not-performed.",
    "volume-reinfused": "A volume that is not known has the reason unknown.",
}


def _is_absent(seen: Seen) -> bool:
    return seen.resource.get("dataAbsentReason") is not None


def _reason(seen: Seen) -> list[str]:
    raw = seen.notes.object(seen.resource, "dataAbsentReason", seen.path)
    return [] if raw is None else codings(seen.notes, raw, f"{seen.path}.dataAbsentReason", DATA_ABSENT)


def _not_performed(seen: Seen) -> bool:
    return _reason(seen) == ["not-performed"]


def _unknown(seen: Seen) -> bool:
    return _reason(seen) in (["unknown"], ["asked-unknown"])


def _required(seen: Seen, found: bool) -> None:
    stated = _is_absent(seen) or any(name.startswith("value") for name in seen.resource)
    if not found and not stated:
        seen.notes.refuse(
            f"{seen.path}.value", "required", "There is no value here, so there is nothing to chart."
        )


# Codes


def _level(seen: Seen) -> None:
    methods = _methods(seen)
    pointer = "/counter" if methods == [_COUNT] else "/level"
    if _is_absent(seen):
        _value(seen, "valueQuantity", _says_why_not_read)
    else:
        _required(seen, _quantity(seen, pointer))
    scales = [code.removeprefix("scale-") for code in methods if code.startswith("scale-")]
    if len(scales) == 1:
        seen.put("/scale", scales[0], f"{seen.path}.method")
    if methods not in ([], [_COUNT]) and len(scales) != 1:
        _unknown_method(seen)
    _no_components(seen)


def _says_why_not_read(seen: Seen) -> bool:
    """The word in the reason's text, or the sentence in the note that this service writes itself."""
    raw = seen.resource["dataAbsentReason"]
    said = raw.get("text") if isinstance(raw, dict) else None
    notes = (seen.note or "").split("\n")
    for word in _NOT_READ:
        if isinstance(said, str) and said.strip().lower() == word:
            seen.put("/level_not_read", word, f"{seen.path}.dataAbsentReason")
            return True
        if f"Level not read: {word}." in notes:
            notes.remove(f"Level not read: {word}.")
            seen.note = "\n".join(notes) or None
            seen.put("/level_not_read", word, f"{seen.path}.note")
            return True
    return False


def _amount(seen: Seen) -> None:
    """An amount that was measured; what was worked out from levels is refused, for it is worked out here."""
    coded = seen.notes.object(seen.resource, "code", seen.path) or {}
    if not codings(seen.notes, coded, f"{seen.path}.code", "http://loinc.org"):
        _refuse_computed(seen)
    methods = _methods(seen)
    if methods not in ([], [_CHARTED]):
        seen.notes.refuse(
            f"{seen.path}.method",
            "business-rule",
            "This output was worked out from levels, and that is done here. Send the levels as they were read.",
        )
    _required(seen, _quantity(seen, "/volume"))
    _no_components(seen)


def _refuse_computed(seen: Seen) -> None:
    seen.notes.refuse(
        f"{seen.path}.code",
        "business-rule",
        "This is worked out here from what is read, and is not taken from others: send the levels as they were read, "
        "or an amount that was measured by LOINC 9129-8.",
    )


def _suction(name: str) -> Callable[[Seen], None]:
    def read(seen: Seen) -> None:
        components = _components(
            seen,
            {
                "suction-mode": lambda raw, path: _word_part(seen, raw, path, "/suction/mode", "mode"),
                "suction-indicator": lambda raw, path: _word_part(
                    seen, raw, path, "/suction/indicator", "indicator"
                ),
            },
        )
        # Set, and the reason for what is prescribed not being known, may be unsaid beside mode and indicator.
        found = _quantity(seen, f"/suction/{name}", absent=_unknown if name == "prescribed" else None)
        _required(seen, found or components)
        _no_method(seen)

    return read


def _pressure(seen: Seen) -> None:
    _required(seen, _quantity(seen, "/pressure"))
    _no_method(seen)
    _no_components(seen)


def _leak_parts(seen: Seen) -> bool:
    return _components(
        seen,
        {
            "leak-provoked-by": lambda raw, path: _word_part(
                seen, raw, path, "/air_leak/provoked", "provoked"
            ),
            "pinch-test-site": lambda raw, path: _pinched(seen, raw, path),
            "pinch-test-result": lambda raw, path: _pinch_result(seen, raw, path),
        },
    )


def _bubbling(seen: Seen) -> None:
    parts = _leak_parts(seen)
    _required(seen, _word(seen, "/air_leak/pattern", "bubbling") or parts)
    _no_method(seen)


def _grade(seen: Seen) -> None:
    _leak_parts(seen)
    raw = _value(seen, "valueQuantity", None)
    _required(seen, raw is not None)
    if raw is not None:
        value = read_grade(seen.notes, raw, f"{seen.path}.value")
        if value is not None:
            seen.put("/air_leak/grade", value, f"{seen.path}.value")
    if not _methods(seen):
        scales = [code for code in seen.desk.vocabulary.codes if code.startswith("leak-grade-")]
        seen.notes.refuse(
            f"{seen.path}.method",
            "required",
            "A grade without its scale means nothing. Say in method which leak meter was read, by one of "
            f"{', '.join(scales)}.",
        )


def check_scale(seen: Seen, drain: str) -> None:
    """The ledger reads a grade on the scale of the unit in place: another one would change what it means."""
    said = _methods(seen)
    if seen.code != "air-leak-grade" or not said:
        return
    known = set(seen.desk.directory.leak_scales(drain))
    path = f"{seen.path}.method"
    if not known:
        seen.notes.warn(
            path, "No unit of this drain is known yet: the grade is taken as one on its leak meter's scale."
        )
    elif len(said) != 1 or said[0] not in known:
        seen.notes.refuse(
            path,
            "business-rule",
            "No unit that this drain was on has this scale. Check which leak meter was read.",
        )


def _flow(seen: Seen) -> None:
    _leak_parts(seen)
    _required(seen, _quantity(seen, "/air_leak/flow"))
    _no_method(seen)


def _tidaling(seen: Seen) -> None:
    _components(
        seen,
        {
            "tidaling-swing": lambda raw, path: _quantity_part(seen, raw, path, "/tidaling/swing"),
        },
    )
    _required(seen, _word(seen, "/tidaling/state", "tidaling"))
    _no_method(seen)


def _patency(seen: Seen) -> None:
    _required(seen, _word(seen, "/patency", "patency"))
    _no_method(seen)
    _no_components(seen)


def _appearance(seen: Seen) -> None:
    """One word as the value, or several as components of the same code."""
    words: list[str] = []

    def take(raw: Json, path: str) -> None:
        concept = _part_value(seen, raw, path, "valueCodeableConcept")
        word = (
            None
            if concept is None
            else read_word(seen.notes, seen.desk, concept, f"{path}.value", "appearance")
        )
        if word is not None:
            words.append(word)

    parts = _components(seen, {"fluid-appearance": take}, repeats=True)
    raw = _value(seen, "valueCodeableConcept", None)
    if raw is not None:
        word = read_word(seen.notes, seen.desk, raw, f"{seen.path}.value", "appearance")
        words += [] if word is None else [word]
    _required(seen, parts)
    if words:
        seen.put("/appearance", words, f"{seen.path}.component" if parts else f"{seen.path}.value")
    _no_method(seen)


def _volume(seen: Seen) -> None:
    absent = _unknown if seen.code == "volume-reinfused" else None
    _required(seen, _quantity(seen, "/volume", absent=absent))
    _no_method(seen)
    _no_components(seen)


def _panel(seen: Seen) -> None:
    """No value of its own; the drain's number may stand beside."""
    for name in ("valueQuantity", "valueCodeableConcept", "dataAbsentReason"):
        if name in seen.resource:
            place = "value" if name.startswith("value") else name
            seen.notes.refuse(f"{seen.path}.{place}", "value", "A panel has no value: its members have.")
    _components(seen, {"drain-number": lambda raw, path: _drain_number(seen, raw, path)})
    _no_method(seen)


def _drain_number(seen: Seen, raw: Json, path: str) -> None:
    said = _part_text(seen, raw, path)
    seen.number = None if said is None else (said, path)


_READERS: Final[Mapping[str, Callable[[Seen], None]]] = {
    "chamber-level": _level,
    "interval-output": _amount,
    "suction-set": _suction("set"),
    "suction-applied": _suction("applied"),
    "suction-prescribed": _suction("prescribed"),
    "drain-pressure": _pressure,
    "air-leak-grade": _grade,
    "air-leak-flow": _flow,
    "bubbling-pattern": _bubbling,
    "tidaling": _tidaling,
    "patency": _patency,
    "fluid-appearance": _appearance,
    "sample-withdrawn": _volume,
    "irrigant-instilled": _volume,
    "volume-reinfused": _volume,
    PANEL: _panel,
}
TAKEN: Final = tuple(_READERS)


def check_code(seen: Seen) -> bool:
    """Whether the code is one that is taken; the reason is noted."""
    if seen.code in _READERS:
        return True
    if seen.code in COMPUTED:
        _refuse_computed(seen)
    else:
        seen.notes.refuse(
            f"{seen.path}.code",
            "not-supported",
            f"Nothing is read by this code. Taken are {', '.join(TAKEN)}.",
        )
    return False


# Methods and components


def _methods(seen: Seen) -> list[str]:
    """The local codes of the method. One that says nothing by these is told as not kept."""
    raw = seen.notes.object(seen.resource, "method", seen.path)
    if raw is None:
        return []
    path = f"{seen.path}.method"
    found = codings(seen.notes, raw, path, seen.desk.vocabulary.system)
    if not found:
        seen.notes.warn(path, "This method is by none of the project's own codes, so it is not kept.")
    return found


def _no_method(seen: Seen) -> None:
    if _methods(seen):
        _unknown_method(seen)


def _unknown_method(seen: Seen) -> None:
    seen.notes.warn(f"{seen.path}.method", "This code has no place for this method, so it is not kept.")


def _check_derived(seen: Seen) -> None:
    if seen.resource.get("derivedFrom") is None:
        return
    path = f"{seen.path}.derivedFrom"
    if seen.code == "interval-output":
        seen.notes.refuse(
            path,
            "business-rule",
            "What is derived from other Observations is worked out here. Send those, or an amount that was measured.",
        )
    else:
        seen.notes.warn(path, "What this was derived from is not kept.")


_Part = Callable[[Json, str], None]


def _components(seen: Seen, known: Mapping[str, _Part], *, repeats: bool = False) -> bool:
    """Reads each component by its code; whether there was one. One that is not understood is refused, for it holds
    something that was observed."""
    done: set[str] = set()
    for raw, path in seen.notes.objects(seen.resource, "component", seen.path):
        concept = seen.notes.object(raw, "code", path)
        if concept is None:
            seen.notes.refuse(f"{path}.code", "required", "A component has a code.")
            continue
        code = local_code(seen.notes, seen.desk, concept, f"{path}.code")
        if code is None:
            continue
        if code not in known:
            seen.notes.refuse(
                f"{path}.code", "not-supported", "This component has no place in what the code says."
            )
        elif code in done and not repeats:
            seen.notes.refuse(path, "duplicate", "This component stands here twice.")
        else:
            _check_part(seen, raw, path)
            known[code](raw, path)
        done.add(code)
    return bool(done)


def _no_components(seen: Seen) -> None:
    _components(seen, {})


_PART_KNOWN: Final = ("id", "code", "dataAbsentReason")


def _check_part(seen: Seen, raw: Json, path: str) -> None:
    for name in raw:
        if name in _PART_KNOWN or name.startswith("value"):
            continue
        if name in ("extension", "interpretation", "referenceRange") or name.startswith("_"):
            seen.notes.warn(path, "Of a component only code and value are kept.")
        elif name == "modifierExtension":
            text = "An extension here may change the meaning of the rest, and it is not understood."
            seen.notes.refuse(f"{path}.{name}", "not-supported", text)
        else:
            seen.notes.refuse(path, "structure", "A component has an element here that FHIR does not know.")


def _part_value(seen: Seen, raw: Json, path: str, wanted: str) -> Any:
    """The value of the wanted type, None with the reason noted."""
    kinds = [name for name in raw if name.startswith("value")]
    if kinds == [wanted] and raw.get("dataAbsentReason") is None:
        return (
            seen.notes.text(raw, wanted, path)
            if wanted == "valueString"
            else seen.notes.object(raw, wanted, path)
        )
    seen.notes.refuse(
        f"{path}.value", "value", f"This component needs a {wanted.removeprefix('value')}, and no other."
    )
    return None


def _part_text(seen: Seen, raw: Json, path: str) -> str | None:
    found: str | None = _part_value(seen, raw, path, "valueString")
    return found


def _word_part(seen: Seen, raw: Json, path: str, pointer: str, kind: str) -> None:
    if kind == "indicator" and not any(name.startswith("value") for name in raw):
        absent = seen.notes.object(raw, "dataAbsentReason", path) or {}
        if codings(seen.notes, absent, f"{path}.dataAbsentReason", DATA_ABSENT) == ["not-performed"]:
            seen.put(pointer, "not-assessed", f"{path}.dataAbsentReason")
            return
    concept = _part_value(seen, raw, path, "valueCodeableConcept")
    word = None if concept is None else read_word(seen.notes, seen.desk, concept, f"{path}.value", kind)
    if word is not None:
        seen.put(pointer, word, f"{path}.value")


def _quantity_part(seen: Seen, raw: Json, path: str, pointer: str) -> None:
    stated = _part_value(seen, raw, path, "valueQuantity")
    found = None if stated is None else read_quantity(seen.notes, seen.desk.units, stated, f"{path}.value")
    if found is not None:
        seen.put_quantity(pointer, found, f"{path}.value", stated)


def _pinched(seen: Seen, raw: Json, path: str) -> None:
    text = _part_text(seen, raw, path)
    if text is not None:
        _test(seen)["pinched"] = text
        seen.places["/air_leak/test/pinched"] = f"{path}.value"


def _pinch_result(seen: Seen, raw: Json, path: str) -> None:
    concept = _part_value(seen, raw, path, "valueCodeableConcept")
    word = None if concept is None else read_word(seen.notes, seen.desk, concept, f"{path}.value", "pinch")
    if word is not None:
        _test(seen)["bubbling"] = word
        seen.places["/air_leak/test/bubbling"] = f"{path}.value"


def _test(seen: Seen) -> Json:
    test: Json = seen.fields.setdefault("air_leak", {}).setdefault("test", {})
    seen.places["/air_leak/test"] = f"{seen.path}.component"
    return test
