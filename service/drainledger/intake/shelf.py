"""Books kept for reading: one a drain, with what is tied to it, so that readers of one do not wait for another."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Final

from drainledger.domain.naming import Tie
from drainledger.intake.folds import WAIT_SECONDS, TooManyReads
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
    #: Whoever waited for it must not take it.
    failed: bool = False


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

    def is_ready(self, tenant: str, name: Tie) -> bool:
        """Whether a book is loaded, and nobody has it at the moment."""
        with self._lock:
            book = self._books.get((tenant, name))
            return book is not None and book.size > 0 and not book.lock.locked()

    @contextmanager
    def book(self, tenant: str, name: Tie) -> Iterator[Loaded]:
        """The book of a drain or a collector, for this thread alone. One that failed is not kept. Raises TooManyReads
        where another has it for too long."""
        place = (tenant, name)
        book = self._take(place)
        try:
            try:
                yield book.loaded
            except BaseException:
                book.failed = True
                self._drop(place, book)
                raise
            self._put_back(place, book)
        finally:
            book.lock.release()

    def _take(self, place: _Name) -> _Book:
        """The book of a place, locked, and whole."""
        while True:
            with self._lock:
                book = self._books.get(place)
                if book is None:
                    book = self._books[place] = _Book(self._new(place[0]))
                self._books.move_to_end(place)
            if not book.lock.acquire(timeout=WAIT_SECONDS):
                raise TooManyReads
            if not book.failed:
                return book
            book.lock.release()  # who had it before has failed, and let go of it

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
