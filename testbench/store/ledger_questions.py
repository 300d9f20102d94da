"""What can be asked of the ledger besides whether it is whole."""

import json
from collections.abc import Iterator

from sqlalchemy import inspect, select

from testbench.errors import RunUnknownError
from testbench.run.ledger import Entry
from testbench.store import tables
from testbench.store.database import Database
from testbench.store.ledger import BATCH, SealedRun, entries, last_entry, sealed_runs, stated


class LedgerReader:
    """Questions to the ledger."""

    _database: Database

    def bench(self) -> str:
        """Name of the bench, by its newest entry; before there was a ledger, by the number of a run; else empty."""
        with self._database.reading() as connection:
            if inspect(connection).has_table(tables.ledger.name):
                last = last_entry(connection)
                return "" if last is None else last.bench
            run = connection.scalar(select(tables.run.c.id).limit(1))
        return (run or "").rpartition("-")[0]

    def statements(self, kind: str) -> tuple[str, ...]:
        """What the bench said of its own records, oldest first, as canonical JSON."""
        with self._database.reading() as connection:
            there = inspect(connection).has_table(tables.ledger.name)  # not in a file from before the ledger
            return tuple(stated(connection, kind)) if there else ()

    def ledger_keys(self) -> tuple[str, ...]:
        """The public keys that the ledger names, oldest first."""
        return tuple(json.loads(body)["key"] for body in self.statements("key"))

    def chain(self) -> Iterator[Entry]:
        """Every entry, from the first."""
        last = 0
        while True:
            with self._database.reading() as connection:
                batch = entries(connection, last, BATCH)
            yield from (entry for entry, _ in batch)
            if len(batch) < BATCH:
                return
            last = batch[-1][0].seq

    def sealed(self, run: str) -> SealedRun:
        """What the ledger stands for of a closed run.

        Raises:
            RunUnknownError: there is no such run.
        """
        with self._database.reading() as connection:
            number = connection.scalar(select(tables.run.c.number).where(tables.run.c.id == run))
            found = {} if number is None else sealed_runs(connection, [number])
        if number is None:
            raise RunUnknownError(run, str(self._database.path.parent))
        return found[number]
