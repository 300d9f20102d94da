"""What waits for a signature, what was said in review, and whether a run still is what the ledger says was sealed."""

from collections import defaultdict
from collections.abc import Sequence

from sqlalchemy import ColumnElement, Connection, delete, false, func, insert, inspect, select, update

from testbench.errors import RunUnknownError
from testbench.procedure.valve import Order
from testbench.run.ledger import BEGINNING, Entry, hash_of
from testbench.run.record import RunRecord, Verdict
from testbench.run.signature import Meaning, Signature
from testbench.station.ports import WaitingRun
from testbench.station.review import Borne, ReviewEntry, waits_for
from testbench.store import tables
from testbench.store.database import Database
from testbench.store.ledger import named_rows, sealed_runs

AT_ONCE = 500
"""Values that one query is given; SQLite bounds them."""


class ReviewReader:
    """Questions of a reviewer."""

    _database: Database

    def waiting(self, order: str = "", after: str = "", limit: int = 200) -> tuple[WaitingRun, ...]:
        """Closed runs whose signatures are not complete, oldest first.

        Args:
            order: of this order only; empty: of all.
            after: those behind this run; empty: from the oldest on.
            limit: how many at most.

        Raises:
            RunUnknownError: ``after`` is no run.
        """
        table, run = tables.waiting, tables.run
        query = (
            select(run, table.c.meaning, table.c.operator)
            .select_from(table.join(run, run.c.number == table.c.run))
            .order_by(table.c.run)
            .limit(limit)
        )
        with self._database.reading() as connection:
            if not inspect(connection).has_table(table.name):
                return ()
            if order:
                query = query.where(table.c.order_number == order)
            if after:
                query = query.where(table.c.run > _number_of(connection, after, self._database))
            rows = connection.execute(query).mappings().all()
            said = _entries(connection, [row["id"] for row in rows])
        return tuple(
            WaitingRun(
                run=row["id"], serial=row["serial"], order=row["order_number"], operator=row["operator"],
                verdict=Verdict(row["verdict"]) if row["verdict"] else None, reason=row["reason"],
                started=row["started"], origin=row["origin"], record_sha256=row["record_sha256"],
                waits_for=Meaning(row["meaning"]), entries=tuple(said[row["id"]]),
            )
            for row in rows
        )  # fmt: skip

    def waiting_by_order(self) -> dict[str, int]:
        """How many runs wait, by order, in the order of their numbers."""
        table = tables.waiting
        query = select(table.c.order_number, func.count()).group_by(table.c.order_number)
        with self._database.reading() as connection:
            if not inspect(connection).has_table(table.name):
                return {}
            rows = connection.execute(query.order_by(table.c.order_number)).all()
            return {row[0]: row[1] for row in rows}

    def borne_by(self, run: str) -> Borne:
        """What a closed run bears beside its record: signatures, what was said in review, how its seal stands.

        Raises:
            RunUnknownError: there is no such run.
        """
        with self._database.reading() as connection:
            _number_of(connection, run, self._database)
            return borne_of(connection, run)

    def released_of(self, orders: Sequence[Order]) -> frozenset[tuple[str, str]]:
        """(order, serial) of the valves on these orders whose newest closed run was released, and not found wanting."""
        run, signed = tables.run, tables.signature
        numbers = sorted({order.number for order in orders})
        found: set[tuple[str, str]] = set()
        with self._database.reading() as connection:
            there = set(inspect(connection).get_table_names())
            if signed.name not in there:
                return frozenset()
            found_wanting: ColumnElement[bool] = false()
            if tables.nonconformity.name in there:
                found_wanting = (
                    select(tables.nonconformity.c.seq).where(tables.nonconformity.c.run == run.c.id).exists()
                )
            for first in range(0, len(numbers), AT_ONCE):
                of_orders = run.c.order_number.in_(numbers[first : first + AT_ONCE])
                newest = select(func.max(run.c.number)).where(of_orders, run.c.state == "closed")
                query = (
                    select(run.c.order_number, run.c.serial)
                    .join(signed, signed.c.subject == run.c.id)
                    .where(signed.c.meaning == Meaning.RELEASED.value)
                    .where(run.c.number.in_(newest.group_by(run.c.order_number, run.c.serial)))
                    .where(~found_wanting)
                )
                found.update((number, serial) for number, serial in connection.execute(query))
        return frozenset(found)

    def closed_runs(self, after: int = 0, limit: int = 1000) -> list[tuple[int, str]]:
        """Number and name of the closed runs behind a number, in their order."""
        table = tables.run
        query = select(table.c.number, table.c.id).where(table.c.number > after, table.c.state == "closed")
        with self._database.reading() as connection:
            return [(number, run) for number, run in connection.execute(query.order_by(table.c.number).limit(limit))]

    def count_closed(self) -> int:
        """How many runs are closed."""
        table = tables.run
        with self._database.reading() as connection:
            return connection.scalar(select(func.count()).where(table.c.state == "closed")) or 0


# Within a transaction ---------------------------------------------------------------------------


def borne_of(connection: Connection, run: str) -> Borne:
    """What a run bears, as it stands in this transaction."""
    there = inspect(connection).has_table(tables.review.name)
    entries = _entries(connection, [run])[run] if there else []
    return Borne(signatures_under(connection, run), tuple(entries), seal_fault(connection, run) if there else "")


def signatures_under(connection: Connection, subject: str) -> tuple[Signature, ...]:
    """The signatures under a run or a procedure, in the order they were made."""
    table = tables.signature
    rows = named_rows(connection, table, table.c.subject == subject)
    return tuple(Signature.model_validate_json(row["body"]) for row in rows)


def seal_fault(connection: Connection, run: str) -> str:
    """What is wrong with the ledger's entry of a closed run, or with its neighbours; empty where nothing is."""
    number = connection.scalar(select(tables.run.c.number).where(tables.run.c.id == run))
    if number is None:  # there is nothing to hold against the ledger; whoever wanted to load it was refused
        return ""
    ledger = tables.ledger
    columns = [ledger.c[name] for name in Entry._fields]
    found = connection.execute(select(*columns).where(tables.IS_SEALED, ledger.c.subject == run)).all()
    if not found:
        return "the ledger holds no entry of it"
    entry = Entry._make(found[-1])
    if entry.hash != hash_of(entry):
        return f"{entry.title} does not match its own hash"
    before = connection.scalar(select(ledger.c.hash).where(ledger.c.seq == entry.seq - 1))
    after = connection.scalar(select(ledger.c.prev).where(ledger.c.seq == entry.seq + 1))
    if (before or BEGINNING) != entry.prev or after not in {None, entry.hash}:
        return f"{entry.title} does not follow from its neighbours"
    if sealed_runs(connection, [number])[number].sha256 != entry.body_sha256:
        return f"what {entry.title} stands for was changed after it was written"
    return ""


def begin_waiting(connection: Connection, number: int, record: RunRecord) -> None:
    """Put a run that is just being closed on the list; one whose operator was not authenticated waits for nobody."""
    if record.operator_id:
        row = {"run": number, "order_number": record.order, "operator": record.operator}
        connection.execute(insert(tables.waiting), row | {"meaning": Meaning.PERFORMED.value})


def go_on_waiting(connection: Connection, run: str) -> None:
    """Bring the list up to date after a signature."""
    table = tables.waiting
    query = select(tables.run.c.number, tables.run.c.verdict).join(table, table.c.run == tables.run.c.number)
    row = connection.execute(query.where(tables.run.c.id == run)).first()
    if row is None:
        return
    meanings = select(tables.signature.c.meaning).where(tables.signature.c.subject == run)
    signed = {Meaning(one) for one in connection.scalars(meanings)}
    following = waits_for(Verdict(row.verdict) if row.verdict else None, signed)
    its_own = table.c.run == row.number
    if following is None:
        connection.execute(delete(table).where(its_own))
    else:
        connection.execute(update(table).where(its_own).values(meaning=following.value))


def waits_for_no_release(connection: Connection, run: str) -> None:
    """Take a run off the list whose release is all that it waits for."""
    table, number = tables.waiting, select(tables.run.c.number).where(tables.run.c.id == run).scalar_subquery()
    connection.execute(delete(table).where(table.c.run == number, table.c.meaning == Meaning.RELEASED.value))


def _entries(connection: Connection, runs: Sequence[str]) -> dict[str, list[ReviewEntry]]:
    """What was said in review of these runs, in the order in which it was said."""
    table, found = tables.review, defaultdict[str, list[ReviewEntry]](list)
    for first in range(0, len(runs), AT_ONCE):
        for row in named_rows(connection, table, table.c.subject.in_(runs[first : first + AT_ONCE])):
            found[row["subject"]].append(ReviewEntry.model_validate_json(row["body"]))
    return found


def _number_of(connection: Connection, run: str, database: Database) -> int:
    number: int | None = connection.scalar(select(tables.run.c.number).where(tables.run.c.id == run))
    if number is None:
        raise RunUnknownError(run, str(database.path.parent))
    return number
