"""A broken mapping file is refused at load with file, key and line, and says what to do."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from drainledger.mapping import MappingError, check_mapping, load_mappings, shipped_folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "mappings"
    shutil.copytree(shipped_folder(), place)
    return place


SINGLE = "collectors/adult-single.toml"
BAG = "collectors/inline-bag.toml"
POWERED = "collectors/powered.toml"
LOINC_ON = "adding up its values gives the output"

#: file, what stands there, what is put in its place, the key named, a part of the text
FAULTS = [
    (SINGLE, 'reads = "level"', 'raeds = "level"', "raeds", "did you mean 'reads'?"),
    (SINGLE, 'reads = "level"', "", "reads", "is missing"),
    (SINGLE, 'reads = "level"', 'reads = "amount"', "reads", "'level'"),
    (SINGLE, 'id = "adult-single"', 'id = "adult"', "id", "'adult-single'"),
    (SINGLE, "step = 2 }", "step = 0 }", "chambers[0].graduations[0].step", "than or equal to 0.1"),
    (SINGLE, "step = 2 }", "step = 0.09 }", "chambers[0].graduations[0].step", "than or equal to 0.1"),
    (SINGLE, "step = 2 }", "step = 1e-400 }", "chambers[0].graduations[0].step", "too small"),
    (SINGLE, "capacity = 2000", "capacity = 1e999999", "chambers[0].capacity", "too large"),
    (SINGLE, "tolerance_graduations = 2", "tolerance_graduations = 6", "tolerance_graduations", "equal to 5"),
    (SINGLE, "tolerance_graduations = 2", "tolerance = 200.1", "tolerance", "at most 200 mL"),
    (POWERED, "tolerance_graduations = 2", "tolerance = 5.1", "tolerance", "at most 5 mL"),
    (SINGLE, "step = 2 }", "stap = 2 }", "chambers[0].graduations[0].stap", "did you mean 'step'?"),
    (
        SINGLE,
        "up_to = 500",
        "up_to = 2000",
        "chambers[0].graduations[1].up_to",
        "above that of the band before",
    ),
    (SINGLE, "up_to = 2000", "up_to = 1900", "chambers[0].graduations[1].up_to", "below the capacity"),
    (SINGLE, "capacity = 2000", "", "chambers[0].capacity", "is missing"),
    (SINGLE, "capacity = 2000", "capacity = true", "chambers[0].capacity", "a number"),
    (SINGLE, "capacity = 2000", "capacity = inf", "chambers[0].capacity", "finite"),
    (SINGLE, "capacity = 2000", "capacity = nan", "chambers[0].capacity", "finite"),
    (SINGLE, "capacity = 2000", 'capacity = "2000"', "chambers[0].capacity", "a number"),
    (SINGLE, "-20, ", "20, ", "suction_settings[2]", "negative"),
    (SINGLE, "relief_pressure = -50", "relief_pressure = -35", "relief_pressure", "never be reached"),
    (SINGLE, "relief_pressure = -50", "relief_pressure = 50", "relief_pressure", "negative"),
    (SINGLE, 'name = "leak-grade-0-5"', 'name = "leak-bubbles"', "air_leak_scale.name", "[leak_scale]"),
    (
        SINGLE,
        "tolerance_graduations = 2",
        "tolerance_graduations = 2\ntolerance = 4",
        "tolerance",
        "keep one",
    ),
    (SINGLE, "large_rise = 500", "large_rise = -1", "large_rise", "greater than 0"),
    (SINGLE, 'id = "A"', 'id = ""', "chambers[0].id", "pattern"),
    ("collectors/adult-dual.toml", 'id = "B"', 'id = "A"', "chambers[1].id", "earlier chamber"),
    (BAG, 'scales = ["gravity", "suction"]', "", "scales", "at least one scale"),
    (BAG, 'scales = ["gravity", "suction"]', 'scales = ["gravity", "gravity"]', "scales", "twice"),
    (POWERED, 'reads = "counter"', 'reads = "volume"', "counter", "does not go with"),
    ("collectors/infant.toml", "weight_kg = [0.3, 40]", "weight_kg = [40, 0.3]", "weight_kg", "lowest"),
    ("units.toml", 'code = "dL"', 'code = "dLL"', "units[3].code", "not a UCUM code"),
    ("units.toml", 'code = "dL"', 'code = "dm"', "units[3].measures", "does not measure volume"),
    (
        "units.toml",
        'spellings = ["cl"]',
        'spellings = ["cl", "cc"]',
        "units[4].spellings[1]",
        "stands here twice",
    ),
    ("units.toml", 'spellings = ["st", "stone"]', 'spellings = ["lb"]', "ambiguous[3].spellings[0]", "twice"),
    ("units.toml", 'code = "cL"', 'code = "dL"', "units[4].code", "table of its own"),
    ("windows.toml", 'start = "19:00"', 'start = "25:00"', "windows[2].start", "wall time"),
    ("windows.toml", 'start = "19:00"', "start = 1900", "windows[2].start", "wall time"),
    ("windows.toml", 'name = "shift-night"', 'name = "shift-day"', "windows[2].name", "earlier window"),
    (
        "windows.toml",
        "grace_minutes = 30",
        "grace_minutes = -1",
        "grace_minutes",
        "greater than or equal to 0",
    ),
    (
        "attention.toml",
        "[rules.large-rise]",
        "[rules.large-raise]",
        "rules.large-raise",
        "did you mean 'large-rise'?",
    ),
    (
        "attention.toml",
        "share = 0.9",
        "shore = 0.9",
        "rules.chamber-nearly-full.values.shore",
        "did you mean 'share'?",
    ),
    ("attention.toml", "share = 0.9", "", "rules.chamber-nearly-full.on", "without a local value for share"),
    (
        "attention.toml",
        "minutes = 60\n\n# ---",
        "minutes = 0\n\n# ---",
        "rules.still-clamped.values.minutes",
        "than 0",
    ),
    ("attention.toml", "share = 0.9", "share = 1.1", "rules.chamber-nearly-full.values.share", "at most 1"),
    ("attention.toml", "hours = 2 #", "hours = 1.5 #", "rules.hourly-output.values.hours", "whole"),
    ("attention.toml", 'source = "a local value, no source"', "", "rules.still-clamped.source", "is missing"),
    (
        "codes.toml",
        'code = "9129-8"',
        'code = "9257-7"',
        "observation.interval-output.standard[0].code",
        "verified",
    ),
    (
        "codes.toml",
        "\nwire = false",
        "\nwire = true",
        "observation.interval-output.standard[1].wire",
        "licence",
    ),
    (
        "codes.toml",
        'code = "81664-5"',
        'code = "9129-8"',
        "component.drain-number.standard[0].code",
        LOINC_ON,
    ),
    (
        "codes.toml",
        'system = "urn:iso:std:iso:11073:10101"\ncode = "157740"',
        'system = "http://loinc.org"\ncode = "9129-8"',
        "observation.chamber-level.standard[0].code",
        "was verified for interval-output and stands on nothing else",
    ),
    (
        "codes.toml",
        'code = "MEDST"',
        'code = "PLEUR"',
        "site.site-mediastinal.standard[0].code",
        "verified for site-left-pleural, site-pleural, site-right-pleural and stands on nothing else",
    ),
    (
        "codes.toml",
        'code = "9129-8"\n',
        'code = "9129-8"\nwire = false\n',
        "observation.interval-output.standard",
        "should hold LOINC 9129-8 once",
    ),
    ("codes.toml", 'unit = "mL"', 'unit = "cm[H2O]"', "observation.chamber-level.unit", 'should be "mL"'),
    ("codes.toml", 'unit = "mL"', 'unit = "L"', "observation.chamber-level.unit", "never converted"),
    (
        "codes.toml",
        'unit = "1"\nunit_display = "share"\nstep = 0.001\n',
        "",
        "component.coverage.unit",
        'is missing: values of this code are written in "1"',
    ),
    (
        "codes.toml",
        "[component.suction-mode]\n",
        '[component.suction-mode]\nunit = "mL"\nunit_display = "mL"\nstep = 1\n',
        "component.suction-mode.unit",
        "should be left out",
    ),
    ("codes.toml", 'unit_display = "mL/h"', "", "observation.output-rate.unit", "go together"),
    ("codes.toml", "step = 0.01", "step = 0.02", "observation.output-rate-per-weight.step", "power of ten"),
    (
        "codes.toml",
        "[patency.patency-patent]",
        "[patency.patency]",
        "patency.patency",
        "[observation] already",
    ),
    ("codes.toml", "[finding.large-rise]", "[findings.large-rise]", "findings", "did you mean 'finding'?"),
]


@pytest.mark.parametrize(("name", "old", "new", "key", "text"), FAULTS, ids=lambda value: str(value)[:30])
def test_a_fault_is_told_with_file_key_and_line(
    folder: Path, name: str, old: str, new: str, key: str, text: str
) -> None:
    file = folder / name
    content = file.read_text(encoding="utf-8")
    assert old in content
    file.write_text(content.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(MappingError) as caught:
        load_mappings(folder)
    error = caught.value
    assert (error.file, error.key) == (str(file), key)
    assert text in error.text
    assert _line_holds(file, error.line, key)
    assert f"{file}, line {error.line}, {key}: " in str(error)
    assert any(found.key == key for found in check_mapping(folder))


def _line_holds(file: Path, line: int, key: str) -> bool:
    """The line shows the key; where the key is what is missing, its table, or the first line for the file's own."""
    lines = file.read_text(encoding="utf-8").splitlines()
    names = [part.split("[")[0] for part in key.split(".")]
    if any(names[-1] in shown.partition("#")[0] for shown in lines[line - 1 : line]):
        return True
    return line == 1 if len(names) == 1 else f"{names[-2]}]" in lines[line - 1]


def test_the_line_of_a_nested_key_is_its_own(folder: Path) -> None:
    file = folder / SINGLE
    lines = file.read_text(encoding="utf-8").splitlines()
    place = next(number for number, line in enumerate(lines) if line.startswith("capacity"))
    lines[place] = "capacity = -1"
    file.write_text("\n".join(lines), encoding="utf-8")
    assert [(error.line, error.key) for error in check_mapping(file)] == [(place + 1, "chambers[0].capacity")]


def test_text_that_is_no_toml_is_told_with_its_line(folder: Path) -> None:
    (folder / "windows.toml").write_text("grace_minutes = 30\nwindows = [\n", encoding="utf-8")
    with pytest.raises(MappingError, match="not valid TOML") as caught:
        load_mappings(folder)
    assert caught.value.line in (2, 3)


def test_bytes_that_are_no_utf8_are_told_with_their_line(folder: Path) -> None:
    (folder / "windows.toml").write_bytes(b"grace_minutes = 30\n# \xff\n")
    with pytest.raises(MappingError, match="UTF-8") as caught:
        load_mappings(folder)
    assert caught.value.line == 2


def test_deep_nesting_is_refused_and_does_not_crash(folder: Path) -> None:
    (folder / "windows.toml").write_text("a = " + "[" * 20000 + "]" * 20000, encoding="utf-8")
    with pytest.raises(MappingError):
        load_mappings(folder)


def test_a_file_that_is_not_there_is_told(folder: Path) -> None:
    (folder / "codes.toml").unlink()
    with pytest.raises(MappingError, match=r"codes\.toml: can't be read"):
        load_mappings(folder)


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(MappingError, match="is not a folder"):
        load_mappings(tmp_path / "nowhere")


def test_a_folder_without_profiles_is_told(folder: Path) -> None:
    shutil.rmtree(folder / "collectors")
    with pytest.raises(MappingError, match="no collector profile"):
        load_mappings(folder)


def test_a_file_of_another_name_is_no_mapping(tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_text("a = 1\n", encoding="utf-8")
    [error] = check_mapping(other)
    assert "no mapping file by its name" in error.text


def test_check_gives_every_fault_of_a_file_in_the_order_of_its_lines(folder: Path) -> None:
    file = folder / SINGLE
    content = file.read_text(encoding="utf-8")
    for old, new in (
        ("capacity = 2000", "capacity = -1"),
        ('reads = "level"', 'reads = "x"'),
        ("highest = 5", "height = 5"),
    ):
        content = content.replace(old, new)
    file.write_text(content, encoding="utf-8")
    found = check_mapping(file)
    assert [error.key for error in found] == [
        "reads",
        "chambers[0].capacity",
        "air_leak_scale.highest",
        "air_leak_scale.height",
    ]
    assert [error.line for error in found] == sorted(error.line for error in found)


def test_the_value_in_the_file_is_not_echoed(folder: Path) -> None:
    file = folder / SINGLE
    content = file.read_text(encoding="utf-8")
    file.write_text(content.replace('reads = "level"', 'reads = "sesame"'), encoding="utf-8")
    assert all("sesame" not in str(error) for error in check_mapping(file))


def test_a_clinical_rule_without_its_value_cant_be_switched_on(folder: Path) -> None:
    file = folder / "attention.toml"
    content = file.read_text(encoding="utf-8")
    head, rest = content.split("[rules.hourly-output-per-weight]\non = false")
    file.write_text(f"{head}[rules.hourly-output-per-weight]\non = true{rest}", encoding="utf-8")
    with pytest.raises(
        MappingError, match="without a local value for ml_per_kg_per_hour and hours"
    ) as caught:
        load_mappings(folder)
    assert caught.value.key == "rules.hourly-output-per-weight.on"
    values = "\n[rules.hourly-output-per-weight.values]\nml_per_kg_per_hour = 4\nhours = 2\n"
    file.write_text(file.read_text(encoding="utf-8") + values, encoding="utf-8")
    assert load_mappings(folder).rules.attention["hourly-output-per-weight"].on


def test_a_code_that_values_are_written_under_cant_be_renamed(folder: Path) -> None:
    file = folder / "codes.toml"
    content = file.read_text(encoding="utf-8")
    file.write_text(content.replace("[component.net-total]", "[component.net-totals]"), encoding="utf-8")
    [error] = check_mapping(file)
    assert (error.key, error.text) == (
        "component.net-total",
        "is missing: values are written under this code",
    )


#: Where a file is put, and the name that it should have had.
STRAYS = [
    ("source.toml", "did you mean 'sources.toml'?"),
    ("Windows.toml", "did you mean 'windows.toml'?"),
    ("sources.toml.txt", "did you mean 'sources.toml'?"),
    ("wards.yaml", "known: units.toml, codes.toml"),
    ("collectors/newborn.TOML", "did you mean 'newborn.toml'?"),
    ("collectors/newborn.toml.bak", "did you mean 'newborn.toml'?"),
    ("collectors/old/newborn.toml", "is a folder among collector profiles"),
    ("colectors/newborn.toml", "did you mean 'collectors'?"),
]


@pytest.mark.parametrize(("name", "advice"), STRAYS, ids=lambda value: value[:24])
def test_a_file_that_nobody_reads_is_refused_with_the_nearest_name(
    folder: Path, name: str, advice: str
) -> None:
    stray = folder / name
    stray.parent.mkdir(exist_ok=True)
    stray.write_text("a = 1\n", encoding="utf-8")
    with pytest.raises(MappingError) as caught:
        load_mappings(folder)
    assert advice in str(caught.value)
    assert caught.value.file in (str(stray), str(stray.parent))
    assert [advice in str(fault) for fault in check_mapping(folder)] == [True]


@pytest.mark.parametrize(
    "name",
    [
        "sources/bedside.toml",
        "destinations/record.toml",
        ".git/config",
        "windows.toml~",
        "collectors/NOTES.md",
    ],
)
def test_what_has_a_meaning_elsewhere_is_left_alone(folder: Path, name: str) -> None:
    (folder / name).parent.mkdir(exist_ok=True)
    (folder / name).write_text("a = 1\n", encoding="utf-8")
    assert load_mappings(folder).rules.version == load_mappings().rules.version
    assert check_mapping(folder) == []


def test_a_profile_of_another_ending_is_told_by_itself_too(folder: Path) -> None:
    other = (folder / "collectors" / "infant.toml").rename(folder / "collectors" / "infant.TOML")
    [error] = check_mapping(other)
    assert "did you mean 'infant.toml'?" in error.text


@pytest.mark.parametrize("name", ["nonexist", "n" * 300])
def test_what_is_not_there_is_told(tmp_path: Path, name: str) -> None:
    with pytest.raises(MappingError, match="is not there; name a mapping file"):
        check_mapping(tmp_path / name)
    with pytest.raises(MappingError, match="is not a folder"):
        load_mappings(tmp_path / name)


def test_a_number_of_thousands_of_digits_is_told(folder: Path) -> None:
    (folder / "sources.toml").write_text(f"[priorities]\nward = {'9' * 5000}\n", encoding="utf-8")
    with pytest.raises(MappingError, match="not valid TOML"):
        load_mappings(folder)
    (folder / "sources.toml").write_text(f"[priorities]\nward = {'9' * 30}\n", encoding="utf-8")
    with pytest.raises(MappingError, match="less than or equal"):
        load_mappings(folder)


def test_at_the_bounds_a_profile_is_still_good(folder: Path) -> None:
    """A tenth of 2000 mL, five graduations, 0.1 mL."""
    file = folder / SINGLE
    content = file.read_text(encoding="utf-8").replace("step = 2 }", "step = 0.1 }")
    for allowed in ("tolerance = 200", "tolerance_graduations = 5"):
        file.write_text(content.replace("tolerance_graduations = 2", allowed), encoding="utf-8")
        assert check_mapping(folder) == []
