"""The examples of a page of Markdown: the commands of its blocks, each with the lines that the page says it prints."""

from __future__ import annotations

import re
from typing import NamedTuple

HERE_DOCUMENT = re.compile(r"<<'(\w+)'")


class Step(NamedTuple):
    """A command with its here-document, and the lines that the page says it prints."""

    command: str
    printed: str


def steps(markdown: str, language: str = "console") -> list[Step]:
    """The commands of all blocks of `language`, in order."""
    found: list[Step] = []
    for block in re.findall(rf"^```{language}\n(.*?)^```$", markdown, re.MULTILINE | re.DOTALL):
        lines = iter(block.splitlines(keepends=True))
        command, printed = "", ""
        for line in lines:
            if line.startswith("$ "):
                if command:
                    found.append(Step(command, printed))
                command, printed = line[2:], ""
                if here := HERE_DOCUMENT.search(line):
                    for inside in lines:
                        command += inside
                        if inside.strip() == here[1]:
                            break
            else:
                printed += line
        found.append(Step(command, printed))
    return found
