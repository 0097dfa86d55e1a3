"""What lies in a mappings folder and is read by nobody: a misspelt name must not switch a file off unseen."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final

from drainledger.mapping.errors import MappingError

FILES: Final = ("units.toml", "codes.toml", "windows.toml", "attention.toml", "sources.toml")
COLLECTORS: Final = "collectors"
#: Each holds files of its own, which whoever reads them checks.
FOLDERS: Final = (COLLECTORS, "sources", "destinations")


def strays(folder: Path) -> Iterator[MappingError]:
    """A fault for each entry of a mappings folder, and of its collectors, that has no meaning there, by name.

    What hides its name with a dot, an editor's backup (`~`) and Markdown are nobody's mapping, and left alone.
    """
    for entry in _entries(folder):
        if entry.is_dir():
            if entry.name not in FOLDERS:
                yield _misnamed(entry, "is no folder of mappings", FOLDERS)
        elif entry.name not in FILES:
            yield misnamed_file(entry)
    yield from filter(None, map(misnamed_profile, _entries(folder / COLLECTORS)))


def misnamed_file(file: Path) -> MappingError:
    """A file that is none of FILES."""
    return _misnamed(file, "is no mapping file by its name", FILES)


def misnamed_profile(entry: Path) -> MappingError | None:
    """What is wrong with the name of something in collectors/."""
    if entry.is_dir():
        text = "is a folder among collector profiles, where nothing is read. Move its files up, or out."
    elif entry.suffix != ".toml":
        near = entry.name.lower().partition(".")[0]
        text = f"is no collector profile by its name; did you mean '{near}.toml'? Rename it, or move it out."
    else:
        return None
    return MappingError(str(entry), "", 0, text)


def _entries(folder: Path) -> list[Path]:
    if not folder.is_dir():
        return []
    return sorted(entry for entry in folder.iterdir() if not _is_remark(entry.name))


def _is_remark(name: str) -> bool:
    return name.startswith(".") or name.endswith(("~", ".md"))


def _misnamed(entry: Path, fault: str, known: Iterable[str]) -> MappingError:
    names = list(known)
    close = difflib.get_close_matches(entry.name.lower(), names, n=1)
    advice = f"did you mean '{close[0]}'?" if close else f"known: {', '.join(names)}."
    return MappingError(str(entry), "", 0, f"{fault}; {advice} Rename it, or move it out of the folder.")
