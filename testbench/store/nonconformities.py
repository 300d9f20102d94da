"""Nonconformities, their attachments, recalls, and what each run rests on.

Each rule is asked within the transaction that keeps what it allows. What the recorder opens is written in the very
transaction that seals the run; so is what a run says of a rework before it.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, Table, func, insert, inspect, select

from testbench.errors import (
    AttachmentDamagedError,
    AttachmentUnknownError,
    NonconformityOpenError,
    NonconformityUnknownError,
    NotReadyToReleaseError,
    RecallLiftedError,
    RecallUnknownError,
    RunNonconformingError,
)
from testbench.procedure.valve import Order
from testbench.run.nonconformity import (
    Attached,
    Disposition,
    Entry,
    Nonconformity,
    Opened,
    Standing,
    Step,
    What,
    after,
    begun,
    folded,
    opened_by,
    retested_by,
)
from testbench.run.recall import Lifting, Recall, RecalledRun, RecallLine, check_not_recalled, in_force, recalls_of
from testbench.run.record import RunRecord, Verdict, canonical, sha256
from testbench.run.signature import Meaning, Signature
from testbench.station.withdrawals import number_of
from testbench.store import tables
from testbench.store.database import Database
from testbench.store.ledger import named_rows
from testbench.store.register import RegisterWriter
from testbench.store.reviewing import waits_for_no_release

RECORDER = "recorder"
"""Who opens what a rejection opens."""
NO_CERTIFICATE = "gets no certificate"


class EnteredBy(NamedTuple):
    """Who entered something, and when."""

    at: str
    """UTC, ISO 8601 with milliseconds."""
    name: str
    id: str = ""


class NonconformityReader:
    """Questions to them. A file from before holds none."""

    _database: Database

    def nonconformity(self, number: str) -> Nonconformity:
        """One by its number.

        Raises:
            NonconformityUnknownError: there is none.
        """
        with self._database.reading() as connection:
            return _of_number(connection, number)

    def nonconformities_of(self, serial: str) -> tuple[Nonconformity, ...]:
        """Those of a serial number, in the order of their opening; letters count alike in either case."""
        with self._database.reading() as connection:
            return _of_serial(connection, serial)

    def nonconformities(self, limit: int = 50, *, only_open: bool = False) -> tuple[Nonconformity, ...]:
        """The newest ones, newest first.

        Args:
            limit: how many at most.
            only_open: those that are not closed.
        """
        table = tables.nonconformity
        with self._database.reading() as connection:
            if not _there(connection, table):
                return ()
            query = select(table.c.number).where(table.c.step == Step.OPENED.value)
            if only_open:
                end = table.alias()
                over = select(end.c.seq).where(end.c.number == table.c.number, end.c.step == Step.CLOSED.value)
                query = query.where(~over.exists())
            numbers = list(connection.scalars(query.order_by(table.c.seq.desc()).limit(limit)))
            found = _folded(connection, table.c.number.in_(numbers))
        return tuple(sorted(found, key=lambda one: numbers.index(one.number)))

    def attachment(self, number: str, attachment: int) -> tuple[Attached, bytes]:
        """An attachment and its content.

        Raises:
            NonconformityUnknownError: there is no such nonconformity.
            AttachmentUnknownError: it has no such attachment.
            AttachmentDamagedError: the content is not what was attached.
        """
        table = tables.attachment
        its_own = (table.c.number == number) & (table.c.attachment == attachment)
        with self._database.reading() as connection:
            attached = _of_number(connection, number).attachments
            found = next((one for one in attached if one.attachment == attachment), None)
            if found is None:
                raise AttachmentUnknownError(number, attachment, len(attached))
            data = connection.scalar(select(table.c.stored).where(its_own))
        if data is None or sha256(data) != found.sha256:
            raise AttachmentDamagedError(number, attachment)
        return found, data

    def rows_of_run(self, run: str) -> tuple[dict[str, Any], ...]:
        """The entries that a run's nonconformity has, each as the ledger hashes it."""
        table = tables.nonconformity
        with self._database.reading() as connection:
            return tuple(dict(row) for row in named_rows(connection, table, table.c.run == run))

    def recalls(self) -> tuple[RecallLine, ...]:
        """Every recall, in the order of entry."""
        with self._database.reading() as connection:
            return _recalls(connection)

    def recalled(self) -> dict[str, tuple[str, ...]]:
        """Run → numbers of the recalls in force that name it."""
        with self._database.reading() as connection:
            return dict(recalled_in(connection))

    def against(self, run: str) -> str:
        """What stands against the release of a run beside its own verdict and signatures; empty where nothing does."""
        with self._database.reading() as connection:
            return _against(connection, run)

    def check_certifiable(self, run: str) -> None:
        """See that an accepted run may get a certificate; errors as ``check_conforming``."""
        with self._database.reading() as connection:
            check_conforming(connection, run, NO_CERTIFICATE)

    def recalled_valves(self, orders: Sequence[Order]) -> set[tuple[str, str]]:
        """(order, serial) of the valves on these orders whose newest closed run is recalled."""
        table, newest = tables.run, {}
        with self._database.reading() as connection:
            lines = _recalls(connection)
            forced, named = in_force(lines), {run.order for line in lines for run in line.recall.runs}
            for number in {order.number for order in orders} & named:
                query = select(table.c.serial, table.c.id).where(table.c.order_number == number)
                for serial, run in connection.execute(query.order_by(table.c.order_number, table.c.number)):
                    newest[number, serial] = run
        return {key for key, run in newest.items() if run in forced}

    def runs_relying_on(self, kind: str, *, subject: str = "", detail: str = "") -> tuple[str, ...]:
        """The closed runs that rest on something, oldest first.

        Args:
            kind: "calibration" or "procedure".
            subject: certificate number, or id of the procedure; empty: any.
            detail: serial number of the instrument, or revision; empty: any.
        """
        with self._database.reading() as connection:
            return tuple(connection.scalars(_relying_on(tables.run.c.id, kind, subject, detail)))


class NonconformityWriter(RegisterWriter):
    """Adds to them; each call returns when its rows are on disk."""

    def open_nonconformity(self, record: RunRecord, why: str, by: EnteredBy) -> Nonconformity:
        """Open one by hand, for a closed run that none was opened for.

        Raises:
            NonconformityOpenError: it has one.
        """
        with self._database.writing() as connection:
            there = nonconformities_in(connection, [record.run])
            if there:
                raise NonconformityOpenError(record.run, there[record.run])
            return self._open_nonconformity(connection, opened_by(record, sha256(canonical(record)), why), by)

    def add_to_nonconformity(self, number: str, what: What, by: EnteredBy) -> Nonconformity:
        """Add an entry; gives how it stands then.

        Raises:
            NonconformityUnknownError: there is none of this number.
            NonconformityStepError: the entry may not follow.
        """
        with self._database.writing() as connection:
            return self._add(connection, _of_number(connection, number), what, by)

    def attach(self, number: str, name: str, media_type: str, data: bytes, by: EnteredBy) -> Nonconformity:
        """Attach a file: its content and the entry that names it, both or neither. Errors as ``add``."""
        digest = sha256(data)
        with self._database.writing() as connection:
            before = _of_number(connection, number)
            its_own = len(before.attachments) + 1
            what = Attached(attachment=its_own, name=name, size=len(data), media_type=media_type, sha256=digest)
            found = self._add(connection, before, what, by)
            self._insert(connection, tables.attachment, number=number, attachment=its_own, sha256=digest, stored=data)
        return found

    def add_recall(self, make: Recall) -> Recall:
        """Keep a recall; gives it with its number."""
        with self._database.writing() as connection:
            number = f"RC-{self._bench}-{len(_recalls(connection)) + 1:06d}"
            kept = make.model_copy(update={"number": number})
            self._insert(connection, tables.recall, number=number, kind="recalled", body=canonical(kept).decode())
        return kept

    def lift_recall(self, lifting: Lifting) -> RecallLine:
        """Lift a recall.

        Raises:
            RecallUnknownError: there is none of this number.
            RecallLiftedError: it was lifted already.
        """
        with self._database.writing() as connection:
            found = next((one for one in _recalls(connection) if one.recall.number == lifting.number), None)
            if found is None:
                raise RecallUnknownError(lifting.number)
            if found.lifted is not None:
                raise RecallLiftedError(lifting.number, found.lifted.by, found.lifted.at)
            body = canonical(lifting).decode()
            self._insert(connection, tables.recall, number=lifting.number, kind="lifted", body=body)
        return found.model_copy(update={"lifted": lifting})

    def _insert_signature(self, connection: Connection, signature: Signature) -> Signature:
        if signature.meaning is Meaning.RELEASED:
            check_conforming(connection, signature.subject_id, "cannot be released")
        kept = super()._insert_signature(connection, signature)
        if signature.meaning is Meaning.REVIEWED and _against(connection, signature.subject_id):
            waits_for_no_release(connection, signature.subject_id)  # it cannot be released; a reviewer has seen that
        return kept

    # In the transaction that seals a run ---------------------------------------------------------

    def _note_basis(self, connection: Connection, number: int, record: RunRecord) -> None:
        """Before it is closed: what the run rests on."""
        rows = [{"run": number, **one} for one in basis_of(record)]
        connection.execute(insert(tables.relied_on), rows)

    def _note_conformity(self, connection: Connection, record: RunRecord, digest: str) -> None:
        """What a run says of the reworks before it, then what it opens itself."""
        by = EnteredBy(record.ended, RECORDER)
        for found in _of_serial(connection, record.valve.serial):
            if found.standing is Standing.REWORKED and found.opened.specimen == record.specimen:
                self._add(connection, found, retested_by(record, digest), by)
        if record.verdict is Verdict.REJECTED:
            self._open_nonconformity(connection, opened_by(record, digest), by)

    def _open_nonconformity(self, connection: Connection, what: Opened, by: EnteredBy) -> Nonconformity:
        table = tables.nonconformity
        last = connection.scalar(
            select(table.c.number).where(table.c.step == Step.OPENED.value).order_by(table.c.seq.desc()).limit(1)
        )
        number = 1 if last is None else int(last.rpartition("-")[2]) + 1
        found = begun(Entry(number=f"N-{self._bench}-{number:06d}", at=by.at, by=by.name, by_id=by.id, what=what))
        self._keep_entry(connection, found)
        return found

    def _add(self, connection: Connection, before: Nonconformity, what: What, by: EnteredBy) -> Nonconformity:
        found = after(before, Entry(number=before.number, at=by.at, by=by.name, by_id=by.id, what=what))
        self._keep_entry(connection, found)
        return found

    def _keep_entry(self, connection: Connection, found: Nonconformity) -> None:
        entry = found.entries[-1]
        self._insert(
            connection,
            tables.nonconformity,
            number=found.number,
            serial=found.opened.serial,
            run=found.opened.run,
            step=entry.what.step.value,
            standing=found.standing.value,
            body=canonical(entry).decode(),
        )


def basis_of(record: RunRecord) -> Iterator[dict[str, str]]:
    """What a run rests on: its procedure, and the calibration of every pressure channel."""
    of = record.requirements
    yield {"kind": "procedure", "subject": of.procedure, "detail": of.revision}
    channels = (record.channel, *(one.channel for one in record.beside))
    for certificate, serial in dict.fromkeys((one.certificate_number, one.serial) for one in channels):
        yield {"kind": "calibration", "subject": certificate, "detail": serial}


def relying_on(number: ColumnElement[int] | Any, kind: str, subject: str = "", detail: str = "") -> Select[Any]:
    """The numbers of the runs that rest on something, as a query."""
    table = tables.relied_on
    query = select(number).where(table.c.kind == kind)
    query = query.where(table.c.subject == subject) if subject else query
    return query.where(table.c.detail == detail) if detail else query


def _relying_on(column: Any, kind: str, subject: str, detail: str) -> Select[Any]:
    numbers = relying_on(tables.relied_on.c.run, kind, subject, detail)
    closed = select(column).where(tables.run.c.number.in_(numbers), tables.run.c.state == "closed")
    return closed.order_by(tables.run.c.number)


def recalled_run(record: RunRecord, why: str, documents: Sequence[str]) -> RecalledRun:
    """How a recall names a run; documents by the number that their file names begin with."""
    return RecalledRun(
        run=record.run,
        record_sha256=sha256(canonical(record)),
        serial=record.valve.serial,
        order=record.order,
        verdict=record.verdict or "void",
        why=why,
        documents=tuple(map(number_of, documents)),
    )


def recalled_in(connection: Connection) -> Mapping[str, tuple[str, ...]]:
    """Run → numbers of the recalls in force that name it."""
    return in_force(_recalls(connection))


def _against(connection: Connection, run: str) -> str:
    if numbers := recalled_in(connection).get(run):
        return f"it is recalled by {', '.join(numbers)}"
    if number := nonconformities_in(connection, [run]).get(run):
        return f"it has the nonconformity {number}"
    return _overtaken(connection, run)


def _overtaken(connection: Connection, run: str) -> str:
    """What became of the valve after this run: rejected since, or scrap; empty where neither."""
    table = tables.run.c
    row = connection.execute(select(table.number, table.serial, table.origin).where(table.id == run)).first()
    if row is None:
        return ""
    later = connection.execute(
        select(table.id, table.verdict)
        .where(func.lower(table.serial) == func.lower(row.serial), table.number > row.number)
        .where(table.verdict.is_not(None), table.origin == row.origin)
        .order_by(table.number.desc())
    ).first()
    if later is not None and later.verdict != Verdict.ACCEPTED:
        return f"run {later.id} of the same valve came after it and was {later.verdict}"
    scrapped = (one for one in _of_serial(connection, row.serial) if one.disposition is Disposition.SCRAP)
    found = next((one for one in scrapped if one.opened.origin == row.origin), None)
    return "" if found is None else f"its valve is scrap (nonconformity {found.number})"


def nonconformities_in(connection: Connection, runs: Sequence[str]) -> dict[str, str]:
    """Run → number of the nonconformity that it opened, or that was opened for it."""
    table = tables.nonconformity
    if not _there(connection, table):
        return {}
    rows = connection.execute(select(table.c.run, table.c.number).where(table.c.run.in_(runs)).distinct())
    return {row.run: row.number for row in rows}


def check_conforming(connection: Connection, run: str, refused: str) -> None:
    """Refuse an accepted run that is accepted no more.

    Args:
        connection: to the records; that of the transaction which keeps what is asked for.
        run: the run.
        refused: what it cannot have, in words.

    Raises:
        RunRecalledError: it is recalled.
        RunNonconformingError: a nonconformity was opened for it.
        NotReadyToReleaseError: its valve was rejected after it, or scrapped.
    """
    check_not_recalled(run, _recalls(connection), refused)
    if (number := nonconformities_in(connection, [run]).get(run)) is not None:
        raise RunNonconformingError(run, number, refused)
    if why := _overtaken(connection, run):
        raise NotReadyToReleaseError(run, why, refused)


def _there(connection: Connection, table: Table) -> bool:
    return inspect(connection).has_table(table.name)


def _folded(connection: Connection, which: ColumnElement[bool]) -> tuple[Nonconformity, ...]:
    table = tables.nonconformity
    return folded(Entry.model_validate_json(row["body"]) for row in named_rows(connection, table, which))


def _of_number(connection: Connection, number: str) -> Nonconformity:
    found = _folded(connection, tables.nonconformity.c.number == number)
    if not found:
        raise NonconformityUnknownError(number, "these records")
    return found[0]


def _of_serial(connection: Connection, serial: str) -> tuple[Nonconformity, ...]:
    return _folded(connection, func.lower(tables.nonconformity.c.serial) == func.lower(serial))


def _recalls(connection: Connection) -> tuple[RecallLine, ...]:
    rows = ((row["kind"], row["body"]) for row in named_rows(connection, tables.recall))
    return recalls_of([
        (Recall if kind == "recalled" else Lifting).model_validate_json(body) for kind, body in rows
    ])  # fmt: skip
