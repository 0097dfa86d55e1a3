"""One Observation as far as it has been read: what of it goes into a record, and where each part of that stands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec import Struct, field

from drainledger.fhir.reading.desk import Desk
from drainledger.fhir.reading.notes import Notes

Json = dict[str, Any]


class Seen(Struct, eq=False):
    """`path` is the FHIRPath of the Observation, `code` its local code. `fields` are the record's own by name, as the
    contract nests them; `places` the expressions of their JSON pointers; `number` is the drain's, with its path."""

    resource: Json
    path: str
    desk: Desk
    notes: Notes = field(default_factory=Notes)
    code: str = ""
    ident: str | None = None
    at: str | None = None
    begun: str | None = None
    drain: str | None = None
    collector: str | None = None
    recorded_at: str | None = None
    observer: Json | None = None
    note: str | None = None
    number: tuple[str, str] | None = None
    fields: Json = field(default_factory=dict)
    places: dict[str, str] = field(default_factory=dict)

    def put(self, pointer: str, value: Any, path: str) -> None:
        """Sets what the JSON pointer names, two steps deep at most. `path` is where it was stated."""
        first, _, second = pointer.removeprefix("/").partition("/")
        if second:
            self.fields.setdefault(first, {})[second] = value
        else:
            self.fields[first] = value
        self.places[pointer] = path

    def put_quantity(self, pointer: str, value: Json, path: str, stated: Json) -> None:
        """`stated` is the Quantity that it was read from."""
        self.put(pointer, value, path)
        self.places[f"{pointer}/value"] = f"{path}.value"
        self.places[f"{pointer}/unit"] = f"{path}.code" if "code" in stated else f"{path}.unit"


def expression_of(places: Mapping[str, str], pointer: str, otherwise: str) -> str:
    """Where what a JSON pointer into the record names was stated, as near as is known."""
    while pointer:
        if pointer in places:
            return places[pointer]
        pointer = pointer.rpartition("/")[0]
    return otherwise
