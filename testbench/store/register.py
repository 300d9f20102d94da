"""What the bench keeps beside its runs: adoptions, calibrations, gauge checks, blank runs, people, signatures.

Rows are numbered from 1 and never change; each is named by an entry of the ledger. A file from before a register had
its table holds nothing of it.
"""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, Connection, Table, func, insert, inspect, select

from testbench.errors import DocumentExistsError, PersonEntryDamagedError
from testbench.procedure.adoption import Adoption
from testbench.run.ledger import Checkpoint
from testbench.run.record import canonical, sha256
from testbench.run.signature import Method, Signature
from testbench.station.calibrations import CalibrationReport
from testbench.station.gauge_checks import GaugeCheck
from testbench.station.lockout import Attempt, Outcome
from testbench.station.people import Kept, PersonEntry
from testbench.station.review import Bearing, Borne, ReviewEntry
from testbench.station.summed_up import Kind, SummedUp
from testbench.station.withdrawals import Withdrawal
from testbench.store import tables
from testbench.store.database import Database
from testbench.store.ledger import LedgerWriter, kind_of, last_entry, named_rows, row_sha256, stated
from testbench.store.reviewing import borne_of, go_on_waiting, signatures_under


@dataclass(frozen=True, slots=True)
class KeptSummary:
    """A lot certificate or shift summary of the register."""

    path: str
    sha256: str
    """Of the file."""
    listed: SummedUp


class RegisterReader:
    """Questions to the registers."""

    _database: Database

    def adoption_of(self, procedure_sha256: str) -> Adoption | None:
        """The newest adoption of a procedure file with this hash; None where it was never adopted."""
        table = tables.adoption
        bodies = self._bodies(table, table.c.sha256 == procedure_sha256)
        return Adoption.model_validate_json(bodies[-1]) if bodies else None

    def calibrations(self) -> tuple[CalibrationReport, ...]:
        """Every calibration, in the order of entry."""
        table = tables.calibration
        return tuple(map(CalibrationReport.model_validate_json, self._bodies(table)))

    def calibrations_of(self, serial: str) -> tuple[CalibrationReport, ...]:
        """Every calibration of one instrument, in the order of entry."""
        table = tables.calibration
        bodies = self._bodies(table, table.c.serial == serial)
        return tuple(map(CalibrationReport.model_validate_json, bodies))

    def gauge_checks_of(self, serial: str) -> tuple[GaugeCheck, ...]:
        """Every check of one instrument against a second gauge, in the order they were made."""
        table = tables.gauge_check
        bodies = self._bodies(table, table.c.serial == serial)
        return tuple(map(GaugeCheck.model_validate_json, bodies))

    def blanks(self) -> tuple[str, ...]:
        """Every blank run as canonical JSON, in the order they were declared."""
        return self._bodies(tables.blank)

    def withdrawals(self) -> tuple[Withdrawal, ...]:
        """Every withdrawal of a document, in the order of entry."""
        return tuple(map(Withdrawal.model_validate_json, self._bodies(tables.withdrawal)))

    def summaries(self) -> tuple[KeptSummary, ...]:
        """Every lot certificate and shift summary in the order of entry; a stamped one once more."""
        with self._database.reading() as connection:
            return _summaries(connection)

    def next_summary(self, kind: Kind) -> int:
        """The next number of a series; see ``next_in_series``."""
        with self._database.reading() as connection:
            return next_in_series(connection, kind)

    def people(self) -> tuple[Kept, ...]:
        """Every entry of a person, in the order of entry."""
        with self._database.reading() as connection:
            return _kept(connection)

    def tries_of(self, person: str, method: Method) -> tuple[Attempt, ...]:
        """The tries of a person since the last that was not wrong, that one first."""
        with self._database.reading() as connection:
            return _attempts(connection, person, method)

    def signatures_of(self, subject: str) -> tuple[Signature, ...]:
        """The signatures under a run or a procedure, in the order they were made."""
        with self._database.reading() as connection:
            return signatures_under(connection, subject)

    def _bodies(self, table: Table, *where: ColumnElement[bool]) -> tuple[str, ...]:
        with self._database.reading() as connection:
            return tuple(row["body"] for row in named_rows(connection, table, *where))


class RegisterWriter(RegisterReader, LedgerWriter):
    """Adds to the registers; each call returns when the row is on disk."""

    def adopt(self, adoption: Adoption, signature: Signature | None = None) -> None:
        """Keep the adoption of a procedure, and the signature under it, both or neither."""
        with self._database.writing() as connection:
            self._insert(connection, tables.adoption, sha256=adoption.sha256, body=canonical(adoption).decode())
            if signature is not None:
                self._insert_signature(connection, signature)

    def add_calibration(self, report: CalibrationReport) -> None:
        """Keep a calibration."""
        self._keep(
            tables.calibration,
            serial=report.serial,
            certificate_number=report.certificate_number,
            calibrated_on=str(report.calibrated_on),
            body=canonical(report).decode(),
        )

    def add_gauge_check(self, check: GaugeCheck) -> None:
        """Keep a check against a second gauge."""
        body = canonical(check).decode()
        self._keep(tables.gauge_check, serial=check.serial, at=check.check.at, body=body)

    def add_blank(self, body: str) -> None:
        """Keep a blank run (canonical JSON)."""
        self._keep(tables.blank, body=body)

    def add_checkpoint(self, checkpoint: Checkpoint) -> None:
        """Keep a signed checkpoint; it does its work elsewhere."""
        self._keep(tables.checkpoint, n=checkpoint.n, body=checkpoint.text)

    def add_withdrawal(self, withdrawal: Withdrawal, check: Callable[[Sequence[Withdrawal]], None]) -> None:
        """Keep the withdrawal of a document; the check sees the whole register."""
        with self._database.writing() as connection:
            self._insert_withdrawal(connection, withdrawal, check)

    def _insert_withdrawal(
        self, connection: Connection, withdrawal: Withdrawal, check: Callable[[Sequence[Withdrawal]], None]
    ) -> None:
        known = named_rows(connection, tables.withdrawal)
        check(tuple(Withdrawal.model_validate_json(row["body"]) for row in known))
        self._insert(connection, tables.withdrawal, number=withdrawal.number, body=canonical(withdrawal).decode())

    def add_summary(self, found: KeptSummary, *, again: bool = False, unstamped: str = "") -> None:
        """Keep a lot certificate or shift summary.

        Args:
            found: the file and its list.
            again: it is one that the register has, with the hash that its time stamp gave it.
            unstamped: why it left without the time stamp that it waits for; empty where it waits for none.

        Raises:
            DocumentExistsError: its number is not the next of its series: another program was quicker.
        """
        listed = found.listed
        with self._database.writing() as connection:
            if not again and listed.count != next_in_series(connection, listed.kind):
                raise DocumentExistsError(listed.number, found.path)
            self._insert(
                connection, tables.summary_document, number=listed.number, kind=listed.kind, subject=listed.subject,
                path=found.path, sha256=found.sha256, body=canonical(listed).decode(),
            )  # fmt: skip
            self._note_unstamped(connection, found.sha256, unstamped)

    def _note_unstamped(self, connection: Connection, sha256: str, why: str) -> None:
        """That a file waits for its time stamp; nothing where no reason is given."""
        if why:
            self._insert(connection, tables.unstamped, sha256=sha256, why=why)

    def _keep(self, table: Table, **columns: str | int) -> None:
        with self._database.writing() as connection:
            self._insert(connection, table, **columns)

    # People and signatures: each rule is asked within the transaction that keeps what it allows -----

    def add_people(self, kept: Sequence[Kept], check: Callable[[Sequence[Kept]], None]) -> None:
        """Keep entries of people, all or none; what the check raises keeps none."""
        with self._database.writing() as connection:
            check(_kept(connection))
            for one in kept:
                body = canonical(one.entry).decode()
                self._insert(connection, tables.person_entry, person=one.entry.person, secret=one.secret, body=body)

    def add_attempt(self, attempt: Attempt, check: Callable[[Sequence[Attempt]], None]) -> None:
        """Keep a try; the check sees the tries of that person since the last that was not wrong."""
        with self._database.writing() as connection:
            check(_attempts(connection, attempt.person, attempt.method))
            self._insert(
                connection,
                tables.attempt,
                person=attempt.person,
                method=attempt.method,
                outcome=attempt.outcome,
                body=canonical(attempt).decode(),
            )

    def add_signature(self, signature: Signature, check: Callable[[Borne], None]) -> Signature:
        """Keep a signature under a run; the check sees what the run bears. Gives it as kept."""
        run = signature.subject_id
        return self.add_signatures((signature,), lambda borne: check(borne[run]))[0]

    def add_signatures(
        self, signatures: Sequence[Signature], check: Callable[[Bearing], None]
    ) -> tuple[Signature, ...]:
        """Keep a signature under each of several runs, all or none; the check sees what every run bears."""
        with self._database.writing() as connection:
            check({one.subject_id: borne_of(connection, one.subject_id) for one in signatures})
            return tuple(self._insert_signature(connection, one) for one in signatures)

    def add_review(self, entry: ReviewEntry, check: Callable[[Borne], None]) -> None:
        """Keep what was done with a run in review; the check sees what the run bears."""
        with self._database.writing() as connection:
            check(borne_of(connection, entry.run))
            body = canonical(entry).decode()
            self._insert(connection, tables.review, subject=entry.run, step=entry.step, body=body)

    def _insert(self, connection: Connection, table: Table, **columns: str | int | bytes) -> None:
        """Add a row behind the others, and its entry to the ledger: the one place where a register grows."""
        row = {"seq": _next(connection, table), **columns}
        connection.execute(insert(table), row)
        self._note(connection, kind_of(table.name), str(row["seq"]), row_sha256(row))

    def _insert_signature(self, connection: Connection, signature: Signature) -> Signature:
        """It names the newest entry of the ledger, so that it cannot have been made before what that entry names."""
        last = last_entry(connection)
        if last is not None:
            signature = signature.model_copy(update={"ledger_seq": last.seq, "ledger_head": last.hash})
        body = canonical(signature).decode()
        self._insert(connection, tables.signature, subject=signature.subject_id, meaning=signature.meaning, body=body)
        if signature.subject == "run":
            go_on_waiting(connection, signature.subject_id)
        return signature


def last_run(connection: Connection) -> int:
    """The highest run number that was given out: here, or in records that a restored backup took the place of."""
    given_out: int = connection.scalar(select(func.max(tables.run.c.number))) or 0
    if not inspect(connection).has_table(tables.ledger.name):
        return given_out
    given_up = [int(json.loads(body).get("last_run", 0)) for body in stated(connection, "restored")]
    return max(given_out, *given_up, 0)


def next_in_series(connection: Connection, kind: Kind) -> int:
    """The next number of a series: after every one that was given out, also in records that a backup took the place of.

    Whatever the file holds under such a number counts, also a row that the ledger does not name.

    Args:
        connection: to the records.
        kind: whose series.
    """
    table, there = tables.summary_document, inspect(connection)
    given_up: list[int] = []
    if there.has_table(tables.ledger.name):
        told = stated(connection, "restored")
        given_up = [json.loads(body).get("last_summaries", {}).get(kind, 0) for body in told]
    if not there.has_table(table.name):
        return 1 + max([0, *given_up])
    known = connection.scalars(select(table.c.number).where(table.c.kind == kind.value))
    return 1 + max([0, *given_up, *(int(number.rpartition("-")[2]) for number in known)])


def _summaries(connection: Connection) -> tuple[KeptSummary, ...]:
    rows = named_rows(connection, tables.summary_document)
    return tuple(KeptSummary(row["path"], row["sha256"], SummedUp.model_validate_json(row["body"])) for row in rows)


def _kept(connection: Connection) -> tuple[Kept, ...]:
    table = tables.person_entry
    found = []
    for row in named_rows(connection, table):
        entry, secret = PersonEntry.model_validate_json(row["body"]), row["secret"]
        if entry.secret_sha256 != (sha256(secret.encode()) if secret else ""):
            raise PersonEntryDamagedError(entry.person)
        found.append(Kept(entry, secret))
    return tuple(found)


def _attempts(connection: Connection, person: str, method: Method) -> tuple[Attempt, ...]:
    table = tables.attempt
    of_person = (table.c.person == person) & (table.c.method == method.value)
    last = select(func.coalesce(func.max(table.c.seq), 0)).where(of_person, table.c.outcome != Outcome.BEGUN.value)
    since = named_rows(connection, table, of_person, table.c.seq >= last.scalar_subquery())
    return tuple(Attempt.model_validate_json(row["body"]) for row in since)


def _next(connection: Connection, table: Table) -> int:
    return (connection.scalar(select(func.max(table.c.seq))) or 0) + 1
