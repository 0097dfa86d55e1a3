"""What names a patient, or what was charted of one; and where a text shows such a thing."""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any, NamedTuple

from tests.house.repository import ROOT
from tests.journals.seeded import journal
from tests.web.ward import BED, reading

#: Fields whose `value` is the identifier.
_IDENTIFIED = ("patient", "encounter", "observer")
#: Fields that are one themselves: of a device, or a nurse's own words; and what names a record or a thing.
_PLAIN = frozenset(("serial", "lot", "hrf", "device_identifier", "note", "reason"))
RECORDS = frozenset(("id", "drain", "collector", "corrects", "retracts"))
#: The generated journals whose identifiers are always looked for; of others, those that are sent by HTTP.
JOURNALS = 20
SHORTEST = 3

_RUN = re.compile(r"[^\W_]+")


class Identifier(NamedTuple):
    """`kind` is the record's field, `text` its value."""

    kind: str
    text: str


def named_in(raw: Any) -> Iterator[Identifier]:
    """All identifiers of a record, or of whatever else JSON holds."""
    if isinstance(raw, list):
        for one in raw:
            yield from named_in(one)
    if not isinstance(raw, dict):
        return
    for field, value in raw.items():
        if field in _IDENTIFIED and isinstance(value, dict):
            value = value.get("value")
        elif field not in _PLAIN | RECORDS:
            yield from named_in(value)
            continue
        if isinstance(value, str):
            yield Identifier(field, value)


def named_in_lines(lines: Iterable[bytes]) -> Iterator[Identifier]:
    """Those of records as NDJSON; what is no JSON names nobody."""
    for line in lines:
        try:
            raw = json.loads(line)
        except (ValueError, RecursionError):
            continue
        yield from named_in(raw)


@cache
def of_the_fixtures() -> frozenset[Identifier]:
    """Those of fixtures/, of the tests' own bed and of generated journals."""
    found: set[Identifier] = set()
    for path in sorted((ROOT / "fixtures").rglob("*.ndjson")):
        found.update(named_in_lines(path.read_bytes().splitlines()))
    found.update(named_in([*BED, reading("r-1", 7, 40)]))
    for seed in range(JOURNALS):
        found.update(named_in(journal(seed)))
    return frozenset(found)


@cache
def own_words() -> frozenset[str]:
    """The words of the service's own sources, which it may say whatever a nurse writes."""
    sources = (ROOT / "service" / "drainledger").rglob("*.py")
    return frozenset(word.lower() for path in sources for word in _RUN.findall(path.read_text("utf-8")))


def is_distinctive(identifier: Identifier) -> bool:
    """Whether a text that shows it can have it from nowhere else: a letter and a digit, or words, not all of which are
    the service's own."""
    text = identifier.text
    if len(text) < SHORTEST:
        return False
    if any(sign.isdigit() for sign in text) and any(sign.isalpha() for sign in text):
        return True
    words = _RUN.findall(text.lower())
    return len(words) > 2 or any(len(word) > 3 and word not in own_words() for word in words)


class Search:
    """Finds identifiers that stand in a text between other signs than letters and digits: `P-1` in `Patient/P-1`, not
    in `P-10`. Whatever their number, a text is read once."""

    def __init__(self, identifiers: Iterable[Identifier]) -> None:
        self._kinds: dict[str, str] = {}
        self._lengths: defaultdict[str, set[int]] = defaultdict(set)
        for identifier in filter(is_distinctive, identifiers):
            for form in {identifier.text, json.dumps(identifier.text)[1:-1]}:
                self._add(identifier.kind, form)

    def __len__(self) -> int:
        return len(self._kinds)

    def _add(self, kind: str, form: str) -> None:
        runs = _RUN.findall(form)
        if runs:
            self._kinds[_trimmed(form)] = kind
            self._lengths[runs[0]].add(len(runs))

    def found_in(self, text: str) -> set[Identifier]:
        runs = list(_RUN.finditer(text))
        found: set[Identifier] = set()
        for place, run in enumerate(runs):
            for length in self._lengths.get(run[0], ()):
                if place + length <= len(runs):
                    shown = text[run.start() : runs[place + length - 1].end()]
                    if shown in self._kinds:
                        found.add(Identifier(self._kinds[shown], shown))
        return found


def _trimmed(form: str) -> str:
    """From its first letter or digit to its last."""
    runs = list(_RUN.finditer(form))
    return form[runs[0].start() : runs[-1].end()]
