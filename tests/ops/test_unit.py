"""The systemd unit, by systemd itself: `systemd-analyze verify`, and its own measure of how exposed a service is."""

from __future__ import annotations

import subprocess
from pathlib import Path

from tests.ops.tools import DEPLOY, changed, run, told

UNIT = DEPLOY / "drainledger.service"
#: systemd's scale goes from 0.0 (safe) to 10.0; 'OK' ends at 5. systemd-analyze(1), 'security'.
MOST_EXPOSED = "15"  # tenths


def installed(folder: Path, *more: tuple[str, str]) -> Path:
    """The unit as it would be on a machine that has the program in this folder."""
    command = folder / "drainledger"
    command.write_text("#!/bin/sh\n", encoding="utf-8")
    command.chmod(0o755)
    return changed(UNIT, folder / UNIT.name, ("/opt/drainledger/bin", str(folder)), *more)


def verify(unit: Path) -> subprocess.CompletedProcess[str]:
    return run("systemd-analyze", "verify", "--man=no", unit)


def exposure(unit: Path) -> subprocess.CompletedProcess[str]:
    return run(
        "systemd-analyze", "security", "--no-pager", "--offline=true", f"--threshold={MOST_EXPOSED}", unit
    )


def test_systemd_accepts_the_unit_without_a_word(tmp_path: Path) -> None:
    ended = verify(installed(tmp_path))
    assert ended.returncode == 0, told(ended)
    assert ended.stderr == ""


def test_systemd_names_a_setting_that_it_does_not_know(tmp_path: Path) -> None:
    ended = verify(installed(tmp_path, ("ProtectSystem=strict", "ProtectTheSystem=strict")))
    assert "Unknown key" in ended.stderr
    assert "ProtectTheSystem" in ended.stderr


def test_systemd_misses_a_program_that_is_not_there(tmp_path: Path) -> None:
    ended = verify(installed(tmp_path, ("drainledger serve", "drainledgers serve")))
    assert ended.returncode != 0
    assert "drainledgers is not executable" in ended.stderr


def test_little_of_the_machine_is_exposed(tmp_path: Path) -> None:
    ended = exposure(installed(tmp_path))
    assert ended.returncode == 0, told(ended)


def test_systemd_sees_a_unit_that_exposes_more(tmp_path: Path) -> None:
    ended = exposure(installed(tmp_path, ("DynamicUser=yes\n", ""), ("NoNewPrivileges=yes\n", "")))
    assert ended.returncode != 0, told(ended)
