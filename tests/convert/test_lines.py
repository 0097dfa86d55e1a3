"""Lines come out whole, numbered, and never longer in memory than the limit."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from drainledger.convert.lines import Source, UnreadableInput


def lines_of(path: Path, limit: int = 100) -> list[tuple[int, bytes]]:
    with Source(path, limit) as source:
        return list(source)


def test_lines_keep_their_numbers_past_blank_ones(tmp_path: Path) -> None:
    path = tmp_path / "records"
    path.write_bytes(b"\xef\xbb\xbf{1}\r\n\n  \n{4}\n{5}")
    assert lines_of(path) == [(1, b"{1}"), (4, b"{4}"), (5, b"{5}")]


def test_gzip_is_known_by_its_first_bytes_not_by_its_name(tmp_path: Path) -> None:
    path = tmp_path / "records.ndjson"
    path.write_bytes(gzip.compress(b"{1}\n{2}\n"))
    assert lines_of(path) == [(1, b"{1}"), (2, b"{2}")]


@pytest.mark.parametrize("length", [99, 100, 101, 102, 250_000])
def test_a_long_line_is_cut_one_byte_above_the_limit_and_the_next_is_whole(
    tmp_path: Path, length: int
) -> None:
    path = tmp_path / "records"
    path.write_bytes(b"x" * length + b"\n{2}\n")
    assert lines_of(path) == [(1, b"x" * min(length, 101)), (2, b"{2}")]


def test_a_bomb_stays_small(tmp_path: Path) -> None:
    # 64 MiB of one line in 64 kB of gzip: cut while it is unpacked.
    path = tmp_path / "bomb.gz"
    path.write_bytes(gzip.compress(b"x" * (1 << 26)))
    assert lines_of(path) == [(1, b"x" * 101)]


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (gzip.compress(b"{1}\n" * 999)[:-9], "ended before"),
        (b"\x1f\x8b and then nothing of the sort", "compression method"),
    ],
    ids=["cut short", "not gzip at all"],
)
def test_damaged_gzip_is_unreadable(tmp_path: Path, content: bytes, reason: str) -> None:
    path = tmp_path / "records.gz"
    path.write_bytes(content)
    with pytest.raises(UnreadableInput, match=reason) as caught:
        lines_of(path)
    assert str(path) in str(caught.value)


def test_a_missing_file_and_a_folder_are_unreadable(tmp_path: Path) -> None:
    with pytest.raises(UnreadableInput, match="No such file"):
        lines_of(tmp_path / "none")
    with pytest.raises(UnreadableInput, match="directory"):
        lines_of(tmp_path)


def test_the_position_reaches_the_size(tmp_path: Path) -> None:
    path = tmp_path / "records"
    path.write_bytes(b"{1}\n{2}\n")
    with Source(path, 100) as source:
        list(source)
        assert source.position() == source.size == 8
