"""What can't be searched for."""

from __future__ import annotations


class SearchRefused(Exception):
    """`issue` is an issue-type code, `parameter` the parameter's name, None where it may not be said again; `text`
    says what to write instead. What was asked for is not in it: it can be a patient's number."""

    def __init__(self, issue: str, parameter: str | None, text: str) -> None:
        super().__init__(issue, parameter)
        self.issue = issue
        self.parameter = parameter
        self.text = text

    def __str__(self) -> str:
        return self.text
