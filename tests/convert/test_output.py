"""A result appears whole or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from drainledger.convert.output import UnwritableOutput, output


def test_a_file_appears_only_when_all_is_written(tmp_path: Path) -> None:
    path = tmp_path / "out.json"
    with output(path) as stream:
        stream.write(b"half")
        stream.flush()
        assert not path.exists()
    assert path.read_bytes() == b"half"
    assert list(tmp_path.iterdir()) == [path]


def test_a_failure_leaves_what_was_there_before(tmp_path: Path) -> None:
    path = tmp_path / "out.json"
    path.write_bytes(b"before")

    def fail_half_way() -> None:
        with output(path) as stream:
            stream.write(b"half")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_half_way()
    assert path.read_bytes() == b"before"
    assert list(tmp_path.iterdir()) == [path]


def test_permissions_are_kept_and_new_files_get_the_usual_ones(tmp_path: Path) -> None:
    old, new = tmp_path / "old", tmp_path / "new"
    old.touch(0o600)
    mask = os.umask(0o027)
    try:
        for path in (old, new):
            with output(path) as stream:
                stream.write(b"x")
    finally:
        os.umask(mask)
    assert stat.S_IMODE(old.stat().st_mode) == 0o600
    assert stat.S_IMODE(new.stat().st_mode) == 0o640


def test_a_link_keeps_pointing_where_it_does(tmp_path: Path) -> None:
    target, link = tmp_path / "target", tmp_path / "link"
    link.symlink_to(target)
    with output(link) as stream:
        stream.write(b"x")
    assert link.is_symlink()
    assert target.read_bytes() == b"x"


def test_a_device_is_written_to_directly() -> None:
    with output(Path("/dev/null")) as stream:
        stream.write(b"x")
    assert not Path("/dev/null").is_file()


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(UnwritableOutput, match="No such file or directory"), output(tmp_path / "no" / "out"):
        raise AssertionError("nothing must be written")
