"""What mappings/README.md says to write is taken when it is written."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from drainledger.mapping import check_mapping, load_mappings, shipped_folder
from tests.convert import cli, journals

GUIDE = (shipped_folder() / "README.md").read_text(encoding="utf-8")
#: The file that each section with a snippet speaks of.
FILE_OF = {"Add a unit": "units.toml", "Add a window": "windows.toml", "Priorities": "sources.toml"}


def snippets() -> list[tuple[str, str]]:
    """(section, text) of every indented block that is no command."""
    found = []
    for section in GUIDE.split("\n## ")[1:]:
        heading = section.partition("\n")[0]
        for block in re.findall(r"(?:^    .*\n(?:\n(?=    ))?)+", section, re.MULTILINE):
            text = re.sub(r"^    ", "", block, flags=re.MULTILINE)
            if not text.startswith("drainledger "):
                found.append((heading, text))
    return found


def test_every_snippet_is_found_and_its_file_is_known() -> None:
    assert [heading for heading, _ in snippets()] == list(FILE_OF)
    inside = [line for line in GUIDE.splitlines() if line.startswith("    ") and "drainledger " not in line]
    assert sum(text.count("\n") for _, text in snippets()) == len(inside)


@pytest.mark.parametrize(("heading", "text"), snippets(), ids=lambda value: value[:16])
def test_a_pasted_snippet_loads_and_changes_what_is_loaded(tmp_path: Path, heading: str, text: str) -> None:
    folder = tmp_path / "mappings"
    shutil.copytree(shipped_folder(), folder)
    file = folder / FILE_OF[heading]
    before = file.read_text(encoding="utf-8") if file.exists() else ""
    file.write_text(before + "\n" + text, encoding="utf-8")
    assert check_mapping(folder) == []
    shipped, loaded = load_mappings(), load_mappings(folder)
    if heading == "Add a unit":
        assert (shipped.units.code("BAR"), loaded.units.code("BAR")) == ("BAR", "bar")
    else:
        assert loaded.rules.version != shipped.rules.version


def test_an_edit_changes_what_convert_makes_of_the_same_records(tmp_path: Path) -> None:
    """The guide: convert keeps nothing between runs. 90 mL after 94 mL is within 4 mL, not within 2 mL."""
    folder = tmp_path / "mappings"
    shutil.copytree(shipped_folder(), folder)
    profile = folder / "collectors" / "adult-single.toml"
    content = profile.read_text(encoding="utf-8")
    profile.write_text(content.replace("tolerance_graduations = 2", "tolerance = 2"), encoding="utf-8")
    journal = [*journals.start(), journals.reading("r-1", "07:00", 94), journals.reading("r-2", "08:00", 90)]
    for more, outputs in (((), ["94", "0"]), (("--mappings", str(folder)), ["94", None])):
        (drain,) = json.loads(cli.convert(journal, *more).stdout)["drains"]
        assert [interval["output_ml"] for interval in drain["intervals"]] == outputs
