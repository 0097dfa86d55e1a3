"""What the database holds, read past the service: its table `journal` by plain SQL."""

from __future__ import annotations

from sqlalchemy import create_engine, text

from tests.crash.stream import Name


class Journal:
    """The journal of one database, as names of records in the order of `seq`."""

    def __init__(self, database: str) -> None:
        self._engine = create_engine(database)

    def names(self, after: int = 0) -> tuple[int, list[Name]]:
        """The last `seq`, and what stands behind `after`."""
        with self._engine.connect() as connection:
            rows = connection.execute(
                text("SELECT seq, kind, record_id FROM journal WHERE seq > :after ORDER BY seq"),
                {"after": after},
            ).all()
        return (rows[-1].seq if rows else after), [(row.kind, row.record_id) for row in rows]

    def held(self) -> int:
        with self._engine.connect() as connection:
            count: int = connection.execute(text("SELECT COUNT(*) FROM held")).scalar_one()
        return count

    def close(self) -> None:
        self._engine.dispose()
