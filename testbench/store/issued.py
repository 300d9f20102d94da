"""The register of issued documents, and what stands against them: read from the records, never kept a second time."""

import json
import re
from collections.abc import Container, Iterator, Sequence
from itertools import groupby
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, Select, Table, func, inspect, select, tuple_

from testbench.procedure.valve import Order
from testbench.run.nonconformity import Entry, Opened, Step
from testbench.run.record import Verdict
from testbench.station.summed_up import Kind, number_in
from testbench.station.withdrawals import (
    IssuedDocument,
    Withdrawal,
    number_of,
    word_of_nonconformity,
    word_of_recall,
    words_on_pages,
)
from testbench.store import tables
from testbench.store.database import Database
from testbench.store.ledger import BATCH, check_document_count, check_documents, named_rows, stated
from testbench.store.moments import from_us
from testbench.store.nonconformities import NonconformityReader
from testbench.store.register import KeptSummary, RegisterReader, last_run, next_in_series

GIVEN_UP = "it was given up with records that a restored backup took the place of"
_REPLACEMENT = re.compile(r"(.+-\d{6,})-(\d{1,5})")
"""First number of a run's documents, and which one of them; the number of a run has six digits or more."""
AT_ONCE = 500
"""Runs that one query asks for; SQLite bounds the values of a query."""


class IssuedReader(NonconformityReader, RegisterReader):
    """Questions to the register. A file from before a part of it holds none of that."""

    _database: Database

    def issued(self, *, order: str = "", serial: str = "") -> Iterator[IssuedDocument]:
        """The documents: of runs by the number of the run, then lot certificates and shift summaries.

        Args:
            order: those of this order only.
            serial: those of this very serial number only, letters count alike in either case; then no summary.
        """
        run, where = tables.run, []
        with self._database.reading() as connection:
            check_document_count(connection)
        where += [run.c.order_number == order] if order else []
        where += [func.lower(run.c.serial) == func.lower(serial)] if serial else []
        yield from _documents(self._document_rows(where))
        if not serial:
            yield from (one for one in self.pages() if order in {"", one.order})

    def gaps(self) -> Iterator[tuple[str, str]]:
        """Every number that was given out and has no document, with the reason: runs, replacements, pages that sum up.

        A document has the number of its run, so that a run without one leaves a gap that says nothing by itself.
        """
        run, made = tables.run, tables.document
        bears = select(made.c.seq).where(made.c.run == run.c.number).exists()
        query = select(run.c.number, run.c.id, run.c.state, run.c.verdict, bears).order_by(run.c.number)
        with self._database.reading() as connection:
            rows, last = connection.execute(query).all(), last_run(connection)
            ends = {kind: next_in_series(connection, kind) for kind in Kind}
        there = {row.number for row in rows}
        name, bench = {row.number: row.id for row in rows}, rows[0].id.rpartition("-")[0] if rows else ""
        why = {row.number: _why_no_document(row.state, row.verdict) for row in rows if not row[4]}
        for number in range(1, last + 1):
            if number not in there:
                yield f"{bench}-{number:06d}", GIVEN_UP
            elif number in why:
                yield name[number], why[number]
        for first, count in self.replacements().items():
            issued = {one.number for one in self.issued_of(first.partition("-")[2])}
            yield from ((told, GIVEN_UP) for n in range(2, count + 1) if (told := f"{first}-{n}") not in issued)
        pages = {one.number for one in self.pages()}
        for kind, end in ends.items():
            yield from ((told, GIVEN_UP) for n in range(1, end) if (told := number_in(kind, bench, n)) not in pages)

    def pages(self) -> tuple[IssuedDocument, ...]:
        """The lot certificates and shift summaries, by their numbers."""
        summaries = sorted(self.summaries(), key=lambda one: one.listed.number)
        with self._database.reading() as connection:
            why = _unstamped(connection, [one.sha256 for one in summaries])
        by_number = groupby(summaries, key=lambda one: one.listed.number)
        return tuple(_page([*kept], why) for _, kept in by_number)

    def words(self, records: Container[str] | None = None) -> tuple[Withdrawal, ...]:
        """What stands against documents: withdrawals as they were entered, recalls in force, nonconformities.

        Args:
            records: SHA-256 of the records whose documents are asked for; None: all.
        """
        lines = [line.recall for line in self.recalls() if line.lifted is None]
        named = [(recall, run) for recall in lines for run in recall.runs]
        recalled = [(recall, run.run) for recall, run in named if records is None or run.record_sha256 in records]
        opened = self._opened_on_accepted(records)
        runs = sorted({*(run for _, run in recalled), *opened})
        documents = {run: [*found] for run, found in groupby(self._of_runs(runs), key=lambda one: one.run)}
        return (
            *(one for one in self.withdrawals() if records is None or one.record_sha256 in records),
            *(word_of_recall(recall, one) for recall, run in recalled for one in documents.get(run, ())),
            *(word_of_nonconformity(opened[run], one) for run in opened for one in documents.get(run, ())),
        )

    def words_and_pages(self) -> tuple[Withdrawal, ...]:
        """The same, and what follows from it for lot certificates and shift summaries."""
        words = self.words()
        return (*words, *words_on_pages(words, self.pages()))

    def waiting_documents(self) -> tuple[IssuedDocument, ...]:
        """The newest document of each run, and every page, that waits for a time stamp; longest first."""
        document, newer = tables.document, tables.document.alias()
        with self._database.reading() as connection:
            if not inspect(connection).has_table(tables.unstamped.name):
                return ()
            later = select(newer.c.seq).where(newer.c.run == document.c.run, newer.c.seq > document.c.seq)
            runs = select(tables.run.c.id).join(document, document.c.run == tables.run.c.number)
            runs = runs.join(tables.unstamped, tables.unstamped.c.sha256 == document.c.sha256).where(~later.exists())
            found = list(connection.scalars(runs.order_by(tables.unstamped.c.seq)))
        newest = {one.run: one for one in self._of_runs(found)}
        return (*(newest[run] for run in found), *(one for one in self.pages() if one.waiting))

    def issued_of(self, run: str) -> tuple[IssuedDocument, ...]:
        """The documents of a run, oldest first."""
        with self._database.reading() as connection:
            check_document_count(connection)
        return tuple(self._of_runs([run]))

    def without_certificate(self, orders: Sequence[Order]) -> frozenset[tuple[str, str]]:
        """(order, serial) of the valves on these orders whose newest closed run was accepted and has no certificate.

        That is: none was issued of it, or the newest was withdrawn.
        """
        run, made, numbers = tables.run, tables.document, sorted({order.number for order in orders})
        withdrawn = {one.number: one.run for one in self.withdrawals()}
        path = select(made.c.path).where(made.c.run == run.c.number).order_by(made.c.seq.desc()).limit(1)
        columns = (run.c.order_number, run.c.serial, path.scalar_subquery())
        found: set[tuple[str, str]] = set()
        with self._database.reading() as connection:
            for first in range(0, len(numbers), AT_ONCE):
                of_orders = run.c.order_number.in_(numbers[first : first + AT_ONCE])
                newest = select(func.max(run.c.number)).where(of_orders, run.c.state == "closed")
                accepted = (
                    run.c.number.in_(newest.group_by(run.c.order_number, run.c.serial)),
                    run.c.verdict == Verdict.ACCEPTED.value,
                )
                bears = select(made.c.seq).where(made.c.run == run.c.number).exists()
                doubted = ~bears | run.c.id.in_(set(withdrawn.values()))
                rows = connection.execute(select(*columns).where(*accepted, doubted)).all()
                found.update((row[0], row[1]) for row in rows if row[2] is None or number_of(row[2]) in withdrawn)
        return frozenset(found)

    def replacements(self) -> dict[str, int]:
        """First number of a run's documents → which one was given out last, also in records that a backup replaced."""
        with self._database.reading() as connection:
            there = inspect(connection).has_table(tables.ledger.name)
            told = stated(connection, "restored") if there else []
        numbers = (_REPLACEMENT.fullmatch(one.replaced_by) for one in self.withdrawals())
        found: dict[str, int] = {}
        given_up = (pair for body in told for pair in json.loads(body).get("last_replacements", {}).items())
        for first, count in (*((one[1], int(one[2])) for one in numbers if one), *given_up):
            found[first] = max(count, found.get(first, 1))
        return found

    def _opened_on_accepted(self, records: Container[str] | None) -> dict[str, Entry]:
        """Run → the opening of its nonconformity, for runs that were accepted."""
        table, run = tables.nonconformity, tables.run
        accepted = select(run.c.number).where(run.c.id == table.c.run, run.c.verdict == Verdict.ACCEPTED.value)
        with self._database.reading() as connection:
            rows = named_rows(connection, table, table.c.step == Step.OPENED.value, accepted.exists())
        found = (Entry.model_validate_json(row["body"]) for row in rows)
        whats = ((one, one.what) for one in found if isinstance(one.what, Opened))
        return {what.run: one for one, what in whats if records is None or what.record_sha256 in records}

    def _of_runs(self, runs: Sequence[str]) -> Iterator[IssuedDocument]:
        for first in range(0, len(runs), AT_ONCE):
            yield from _documents(self._document_rows([tables.run.c.id.in_(runs[first : first + AT_ONCE])]))

    def _document_rows(self, where: Sequence[ColumnElement[bool]]) -> "Iterator[tuple[Row[Any], str]]":
        """The rows of documents with run, serial number and order, each with why it left unstamped."""
        table, after = tables.document, (0, 0)
        while True:
            query = _with_run(table).where(*where, tuple_(table.c.run, table.c.seq) > after)
            with self._database.reading() as connection:
                rows = connection.execute(query.order_by(table.c.run, table.c.seq).limit(BATCH)).all()
                check_documents(connection, rows)
                why = _unstamped(connection, [row.sha256 for row in rows])
            yield from ((row, why.get(row.sha256, "")) for row in rows)
            if len(rows) < BATCH:
                return
            after = (rows[-1].run, rows[-1].seq)


def _why_no_document(state: str, verdict: str | None) -> str:
    if state == "open":
        return "its run is open"
    if verdict in {Verdict.ACCEPTED, Verdict.REJECTED}:
        return "its run is decided, and no document was issued of it yet"
    return f"its run is {verdict or 'void'}, which gets no document"


def _with_run(table: Table) -> Select[Any]:
    run = tables.run
    query = select(table, run.c.id, run.c.serial, run.c.order_number)
    return query.join(run, run.c.number == table.c.run)


def _documents(rows: "Iterator[tuple[Row[Any], str]]") -> Iterator[IssuedDocument]:
    """One for the rows of each file: as it was issued, then as it was stamped."""
    for (_, path), group in groupby(rows, key=lambda one: (one[0].run, one[0].path)):
        found = [*group]
        first, (last, waiting) = found[0][0], found[-1]
        yield IssuedDocument(
            number_of(path), last.id, last.serial, last.order_number, last.kind, path, from_us(first.issued_us),
            last.record_sha256, tuple(row.sha256 for row, _ in found), waiting,
        )  # fmt: skip


def _page(kept: Sequence[KeptSummary], why: dict[str, str]) -> IssuedDocument:
    last, files = kept[-1], tuple(one.sha256 for one in kept)
    return IssuedDocument.of_page(last.listed, last.path, files, why.get(last.sha256, ""))


def _unstamped(connection: Connection, digests: Sequence[str]) -> dict[str, str]:
    """SHA-256 → why, of those of these files that left without a time stamp."""
    table = tables.unstamped
    found: dict[str, str] = {}
    for first in range(0, len(digests), AT_ONCE):
        rows = named_rows(connection, table, table.c.sha256.in_(digests[first : first + AT_ONCE]))
        found |= {row["sha256"]: row["why"] for row in rows}
    return found
