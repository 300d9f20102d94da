"""What can be asked of the records: by the history, by whoever judges a run again, by the certificate.

Nothing in here changes a row. Whatever is handed out as a record has been compared with its hashes first.
"""

import json
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from pydantic import ValidationError
from sqlalchemy import (
    ColumnElement,
    Connection,
    MappingResult,
    Row,
    RowMapping,
    Select,
    Table,
    func,
    inspect,
    select,
    tuple_,
)

from testbench.errors import RecordDamagedError, RecordsMissingError, RunOpenError, RunUnknownError
from testbench.procedure.valve import Order
from testbench.run.record import EarlierRun, RunRecord, StageRecord, Verdict, sha256
from testbench.run.samples import Gap, GapReason, Trace
from testbench.run.signature import Meaning
from testbench.run.state import Happening
from testbench.station.ports import JournalLine, OpenRun, RunSummary, UnsignedRun
from testbench.store import codec, tables
from testbench.store.comparing import ComparisonReader
from testbench.store.counting import CountReader
from testbench.store.database import Database
from testbench.store.issued import IssuedReader
from testbench.store.ledger import BATCH, check_document_count
from testbench.store.ledger_questions import LedgerReader
from testbench.store.moments import from_us
from testbench.store.nonconformities import nonconformities_in, recalled_in, relying_on
from testbench.store.register import KeptSummary, last_run
from testbench.store.reviewing import ReviewReader
from testbench.store.schema import check_readable, version_of

_BEYOND = "\U0010ffff"
"""Sorts after every letter."""
ORDERS_AT_ONCE = 500
"""Orders that one query asks for; SQLite bounds the values of a query."""
_NEWEST_DOCUMENT = (
    select(tables.document.c.path)
    .where(tables.document.c.run == tables.run.c.number)
    .order_by(tables.document.c.seq.desc())
    .limit(1)
    .scalar_subquery()
)


@dataclass(frozen=True, slots=True)
class StoredDocument:
    """A document that was made from a record."""

    kind: str
    path: str
    sha256: str
    record_sha256: str
    issued: datetime


class RunReader(IssuedReader, LedgerReader, CountReader, ReviewReader, ComparisonReader):
    """Questions to one database file.

    Args:
        database: an open file; ``read_only`` where another program records.

    Raises:
        StoreFailedError: the file cannot be used.
        StoreNewerError: a newer version of this program wrote it.
    """

    def __init__(self, database: Database) -> None:
        self._database = database
        try:
            self._prepare()
        except BaseException:
            self.close()
            raise

    def _prepare(self) -> None:
        with self._database.reading() as connection:
            check_readable(connection, self._database.path)

    @classmethod
    def beside(cls, path: Path, *, still: bool = False) -> "RunReader":
        """Open a file for reading only; the recorder may go on writing, unless it lies ``still``."""
        if not path.exists():
            raise RecordsMissingError(str(path), "the file is not there")
        return RunReader(Database(path, read_only=True, still=still))

    @property
    def version(self) -> str | None:
        """Which version of the tables the file has."""
        with self._database.reading() as connection:
            return version_of(connection)

    @property
    def database(self) -> Database:
        """The file behind it."""
        return self._database

    def close(self) -> None:
        """Let go of the file."""
        self._database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self.close()

    # One run -------------------------------------------------------------------------------------

    def load(self, run: str) -> tuple[RunRecord, tuple[Trace, ...]]:
        """A closed run as it was sealed, one trace for each stage of its record.

        Raises:
            RunUnknownError: there is no such run.
            RunOpenError: it is still open.
            RecordDamagedError: something of it is not what was written.
        """
        with self._database.reading() as connection:
            number = self._number(connection, run)
            header, body = _header_and_body(connection, number)
            stored = select(tables.trace).where(tables.trace.c.run == number)
            rows = {row["stage"]: row for row in connection.execute(stored).mappings()}
            others = _sealed_beside(connection, number)
        record = _check_record(run, header, body)
        return record, tuple(_check_trace(run, index, stage, rows, others) for index, stage in enumerate(record.stages))

    def record_of(self, run: str) -> RunRecord:
        """The record of a closed run, without its samples.

        Raises:
            RunUnknownError: there is no such run.
            RunOpenError: it is still open.
            RecordDamagedError: it is not what was written.
        """
        with self._database.reading() as connection:
            return _check_record(run, *_header_and_body(connection, self._number(connection, run)))

    def journal_of(self, run: str) -> tuple[JournalLine, ...]:
        """The journal of a run, open or closed, in the order it was written.

        Raises:
            RunUnknownError: there is no such run.
        """
        with self._database.reading() as connection:
            return _journal(connection, self._number(connection, run))

    def documents_of(self, run: str) -> tuple[StoredDocument, ...]:
        """The documents that were made from a run, oldest first.

        Raises:
            RunUnknownError: there is no such run.
        """
        with self._database.reading() as connection:
            return documents_in(connection, self._number(connection, run))

    def document_count(self) -> int:
        """How many documents were made, however often they were stamped."""
        table = tables.document
        with self._database.reading() as connection:
            each = select(table.c.run, table.c.path).distinct().subquery()
            of_runs = connection.scalar(select(func.count()).select_from(each)) or 0
        return of_runs + len({one.path for one in self.summaries()})

    def has_document(self, digest: str) -> bool:
        """Whether the register names a file of this SHA-256."""
        with self._database.reading() as connection:
            registers = [tables.document, tables.summary_document]
            queries = (
                select(table.c.seq).where(table.c.sha256 == digest).limit(1)
                for table in registers
                if inspect(connection).has_table(table.name)
            )
            return any(connection.scalar(query) is not None for query in queries)

    def owed_documents(self, order: str) -> tuple[str, ...]:
        """The closed runs of an order that are decided and have no document yet, oldest first.

        Raises:
            RowMissingError: the register has lost a document, which would be written a second time.
        """
        table, made = tables.run, tables.document
        bears = select(made.c.seq).where(made.c.run == table.c.number).exists()
        decided = table.c.verdict.in_([Verdict.ACCEPTED.value, Verdict.REJECTED.value])
        query = select(table.c.id).where(table.c.order_number == order, table.c.state == "closed", decided, ~bears)
        with self._database.reading() as connection:
            check_document_count(connection)
            return tuple(connection.scalars(query.order_by(table.c.number)))

    def count_on(self, order: str) -> int:
        """How many closed runs an order has."""
        table = tables.run
        query = select(func.count()).where(table.c.order_number == order, table.c.state == "closed")
        with self._database.reading() as connection:
            return connection.scalar(query) or 0

    def document_of(self, run: str) -> str:
        """Where the newest document of a run lies; empty where it has none."""
        query = select(_NEWEST_DOCUMENT).where(tables.run.c.id == run)
        with self._database.reading() as connection:
            return connection.scalar(query) or ""

    def documents(self) -> Iterator[StoredDocument]:
        """Every document that was made: by the number of its run, then lot certificates and shift summaries."""
        table, after = tables.document, (0, 0)
        while True:
            query = select(table).where(tuple_(table.c.run, table.c.seq) > after).order_by(table.c.run, table.c.seq)
            with self._database.reading() as connection:
                rows = connection.execute(query.limit(BATCH)).all()
            yield from map(_document, rows)
            if len(rows) < BATCH:
                break
            after = (rows[-1].run, rows[-1].seq)
        yield from self.summary_documents()

    def summary_documents(self) -> Iterator[StoredDocument]:
        """Every lot certificate and shift summary, by its path."""
        yield from map(_as_document, sorted(self.summaries(), key=lambda one: one.path))

    # Many runs -----------------------------------------------------------------------------------

    def history(self, limit: int = 50, before: str | None = None, serial: str = "") -> list[RunSummary]:
        """Closed runs, newest first.

        Args:
            limit: how many at most.
            before: give those before this run: the last one of the page that was shown.
            serial: give those whose serial number begins so; letters count alike in either case.

        Raises:
            RunUnknownError: ``before`` is no run.
        """
        query = select(tables.run, _NEWEST_DOCUMENT.label("document")).where(tables.run.c.state == "closed")
        with self._database.reading() as connection:
            if before is not None:
                query = query.where(tables.run.c.number < self._number(connection, before))
            if serial:  # as a range, which the index serves; LIKE would look at every run
                folded, least = func.lower(tables.run.c.serial), func.lower(serial)
                query = query.where(folded >= least, folded < least.concat(_BEYOND))
            rows = connection.execute(query.order_by(tables.run.c.number.desc()).limit(limit)).mappings()
            recalled = recalled_in(connection)
            return [_summary(row, recalled) for row in rows]

    def last_run(self) -> int:
        """The highest run number that was ever given out; see ``last_run``."""
        with self._database.reading() as connection:
            return last_run(connection)

    def open_runs(self) -> list[OpenRun]:
        """Runs that were begun and not closed, oldest first: under way, or cut short."""
        query = select(tables.run).where(tables.IS_OPEN).order_by(tables.run.c.number)
        with self._database.reading() as connection:
            rows = connection.execute(query).mappings().all()
            return [_open_run(connection, row) for row in rows]

    def unsigned_runs(self, among: int = 1000) -> tuple[UnsignedRun, ...]:
        """Closed runs of an authenticated operator who has not signed them as performed, newest first.

        Args:
            among: how many of the newest closed runs are looked at; what waits longer than that waits in the history.
        """
        table, signed = tables.run, tables.signature
        newest = select(table.c.number).where(table.c.state == "closed").order_by(table.c.number.desc()).limit(among)
        performed = signed.c.meaning == Meaning.PERFORMED.value
        bears = select(signed.c.seq).where(signed.c.subject == table.c.id, performed).exists()
        operator = func.json_extract(tables.record.c.body, "$.operator")
        query = (
            select(table.c.id, table.c.serial, table.c.verdict, operator.label("operator"))
            .join(tables.record, tables.record.c.run == table.c.number)
            .where(table.c.number.in_(newest), ~bears)
            .where(func.json_extract(tables.record.c.body, "$.operator_id").is_not(None))
            .order_by(table.c.number.desc())
        )
        with self._database.reading() as connection:
            rows = connection.execute(query).all()
        return tuple(
            UnsignedRun(row.id, row.serial, row.operator, Verdict(row.verdict) if row.verdict else None) for row in rows
        )

    def accepted_run_of(self, serial: str, *, specimen: bool = True) -> str | None:
        """The first run in which this serial number was accepted and that nothing has undone; None where there is none.

        A recall undoes an acceptance; so does a nonconformity that was opened for the run, and then that rules.

        Args:
            serial: the number; letters count alike in either case.
            specimen: whether runs that only yield specimens count, too.
        """
        table = tables.run
        query = (
            select(table.c.id, tables.record.c.body)
            .join(tables.record, tables.record.c.run == table.c.number)
            .where(func.lower(table.c.serial) == func.lower(serial), table.c.verdict == Verdict.ACCEPTED.value)
            .order_by(table.c.number)
        )
        with self._database.reading() as connection:
            rows = connection.execute(query).all()
            undone = recalled_in(connection) if rows else {}
            nonconforming = nonconformities_in(connection, [row.id for row in rows]) if rows else {}
        found = [(row.id, row.body) for row in rows if row.id not in undone and row.id not in nonconforming]
        return next((run for run, body in found if specimen or not RunRecord.model_validate_json(body).specimen), None)

    def earlier_runs_of(self, serial: str) -> tuple[EarlierRun, ...]:
        """The closed runs of this serial number, oldest first; letters count alike in either case."""
        table = tables.run
        query = select(table).where(func.lower(table.c.serial) == func.lower(serial), table.c.state == "closed")
        with self._database.reading() as connection:
            rows = connection.execute(query.order_by(table.c.number)).mappings().all()
        return tuple(
            EarlierRun(
                run=row["id"],
                verdict=Verdict(row["verdict"]) if row["verdict"] else None,
                reason=row["reason"],
                record_sha256=row["record_sha256"],
            )
            for row in rows
        )

    def runs_measured_with(self, serial: str) -> list[tuple[RunRecord, str]]:
        """The closed runs that an instrument measured, oldest first, each with its newest document.

        Raises:
            RecordDamagedError: a record is not what was written.
        """
        written = f'"serial":{json.dumps(serial, ensure_ascii=False)}'
        with self._database.reading() as connection:
            which: ColumnElement[bool]
            if inspect(connection).has_table(tables.relied_on.name):
                which = tables.run.c.number.in_(relying_on(tables.relied_on.c.run, "calibration", detail=serial))
            else:  # a file from before
                which = tables.record.c.body.contains(written, autoescape=True)
            query = _whole_runs().where(tables.run.c.state == "closed", which).order_by(tables.run.c.number)
            rows = connection.execute(query).mappings().all()
        found = [(_check_record(row["id"], row, row["body"]), row["document"] or "") for row in rows]
        return [(record, document) for record, document in found if record.channel.serial == serial]

    def records_of(self, runs: Sequence[str]) -> Iterator[tuple[RunRecord, str]]:
        """These closed runs, oldest first, each with the path of its newest document; without their samples.

        Raises:
            RecordDamagedError: a record is not what was written.
        """
        for first in range(0, len(runs), ORDERS_AT_ONCE):
            query = _whole_runs().where(tables.run.c.id.in_(runs[first : first + ORDERS_AT_ONCE]))
            with self._database.reading() as connection:
                rows = connection.execute(query.order_by(tables.run.c.number)).mappings().all()
            for row in rows:
                yield _check_record(row["id"], row, row["body"]), row["document"] or ""

    def runs_of(self, serial: str) -> tuple[RunSummary, ...]:
        """The closed runs of this very serial number, oldest first; letters count alike in either case."""
        query = select(tables.run, _NEWEST_DOCUMENT.label("document")).where(tables.run.c.state == "closed")
        query = query.where(func.lower(tables.run.c.serial) == func.lower(serial)).order_by(tables.run.c.number)
        with self._database.reading() as connection:
            recalled = recalled_in(connection)
            return tuple(_summary(row, recalled) for row in connection.execute(query).mappings())

    def states_of(self, orders: Sequence[Order]) -> dict[tuple[str, str], str]:
        """(order, serial) → verdict or "void" of the newest closed run; a valve without one is not in it."""
        table = tables.run
        on_order = {(order.number, valve.serial) for order in orders for valve in order.valves}
        numbers = sorted({order.number for order in orders})
        found: dict[tuple[str, str], str] = {}
        with self._database.reading() as connection:
            for first in range(0, len(numbers), ORDERS_AT_ONCE):
                # In ascending order a later run takes the place of an earlier one.
                rows = connection.execute(
                    select(table.c.order_number, table.c.serial, table.c.verdict)
                    .where(table.c.order_number.in_(numbers[first : first + ORDERS_AT_ONCE]))
                    .order_by(table.c.order_number, table.c.number)
                )
                found.update({(number, serial): verdict or "void" for number, serial, verdict in rows})
        return {key: state for key, state in found.items() if key in on_order}

    @property
    def _home(self) -> str:
        return str(self._database.path.parent)

    def _number(self, connection: Connection, run: str) -> int:
        number: int | None = connection.scalar(select(tables.run.c.number).where(tables.run.c.id == run))
        if number is None:
            raise RunUnknownError(run, self._home)
        return number


def _whole_runs() -> Select[Any]:
    columns = (tables.run, tables.record.c.body, _NEWEST_DOCUMENT.label("document"))
    return select(*columns).join(tables.record, tables.record.c.run == tables.run.c.number)


# Rows to values ---------------------------------------------------------------------------------


def header_of(record: RunRecord, digest: str) -> dict[str, Any]:
    """What the history lists of a record."""
    return {
        "serial": record.valve.serial,
        "order_number": record.order,
        "stages": ", ".join(_stage_in_words(stage) for stage in record.stages),
        "verdict": record.verdict.value if record.verdict else None,
        "ended": record.ending.value if record.ending else "",
        "reason": record.reason,
        "started": record.started,
        "origin": record.origin.value,
        "record_sha256": digest,
    }


def _stage_in_words(stage: StageRecord) -> str:
    found = stage.finding.verdict if stage.finding else f"void ({stage.ended})"
    return f"{stage.stage} {found}"


def _document(row: Row[Any]) -> StoredDocument:
    return StoredDocument(row.kind, row.path, row.sha256, row.record_sha256, from_us(row.issued_us))


def _as_document(one: KeptSummary) -> StoredDocument:
    listed = one.listed
    issued = datetime.fromisoformat(listed.issued)
    return StoredDocument(listed.kind, one.path, one.sha256, listed.records_sha256, issued)


def documents_in(connection: Connection, number: int) -> tuple[StoredDocument, ...]:
    """The documents that were made from a run, oldest first."""
    table = tables.document
    rows = connection.execute(select(table).where(table.c.run == number).order_by(table.c.seq))
    return tuple(map(_document, rows))


def samples_of(connection: Connection, number: int) -> dict[int, Trace]:
    """The acknowledged samples of an open run by stage, without gaps."""
    parts: dict[int, list[RowMapping]] = defaultdict(list)
    for row in _chunks(connection, tables.chunk, number):
        parts[row["stage"]].append(row)
    return {stage: _trace_of(rows) for stage, rows in parts.items()}


def beside_of(connection: Connection, number: int) -> dict[tuple[int, str], Trace]:
    """The acknowledged samples of an open run's other channels by stage and tag, without gaps."""
    parts: dict[tuple[int, str], list[RowMapping]] = defaultdict(list)
    for row in _chunks(connection, tables.beside_chunk, number):
        parts[row["stage"], row["channel"]].append(row)
    return {key: _trace_of(rows) for key, rows in parts.items()}


def _chunks(connection: Connection, table: Table, number: int) -> MappingResult:
    there = {column["name"] for column in inspect(connection).get_columns(table.name)}  # an older file has fewer
    query = select(*(column for column in table.c if column.name in there)).where(table.c.run == number)
    return connection.execute(query.order_by(table.c.seq)).mappings()


def _trace_of(rows: list[RowMapping]) -> Trace:
    ticks, counts = (_int64(b"".join(row[column] for row in rows)) for column in ("ticks", "counts"))
    asked = [row.get("asked") for row in rows]
    if not any(asked):
        return Trace(ticks, counts)
    # As in ``Trace.of``: what was not asked for has one stamp for both ends.
    ends = (query or row["ticks"] for query, row in zip(asked, rows, strict=True))
    return Trace(ticks, counts, asked=_int64(b"".join(ends)))


def _sealed_beside(connection: Connection, number: int) -> dict[tuple[int, str], bytes]:
    """The stored traces of a closed run's other channels; none in a file from before there were any."""
    table = tables.beside_trace
    if not inspect(connection).has_table(table.name):
        return {}
    rows = connection.execute(select(table).where(table.c.run == number))
    return {(row.stage, row.channel): row.stored for row in rows}


def _int64(raw: bytes) -> codec.Column:
    return np.frombuffer(raw, dtype="<i8").astype(np.int64)


def _journal(connection: Connection, number: int) -> tuple[JournalLine, ...]:
    table = tables.journal
    rows = connection.execute(select(table).where(table.c.run == number).order_by(table.c.seq))
    return tuple(JournalLine(row.stage, Happening(row.at, row.event, row.sentence)) for row in rows)


def _open_run(connection: Connection, header: RowMapping) -> OpenRun:
    number = header["number"]
    gaps: dict[int, list[Gap]] = defaultdict(list)
    for row in connection.execute(select(tables.gap).where(tables.gap.c.run == number).order_by(tables.gap.c.seq)):
        gaps[row.stage].append(Gap(since=row.since, until=row.until, reason=GapReason(row.reason)))
    lines = select(tables.rejected.c.stage, func.count()).where(tables.rejected.c.run == number)
    rejected = connection.execute(lines.group_by(tables.rejected.c.stage))
    samples = samples_of(connection, number)
    nothing = Trace.of([])
    traces = {}
    for stage in sorted(samples.keys() | gaps.keys()):
        traces[stage] = samples.get(stage, nothing).with_gaps(tuple(gaps[stage]))
    return OpenRun(
        beside=_open_beside(connection, number),
        run=header["id"],
        opening=header["opening"],
        opened=from_us(header["opened_us"]),
        traces=traces,
        rejected_lines={row[0]: row[1] for row in rejected},
        journal=_journal(connection, number),
    )


def _open_beside(connection: Connection, number: int) -> dict[tuple[int, str], Trace]:
    table, nothing = tables.beside_gap, Trace.of([])
    if not inspect(connection).has_table(table.name):
        return {}
    gaps: dict[tuple[int, str], list[Gap]] = defaultdict(list)
    for row in connection.execute(select(table).where(table.c.run == number).order_by(table.c.seq)):
        gaps[row.stage, row.channel].append(Gap(since=row.since, until=row.until, reason=GapReason(row.reason)))
    samples = beside_of(connection, number)
    return {key: samples.get(key, nothing).with_gaps(tuple(gaps[key])) for key in sorted(samples.keys() | gaps.keys())}


def _summary(row: RowMapping, recalled: Mapping[str, tuple[str, ...]]) -> RunSummary:
    return RunSummary(
        run=row["id"],
        serial=row["serial"],
        order=row["order_number"],
        stages=row["stages"],
        verdict=Verdict(row["verdict"]) if row["verdict"] else None,
        ended=row["ended"],
        reason=row["reason"],
        started=row["started"],
        origin=row["origin"],
        record_sha256=row["record_sha256"],
        document=row["document"] or "",
        recalled=recalled.get(row["id"], ()),
    )


def _header_and_body(connection: Connection, number: int) -> tuple[RowMapping, str | None]:
    header = connection.execute(select(tables.run).where(tables.run.c.number == number)).mappings().one()
    if header["state"] == "open":
        raise RunOpenError(header["id"])
    return header, connection.scalar(select(tables.record.c.body).where(tables.record.c.run == number))


def _check_record(run: str, header: RowMapping, body: str | None) -> RunRecord:
    if body is None or sha256(body.encode()) != header["record_sha256"]:
        raise RecordDamagedError(run, "the record")
    try:
        record = RunRecord.model_validate_json(body)
    except ValidationError as damage:
        raise RecordDamagedError(run, "the record") from damage
    expected = {"id": record.run, **header_of(record, header["record_sha256"])}
    if any(header[name] != value for name, value in expected.items()):
        raise RecordDamagedError(run, "its line in the history")
    return record


def _check_trace(
    run: str, index: int, stage: StageRecord, rows: Mapping[int, RowMapping], others: Mapping[tuple[int, str], bytes]
) -> Trace:
    what = f"the trace of the {stage.stage}, attempt {stage.attempt},"
    try:
        stored = [(rows[index]["stored"], stage.trace, stage.gaps)]
        stored += [(others[index, one.tag], one.trace, one.gaps) for one in stage.beside]
        found = [(codec.decode(data), named, gaps) for data, named, gaps in stored]
    except (KeyError, ValueError) as damage:
        raise RecordDamagedError(run, what) from damage
    if any(samples.sha256() != named.sha256 for samples, named, _ in found):
        raise RecordDamagedError(run, what)
    deciding, *beside = (samples.with_gaps(gaps) for samples, _, gaps in found)
    return replace(deciding, beside=tuple(beside))
