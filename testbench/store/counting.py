"""Questions that look at many runs at once: how old they are, how many passed the first time."""

from datetime import date
from typing import Literal

from sqlalchemy import func, inspect, select

from testbench.run.record import Origin
from testbench.run.yields import Yield, first_pass_yields
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
        """The closed runs that ended from one time on and before another (UTC, ISO 8601, whole seconds), oldest first.

        A run may have been open for long, so each record from before the end is asked.
        """
        table, ended = tables.run, func.json_extract(tables.record.c.body, "$.ended")
        query = select(table.c.id).join(tables.record, tables.record.c.run == table.c.number)
        query = query.where(table.c.state == "closed", table.c.started < until, ended >= since, ended < until)
        with self._database.reading() as connection:
            return tuple(connection.scalars(query.order_by(table.c.number)))

    def count_between(self, since: str, until: str) -> int:
        """How many closed runs began from one day on and before another, ISO 8601."""
        table = tables.run
        query = select(func.count()).where(table.c.state == "closed", table.c.started >= since, table.c.started < until)
        with self._database.reading() as connection:
            return connection.scalar(query) or 0

    def first_pass_yields(self, by: Literal["month", "product"], origin: Origin) -> tuple[Yield, ...]:
        """First-pass yield over the whole history, by month or product.

        Args:
            by: what to group by.
            origin: which runs count; those of a rig never count together with real ones.
        """
        table = tables.first_test
        group = table.c[by]
        query = select(group, table.c.verdict, func.count()).where(table.c.origin == origin.value)
        with self._database.reading() as connection:
            if not inspect(connection).has_table(table.name):
                return ()
            rows = connection.execute(query.group_by(group, table.c.verdict)).all()
        return first_pass_yields((name, verdict, count) for name, verdict, count in rows)
