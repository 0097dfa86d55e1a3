"""What is to be said about a resource, each with the place in it; and reading JSON that may be anything."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final, Literal

from msgspec import Struct

Severity = Literal["error", "warning", "information"]

#: More than this about one resource help nobody; a hostile one could otherwise make a hundred thousand.
MOST: Final = 50


class Fault(Struct, frozen=True):
    """One issue of an OperationOutcome. `code` is of R4's issue-type; `expression` the FHIRPath of the element, in the
    subset of names and indices that OperationOutcome.issue.expression takes. `text` holds nothing that was sent, but
    for numbers, units and codes."""

    severity: Severity
    code: str
    expression: str
    text: str


class Notes:
    """Collects the faults of one resource, each once."""

    __slots__ = ("faults", "refused")

    def __init__(self) -> None:
        self.faults: list[Fault] = []
        self.refused = False

    def refuse(self, path: str, code: str, text: str) -> None:
        """The resource can't be taken because of this."""
        self.refused = True
        self._say(Fault("error", code, path, text))

    def warn(self, path: str, text: str, code: str = "informational") -> None:
        """The resource can be taken, and this is not."""
        self._say(Fault("warning", code, path, text))

    def tell(self, path: str, text: str) -> None:
        self._say(Fault("information", "informational", path, text))

    def _say(self, fault: Fault) -> None:
        if fault not in self.faults and (len(self.faults) < MOST or fault.severity == "error"):
            if len(self.faults) >= MOST:
                self.faults = [one for one in self.faults if one.severity == "error"][: MOST - 1]
            self.faults.append(fault)

    # Reading what may be of any shape

    def text(self, holder: dict[str, Any], name: str, path: str) -> str | None:
        """The text of an element; None where there is none."""
        value = holder.get(name)
        if value is None:
            return None
        if isinstance(value, str) and value.strip():
            return value
        self.refuse(f"{path}.{name}", "structure", "This element is text in FHIR, and not empty.")
        return None

    def object(self, holder: dict[str, Any], name: str, path: str) -> dict[str, Any] | None:
        value = holder.get(name)
        if value is None:
            return None
        if isinstance(value, dict) and value:
            return value
        self.refuse(f"{path}.{name}", "structure", "This element is an object in FHIR, and not empty.")
        return None

    def objects(self, holder: dict[str, Any], name: str, path: str) -> Iterator[tuple[dict[str, Any], str]]:
        """The objects of a list, each with its own path."""
        value = holder.get(name)
        if value is None:
            return
        if not isinstance(value, list) or not value:
            self.refuse(f"{path}.{name}", "structure", "This element is a list in FHIR, and not empty.")
            return
        for place, one in enumerate(value):
            here = f"{path}.{name}[{place}]"
            if isinstance(one, dict) and one:
                yield one, here
            else:
                self.refuse(here, "structure", "This element is an object in FHIR, and not empty.")
