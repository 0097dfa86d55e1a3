"""Why an operation or a search over the conformance set can't be answered."""

from __future__ import annotations

from collections.abc import Sequence


class TerminologyRefused(Exception):
    """`issue` is of issue-type: not-found, invalid, required, value, not-supported; `where` are expressions:
    `http.NAME` for a parameter of the URL, FHIRPath into the Parameters that were sent."""

    def __init__(self, issue: str, text: str, where: Sequence[str] = ()) -> None:
        super().__init__(text)
        self.issue = issue
        self.text = text
        self.where = tuple(where)
