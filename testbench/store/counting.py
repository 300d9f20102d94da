"""Questions that look at many runs at once: how old they are."""

from datetime import date

from sqlalchemy import func, select

from testbench.store import tables
from testbench.store.database import Database


class CountReader:
    """Counts of runs."""

    _database: Database

    def runs_before(self, day: date) -> list[str]:
        """The closed runs that began before a day, UTC, oldest first."""
        table = tables.run
        query = select(table.c.id).where(table.c.state == "closed", table.c.started < day.isoformat())
        with self._database.reading() as connection:
            return list(connection.scalars(query.order_by(table.c.number)))

    def runs_on(self, order: str) -> tuple[str, ...]:
        """The closed runs of an order, oldest first."""
        table = tables.run
        query = select(table.c.id).where(table.c.order_number == order, table.c.state == "closed")
        with self._database.reading() as connection:
            return tuple(connection.scalars(query.order_by(table.c.number)))

    def runs_ended(self, since: str, until: str) -> tuple[str, ...]:
        """The closed runs that ended from one time on and before another (UTC, ISO 8601, seconds), oldest first.

        One whose record is torn is among them whenever it ended: whoever reads it is told.
        """
        table, ended = tables.run, tables.ENDED
        query = select(table.c.id).join(tables.record, tables.record.c.run == table.c.number)
        query = query.where(ended.is_(None) | ((ended >= since) & (ended < until)))
        with self._database.reading() as connection:
            return tuple(connection.scalars(query.order_by(table.c.number)))

    def count_between(self, since: str, until: str) -> int:
        """How many closed runs began from one day on and before another, ISO 8601."""
        table = tables.run
        query = select(func.count()).where(table.c.state == "closed", table.c.started >= since, table.c.started < until)
        with self._database.reading() as connection:
            return connection.scalar(query) or 0
