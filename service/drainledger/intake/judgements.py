"""By which version of the mappings a record is judged: that of its own row, unless a refold came after (DESIGN 4)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from msgspec import Struct

from drainledger.domain.naming import Tie
from drainledger.domain.records import Key
from drainledger.domain.refolds import Journaled, is_judged, names_of
from drainledger.store.rows import JournalRow


class _Judged(Struct, frozen=True):
    """A row as far as its judgement goes."""

    seq: int
    names: frozenset[Tie]
    version: str


class Judgements:
    """Takes the rows of a journal, in any order, records and refolds alike."""

    def __init__(self) -> None:
        self._rows: dict[Key, _Judged] = {}
        self._keys_of: dict[Tie, set[Key]] = {}
        self._refolds_of: dict[Tie, list[tuple[int, str]]] = {}

    def take(self, seq: int, record: Journaled, version: str) -> str:
        """A record and the version of its row; the one by which it is judged as far as is known yet."""
        if not is_judged(record):
            return version
        judged = self._rows[record.key] = _Judged(seq, frozenset(names_of(record)), version)
        for name in judged.names:
            self._keys_of.setdefault(name, set()).add(record.key)
        return self._version(judged)

    def refold(self, row: JournalRow) -> Iterator[tuple[Key, str]]:
        """A refold; what is judged by which version now, of the records that it may concern."""
        for name in row.names:
            self._refolds_of.setdefault(name, []).append((row.seq, row.rules_version))
        found = {key for name in row.names for key in self._keys_of.get(name, ())}
        return ((key, self._version(self._rows[key])) for key in sorted(found))

    def others_than(self, version: str) -> list[Key]:
        """The records that are judged by another version."""
        return sorted(key for key, judged in self._rows.items() if self._version(judged) != version)

    def _version(self, judged: _Judged) -> str:
        return max(self._after(judged), default=(0, judged.version))[1]

    def _after(self, judged: _Judged) -> Iterable[tuple[int, str]]:
        return (
            refold
            for name in judged.names
            for refold in self._refolds_of.get(name, ())
            if refold[0] > judged.seq
        )
