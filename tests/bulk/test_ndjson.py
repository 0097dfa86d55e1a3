"""Files of at most so many lines (rest/ndjson.py)."""

from __future__ import annotations

from pathlib import Path

import pytest

from drainledger.rest.ndjson import Files, Lines


def test_a_file_holds_so_many_and_no_line_is_lost(tmp_path: Path) -> None:
    files = Files(tmp_path, 4)
    wanted = [b'{"n":%d,"text":"%b"}' % (number, b"x" * number) for number in range(23)]
    for start, end in ((0, 3), (3, 3), (3, 4), (4, 5), (5, 19), (19, 23)):
        some = b"".join(line + b"\n" for line in wanted[start:end])
        files.put("Device", Lines(bytearray(some), end - start), [f"p{start}"])
    files.close()
    assert files.done == 23
    assert [each.count for each in files.files] == [4, 4, 4, 4, 4, 3]
    assert [(tmp_path / each.name).read_bytes().count(b"\n") for each in files.files] == [4, 4, 4, 4, 4, 3]
    whole = b"".join((tmp_path / each.name).read_bytes() for each in files.files)
    assert whole.splitlines() == wanted
    assert files.touched[0] == ["p0", "p3"]
    assert all("p5" in each for each in files.touched[1:5])
    assert files.touched[-1] == ["p19"]


def test_what_the_disk_refuses_is_raised(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(out: object, handful: bytearray) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("drainledger.rest.ndjson._write", full)
    files = Files(tmp_path, 4)
    files.put("Device", Lines(bytearray(b"{}\n"), 1))
    with pytest.raises(OSError, match="No space"):
        files.close()
    files.abandon()
