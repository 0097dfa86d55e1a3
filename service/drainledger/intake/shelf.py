"""Books kept for reading: one a drain, with what is tied to it, so that readers of one do not wait for another."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Final

from drainledger.domain.naming import Tie
from drainledger.intake.loading import Loaded

#: Records in memory over all tenants' books, and books. The one in use is kept, whatever its size.
MOST_RECORDS: Final = 200_000
MOST_BOOKS: Final = 2_000

_Name = tuple[str, Tie]


@dataclass(slots=True, eq=False)
class _Book:
    loaded: Loaded
    lock: threading.Lock = field(default_factory=threading.Lock)
    size: int = 0


class Shelf:
    """Thread-safe. `new` makes an empty book of a tenant; what was read longest ago goes first."""

    def __init__(self, new: Callable[[str], Loaded], *, most: int = MOST_RECORDS) -> None:
        self._new = new
        self._most = most
        self._lock = threading.Lock()
        self._books: OrderedDict[_Name, _Book] = OrderedDict()
        self._records = 0

    @property
    def records(self) -> int:
        """How many records are in memory, as of when each book was last put back."""
        return self._records

    @contextmanager
    def book(self, tenant: str, name: Tie) -> Iterator[Loaded]:
        """The book of a drain or a collector, for this thread alone. One that failed is not kept."""
        place = (tenant, name)
        with self._lock:
            book = self._books.setdefault(place, _Book(self._new(tenant)))
            self._books.move_to_end(place)
        with book.lock:
            try:
                yield book.loaded
            except BaseException:
                self._drop(place, book)
                raise
            self._put_back(place, book)

    def _put_back(self, place: _Name, book: _Book) -> None:
        with self._lock:
            if self._books.get(place) is not book:
                return  # it was let go of while it was read
            self._records += book.loaded.size - book.size
            book.size = book.loaded.size
            if book.size == 0:
                del self._books[place]  # a name that leads nowhere
            while len(self._books) > 1 and (self._records > self._most or len(self._books) > MOST_BOOKS):
                self._records -= self._books.popitem(last=False)[1].size

    def _drop(self, place: _Name, book: _Book) -> None:
        with self._lock:
            if self._books.get(place) is book:
                del self._books[place]
                self._records -= book.size
