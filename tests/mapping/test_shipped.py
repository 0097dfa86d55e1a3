"""The mappings that are shipped: what the design asks of them, and that nothing in them is guessed."""

from __future__ import annotations

import shutil
from datetime import time, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from drainledger.domain.findings import NOTES
from drainledger.domain.texts import TEXTS
from drainledger.mapping import Code, check_mapping, load_mappings, shipped_folder
from drainledger.mapping.attention import SHAPES
from drainledger.mapping.standards import VERIFIED

SHIPPED = load_mappings()
RULES = SHIPPED.rules


def test_nothing_is_wrong_with_them() -> None:
    assert check_mapping(shipped_folder()) == []


def test_each_profile_of_the_design_is_there() -> None:
    assert set(RULES.profiles) == {
        "adult-single",
        "adult-dual",
        "infant",
        "adult-reinfusion",
        "adult-single-bag",
        "inline-bag",
        "powered",
    }


def test_adult_single_is_the_profile_of_the_worked_cases() -> None:
    profile = RULES.profiles["adult-single"]
    [chamber] = profile.chambers
    assert chamber.capacity == 2000
    assert [chamber.graduation(Decimal(level)) for level in (0, 500, 501, 2000)] == [2, 2, 10, 10]
    assert [profile.tolerance_at(chamber, Decimal(level)) for level in (500, 510)] == [4, 20]
    assert profile.suction_settings[0] == -10
    assert profile.suction_settings[-1] == -40
    assert profile.relief_pressure == -50


def test_the_others_are_as_their_names_say() -> None:
    capacities = {
        name: [chamber.capacity for chamber in profile.chambers] for name, profile in RULES.profiles.items()
    }
    assert capacities["adult-dual"] == [1000, 1000]
    assert capacities["infant"] == [200]
    assert capacities["powered"] == [None]
    assert RULES.profiles["inline-bag"].in_line
    assert set(RULES.profiles["inline-bag"].scales) == {"gravity", "suction"}
    assert RULES.profiles["powered"].reads == "counter"
    assert set(RULES.profiles["powered"].measures) == {"level", "pressure", "air-flow"}


def test_windows_are_a_ward_day_and_two_shifts() -> None:
    assert [(window.name, window.start, window.end) for window in RULES.windows] == [
        ("ward-day", time(0), time(0)),
        ("shift-day", time(7), time(19)),
        ("shift-night", time(19), time(7)),
    ]
    assert RULES.grace == timedelta(minutes=30)


def test_charting_rules_are_on_and_clinical_ones_are_off() -> None:
    assert set(RULES.attention) == set(SHAPES)
    assert {code for code, rule in RULES.attention.items() if rule.on} == {
        "chamber-nearly-full",
        "reading-overdue",
        "large-rise",
        "still-clamped",
    }
    for rule in RULES.attention.values():
        assert rule.on is not rule.clinical
        assert rule.source
        assert rule.caution
        says_patient = "Check the patient; follow local policy." in rule.text
        assert says_patient is rule.clinical
        assert ("Look at the unit and chart what you see." in rule.text) is not rule.clinical


def test_published_thresholds_are_the_published_ones() -> None:
    """ATLS 10th ed. (2018), thoracic trauma; EAST guideline, J Trauma 2011;70:510; air leak: from memory."""
    attention = RULES.attention
    assert attention["hourly-output"].values == {"ml_per_hour": 200, "hours": 2}
    assert attention["output-at-once"].values["ml"] == 1500
    assert attention["daily-output"].values == {"ml": 1500, "hours": 24}
    assert attention["air-leak-prolonged"].values == {"days": 5}
    assert "from memory" in attention["air-leak-prolonged"].source
    assert "ATLS" in attention["hourly-output"].source
    assert "EAST" in attention["daily-output"].source
    assert attention["hourly-output-per-weight"].values == {}


def test_each_finding_that_can_be_an_issue_has_a_code_and_no_code_is_idle() -> None:
    findings = {code.code for code in SHIPPED.codes.values() if code.kind == "finding"}
    assert findings == (set(TEXTS) - NOTES) | set(RULES.attention)


def _standards() -> list[tuple[Code, str, str]]:
    return [
        (code, standard.system, standard.code)
        for code in SHIPPED.codes.values()
        for standard in code.standard
        if standard.relation != "unmatched"
    ]


def test_each_standard_code_is_verified_and_says_where() -> None:
    for code, system, value in _standards():
        assert (system, value) in VERIFIED, code.code
    for code in SHIPPED.codes.values():
        for standard in code.standard:
            if standard.relation != "unmatched":
                assert standard.verified
                assert standard.display
            else:
                assert (standard.code, standard.wire) == ("", False)


def test_9129_8_stands_on_interval_outputs_alone() -> None:
    assert [code.code for code, _, value in _standards() if value == "9129-8"] == ["interval-output"]
    unmatched = {
        code.code
        for code in SHIPPED.codes.values()
        for standard in code.standard
        if standard.relation == "unmatched"
    }
    volumes_that_would_count_twice = {"chamber-level", "running-total", "charted-total", "charted-net"}
    assert volumes_that_would_count_twice | {"output-rate", "output-rate-per-weight"} == unmatched


def test_snomed_is_never_on_the_wire() -> None:
    on_the_wire = {
        standard.system for code in SHIPPED.codes.values() for standard in code.standard if standard.wire
    }
    assert "http://snomed.info/sct" not in on_the_wire


def test_a_word_of_the_contract_has_its_code() -> None:
    words = {
        "bubbling": "none intermittent continuous",
        "tidaling": "present absent",
        "patency": "patent obstructed",
        "appearance": "serous serosanguineous sanguineous purulent chylous clots air-only none other",
    }
    for kind, listed in words.items():
        for word in listed.split():
            assert SHIPPED.codes[f"{kind}-{word}"].kind == kind


def test_the_version_names_the_content_and_not_the_layout(tmp_path: Path) -> None:
    place = tmp_path / "mappings"
    shutil.copytree(shipped_folder(), place)
    assert load_mappings(place).rules.version == RULES.version

    file = place / "collectors" / "infant.toml"
    content = file.read_text(encoding="utf-8")
    file.write_text(
        "# a remark\n" + content.replace("capacity = 200", "capacity   =   200.0"), encoding="utf-8"
    )
    assert load_mappings(place).rules.version == RULES.version

    file.write_text(content.replace("large_rise = 30", "large_rise = 31"), encoding="utf-8")
    assert load_mappings(place).rules.version != RULES.version


def test_priorities_come_from_sources_toml_where_a_site_has_one(tmp_path: Path) -> None:
    assert RULES.priorities == {}
    place = tmp_path / "mappings"
    shutil.copytree(shipped_folder(), place)
    (place / "sources.toml").write_text("[priorities]\nbedside-monitor = 10\n", encoding="utf-8")
    changed = load_mappings(place).rules
    assert changed.priorities == {"bedside-monitor": 10}
    assert changed.version != RULES.version


@pytest.mark.parametrize("name", ["units.toml", "codes.toml", "windows.toml", "attention.toml", "README.md"])
def test_the_guide_names_every_file(name: str) -> None:
    guide = (shipped_folder() / "README.md").read_text(encoding="utf-8")
    assert name == "README.md" or f"`{name}`" in guide


def test_every_file_carries_the_caution() -> None:
    for file in (*shipped_folder().rglob("*.toml"), shipped_folder() / "README.md"):
        assert "not a medical device" in file.read_text(encoding="utf-8").casefold(), file.name


def test_9129_8_says_what_its_verification_covers() -> None:
    """LOINC 2.82: component Fluid output.chest tube, system Pleural space. That a mediastinal drain's tube is a chest
    tube is common practice, no source: the note says so, and the ConceptMap with it."""
    [loinc] = [each for each in SHIPPED.codes["interval-output"].standard if each.code == "9129-8"]
    assert "pleural space" in (loinc.comment or "")
    assert "mediastinal drain is called a chest tube too (common practice, no source)" in (
        loinc.comment or ""
    )


def test_a_leak_scale_is_named_by_its_grades_alone() -> None:
    """A scale's name says from where to where it runs, and nothing of how a meter is built."""
    scales = [profile.air_leak_scale for profile in RULES.profiles.values() if profile.air_leak_scale]
    assert scales
    assert {scale.name for scale in scales} == {f"leak-grade-0-{scale.highest}" for scale in scales}
    for scale in scales:
        assert "column" not in SHIPPED.codes[scale.name].definition


def test_what_was_set_aside_is_told_in_plain_words() -> None:
    """A display is read without its definition: it says what happened, not the state of the drain."""
    assert SHIPPED.codes["drain-removed"].display == "Entry after the drain was removed"
    assert SHIPPED.codes["reads-otherwise"].display == "Not what this drain is charted by"
