"""Reads a folder of mappings whole, checks its files against each other, and names the version by its content."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Final

import msgspec
from msgspec import Struct

from drainledger.domain.collectors import Profile, Rules
from drainledger.domain.quantities import Units
from drainledger.mapping import attention, codes, files, priorities, profiles, units, windows
from drainledger.mapping.codes import Code
from drainledger.mapping.errors import Fault, MappingError
from drainledger.mapping.lines import key_lines, line_of
from drainledger.mapping.stray import COLLECTORS, misnamed_file, misnamed_profile, strays

_PACKAGE: Final = Path(__file__).resolve().parents[1]


class Mappings(Struct, frozen=True, kw_only=True):
    """What mappings/ says: `rules` judge records, `units` take quantities in, `codes` name what comes out."""

    rules: Rules
    units: Units
    codes: Mapping[str, Code]


def shipped_folder() -> Path:
    """The mappings inside the installed package, else those of the repository it runs from."""
    installed = _PACKAGE / "_mappings"
    return installed if installed.is_dir() else _PACKAGE.parents[1] / "mappings"


def load_mappings(folder: Path | None = None) -> Mappings:
    """The mappings of `folder`, or those shipped.

    The unit codes of a folder of one's own are checked one by one; those shipped are checked by the tests, for the
    unit library takes most of a second to load. Raises MappingError.
    """
    place = folder or shipped_folder()
    if not os.path.isdir(place):  # noqa: PTH112 - a name too long is no folder either, and Path.is_dir raises
        raise MappingError(str(place), "", 0, "is not a folder; name the folder that holds units.toml")
    for stray in strays(place):
        raise stray
    found_codes = files.read(place / "codes.toml", codes.CodesFile, codes.check).domain()
    unit_checks = _check_units if folder else units.check
    return Mappings(
        rules=_rules(place, found_codes),
        units=files.read(place / "units.toml", units.UnitsFile, unit_checks).domain(),
        codes=found_codes,
    )


def check_mapping(path: Path) -> list[MappingError]:
    """Every fault of one mapping file, or of a whole folder; empty when there is none.

    Raises MappingError where there is neither."""
    if not os.path.exists(path):  # noqa: PTH110 - a name too long is not there either, and Path.exists raises
        raise MappingError(
            str(path), "", 0, "is not there; name a mapping file, or the folder of all of them"
        )
    if path.is_dir():
        found = [*strays(path), *(fault for file in _files(path) for fault in check_mapping(file))]
        if found:
            return found
        try:
            load_mappings(path)
        except MappingError as error:
            return [error]
        return []
    if path.parent.name == COLLECTORS:
        misnamed = misnamed_profile(path)
        return (
            [misnamed]
            if misnamed
            else files.faults(path, profiles.ProfileFile, partial(profiles.check, path))
        )
    if path.name == "units.toml":
        return files.faults(path, units.UnitsFile, _check_units)
    if path.name == "codes.toml":
        return files.faults(path, codes.CodesFile, codes.check)
    if path.name == "windows.toml":
        return files.faults(path, windows.WindowsFile, windows.check)
    if path.name == "attention.toml":
        return files.faults(path, attention.AttentionFile, attention.check)
    if path.name == priorities.FILE:
        return files.faults(path, priorities.SourcesFile, _nothing_more)
    return [misnamed_file(path)]


def _files(folder: Path) -> Iterator[Path]:
    for name in ("units.toml", "codes.toml", "windows.toml", "attention.toml"):
        yield folder / name
    if (folder / priorities.FILE).exists():
        yield folder / priorities.FILE
    yield from sorted((folder / "collectors").glob("*.toml"))


def _rules(folder: Path, found_codes: Mapping[str, Code]) -> Rules:
    day = files.read(folder / "windows.toml", windows.WindowsFile, windows.check)
    sources = folder / priorities.FILE
    rules = Rules(
        version="",
        profiles=dict(_profiles(folder / "collectors", found_codes)),
        windows=day.specs(),
        grace=day.grace(),
        attention=files.read(folder / "attention.toml", attention.AttentionFile, attention.check).domain(),
        priorities=files.read(sources, priorities.SourcesFile, _nothing_more).priorities
        if sources.exists()
        else {},
    )
    return msgspec.structs.replace(rules, version=content_hash(rules))


def content_hash(rules: Rules) -> str:
    """SHA-256, in hex, of everything in `rules` but the version itself: the same whatever the layout of the files."""
    unnamed = msgspec.structs.replace(rules, version="")
    return hashlib.sha256(msgspec.json.encode(unnamed, order="sorted")).hexdigest()


def _profiles(folder: Path, found_codes: Mapping[str, Code]) -> Iterator[tuple[str, Profile]]:
    found = sorted(folder.glob("*.toml"))
    if not found:
        raise MappingError(str(folder), "", 0, "holds no collector profile")
    for file in found:
        profile = files.read(file, profiles.ProfileFile, partial(profiles.check, file)).profile()
        _check_leak_scale(file, profile, found_codes)
        yield profile.id, profile


def _check_leak_scale(file: Path, profile: Profile, found_codes: Mapping[str, Code]) -> None:
    scale = profile.air_leak_scale
    if scale is None or (scale.name in found_codes and found_codes[scale.name].kind == "leak-scale"):
        return
    fault = Fault(("air_leak_scale", "name"), "has no entry under [leak_scale] in codes.toml")
    raise fault.at(str(file), line_of(key_lines(file.read_text(encoding="utf-8")), fault.path))


def _check_units(content: units.UnitsFile) -> Iterator[Fault]:
    yield from units.check(content)
    yield from units.check_codes(content)


def _nothing_more(content: object) -> Iterator[Fault]:
    return iter(())
