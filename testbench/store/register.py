"""What the bench keeps beside its runs: adoptions, calibrations, checks against a second gauge, blank runs.

Rows are numbered from 1 and never change; each is named by an entry of the ledger. A file from before a register had
its table holds nothing of it.
"""

from sqlalchemy import Connection, Select, Table, func, insert, inspect, select

from testbench.procedure.adoption import Adoption
from testbench.run.ledger import Checkpoint
from testbench.run.record import canonical
from testbench.station.calibrations import CalibrationReport
from testbench.station.gauge_checks import GaugeCheck
from testbench.store import tables
from testbench.store.database import Database
from testbench.store.ledger import LedgerWriter, kind_of, row_sha256


class RegisterReader:
    """Questions to the registers."""

    _database: Database

    def adoption_of(self, procedure_sha256: str) -> Adoption | None:
        """The newest adoption of a procedure file with this hash; None where it was never adopted."""
        table = tables.adoption
        bodies = self._bodies(table, select(table.c.body).where(table.c.sha256 == procedure_sha256))
        return Adoption.model_validate_json(bodies[-1]) if bodies else None

    def calibrations(self) -> tuple[CalibrationReport, ...]:
        """Every calibration, in the order of entry."""
        table = tables.calibration
        return tuple(map(CalibrationReport.model_validate_json, self._bodies(table, select(table.c.body))))

    def calibrations_of(self, serial: str) -> tuple[CalibrationReport, ...]:
        """Every calibration of one instrument, in the order of entry."""
        table = tables.calibration
        bodies = self._bodies(table, select(table.c.body).where(table.c.serial == serial))
        return tuple(map(CalibrationReport.model_validate_json, bodies))

    def gauge_checks_of(self, serial: str) -> tuple[GaugeCheck, ...]:
        """Every check of one instrument against a second gauge, in the order they were made."""
        table = tables.gauge_check
        bodies = self._bodies(table, select(table.c.body).where(table.c.serial == serial))
        return tuple(map(GaugeCheck.model_validate_json, bodies))

    def blanks(self) -> tuple[str, ...]:
        """Every blank run as canonical JSON, in the order they were declared."""
        return self._bodies(tables.blank, select(tables.blank.c.body))

    def _bodies(self, table: Table, query: Select[tuple[str]]) -> tuple[str, ...]:
        with self._database.reading() as connection:
            if not inspect(connection).has_table(table.name):
                return ()
            return tuple(connection.scalars(query.order_by(table.c.seq)))


class RegisterWriter(RegisterReader, LedgerWriter):
    """Adds to the registers; each call returns when the row is on disk."""

    def adopt(self, adoption: Adoption) -> None:
        """Keep the adoption of a procedure."""
        self._keep(tables.adoption, sha256=adoption.sha256, body=canonical(adoption).decode())

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

    def _keep(self, table: Table, **columns: str | int) -> None:
        with self._database.writing() as connection:
            row = {"seq": _next(connection, table), **columns}
            connection.execute(insert(table), row)
            self._note(connection, kind_of(table.name), str(row["seq"]), row_sha256(row))


def _next(connection: Connection, table: Table) -> int:
    return (connection.scalar(select(func.max(table.c.seq))) or 0) + 1
