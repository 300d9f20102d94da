"""The run store: every call returns only when what it was given is on disk."""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Connection, Delete, Table, delete, func, insert, select, update

from testbench.errors import RunClosedError
from testbench.framing.lines import Rejected
from testbench.run.record import RunRecord, canonical
from testbench.run.record import sha256 as sha256_of
from testbench.run.samples import Gap, Sample, Trace
from testbench.run.state import Happening
from testbench.station.withdrawals import Withdrawal
from testbench.store import codec, tables
from testbench.store.backup import copy_of, proved_the_same
from testbench.store.database import BUSY_S, Database
from testbench.store.derived import derive, derive_missing, rebuild
from testbench.store.ledger import (
    DOCUMENT,
    OPENED,
    SEALED,
    machine_time,
    opening_sha256,
    row_sha256,
    sealed_runs,
)
from testbench.store.moments import to_us
from testbench.store.nonconformities import NO_CERTIFICATE, NonconformityWriter, check_conforming
from testbench.store.reading import (
    RunReader,
    StoredDocument,
    beside_of,
    documents_in,
    header_of,
    samples_of,
)
from testbench.store.register import last_run
from testbench.store.reviewing import begin_waiting
from testbench.store.schema import HEAD, is_older, upgrade, version_of

CERTIFICATE = "certificate"
"""The kind of document that says that a valve was accepted."""


class SqliteStore(RunReader, NonconformityWriter):
    """The records of one bench in one SQLite file.

    Args:
        path: the file; made with all its tables where it is missing.
        bench: name of the bench, the first part of every run number.
        busy_s: how long to wait for another writer [s].
        now: the time of day that entries of the ledger get.
        keep_older: whether older records are kept as they were when they are brought up to date.

    Raises:
        StoreFailedError: the file cannot be made or used.
        StoreNewerError: a newer version of this program wrote it.
    """

    def __init__(
        self,
        path: Path,
        bench: str,
        *,
        busy_s: float = BUSY_S,
        now: Callable[[], datetime] = machine_time,
        keep_older: bool = True,
    ) -> None:
        self._bench, self._now, self._keep_older = bench, now, keep_older
        self.kept_before: Path | None = None
        """The backup that was made because the tables had to be brought up to date."""
        super().__init__(Database(path, busy_s=busy_s))

    def _prepare(self) -> None:
        path = self._database.path
        with self._database.writing() as connection:  # the first to open a new file makes it
            current, older = version_of(connection) == HEAD, is_older(connection, path)
        if current:
            return
        if older and self._keep_older:
            stamp = f"{self._now():%Y%m%dT%H%M%SZ}"
            self.kept_before = path.parent / "backups" / f"before-{HEAD}-{stamp}.db"
            copy_of(path, self.kept_before, partial(proved_the_same, path))
        with self._database.migrating() as connection:
            upgrade(connection, path)
            self._take_over(connection)
            derive_missing(connection)

    def begin_run(self, opening: str, at: datetime) -> str:
        """Give out the next run number and keep the opening facts (canonical JSON)."""
        with self._database.writing() as connection:
            number = last_run(connection) + 1
            run = f"{self._bench}-{number:06d}"
            row = {"number": number, "id": run, "opening": opening, "opened_us": to_us(at), "state": "open"}
            connection.execute(insert(tables.run), row)
            self._note(connection, OPENED, run, opening_sha256(row))
        return run

    def append(  # noqa: PLR0917 - the station's port has it so
        self,
        run: str,
        stage: int,
        samples: Sequence[Sample],
        gaps: Sequence[Gap],
        rejected: Sequence[tuple[int, Rejected]],
        happenings: Sequence[Happening],
        beside: Mapping[str, tuple[Sequence[Sample], Sequence[Gap]]] | None = None,
    ) -> None:
        """Keep what arrived since the last call: one chunk, one commit. See ``RunStore.append``.

        Raises:
            RunUnknownError: there is no such run.
            RunClosedError: it is closed.
            StoreFailedError: nothing of this call was kept; give it all again.
        """
        batches: list[tuple[Table, list[dict[str, Any]]]] = [
            (tables.chunk, [_chunk(samples)] if samples else []),
            (tables.gap, [gap.model_dump(mode="json") for gap in gaps]),
            (tables.rejected, [{"at": at, "raw": bad.raw, "reason": bad.reason.value} for at, bad in rejected]),
            (tables.journal, [{"at": line.at, "event": line.event, "sentence": line.sentence} for line in happenings]),
        ]
        for tag, (read, silent) in (beside or {}).items():
            named = {"channel": tag}
            batches.append((tables.beside_chunk, [named | _chunk(read)] if read else []))
            batches.append((tables.beside_gap, [named | gap.model_dump(mode="json") for gap in silent]))
        with self._database.writing() as connection:
            number = self._open_number(connection, run)
            for table, rows in batches:
                _add(connection, table, number, [{"stage": stage, **row} for row in rows])

    def seal(self, record: RunRecord, traces: Sequence[Trace]) -> str:
        """Close a run: record, sealed traces and the end of its chunks in one transaction.

        Chunks go only where the sealed trace says the very same; samples outside a stage get a trace of their own.

        Args:
            record: the finished record.
            traces: one for each stage of the record, in its order.

        Returns:
            The SHA-256 of the record.

        Raises:
            ValueError: the traces are not those that the record names.
            RunUnknownError: there is no such run.
            RunClosedError: it is closed already.
            StoreFailedError: nothing was changed; the run is still open.
        """
        for stage, trace in zip(record.stages, traces, strict=True):
            named = (stage.trace, *(one.trace for one in stage.beside))
            if [one.sha256 for one in named] != [one.sha256() for one in (trace, *trace.beside)]:
                raise ValueError(f"the record names another trace for the {stage.stage}, attempt {stage.attempt}")
        body = canonical(record)
        digest = sha256_of(body)
        with self._database.writing() as connection:
            number = self._open_number(connection, record.run)
            acknowledged = samples_of(connection, number)
            sealed = acknowledged | dict(enumerate(traces))
            for stage_number, trace in sorted(sealed.items()):
                connection.execute(insert(tables.trace), _sealed(number, stage_number, trace))
            spent_beside = _seal_beside(connection, number, record, traces)
            connection.execute(insert(tables.record), {"run": number, "body": body.decode()})
            _count_first_test(connection, number, record)
            begin_waiting(connection, number, record)
            self._note_basis(connection, number, record)
            closing = {"state": "closed", **header_of(record, digest)}
            connection.execute(update(tables.run).where(tables.run.c.number == number).values(closing))
            derive(connection, number, record)
            same = [stage for stage, trace in acknowledged.items() if _equal(trace, sealed[stage])]
            spent = delete(tables.chunk).where(tables.chunk.c.run == number, tables.chunk.c.stage.in_(same))
            for rows in (spent, *spent_beside):
                connection.execute(rows)
            self._note(connection, SEALED, record.run, sealed_runs(connection, [number])[number].sha256)
            self._note_conformity(connection, record, digest)
        return digest

    def add_document(
        self, run: str, kind: str, path: str, *, sha256: str, record_sha256: str, at: datetime,
        check: Callable[[Sequence[StoredDocument]], None] = lambda _: None,
        withdrawal: tuple[Withdrawal, Callable[[Sequence[Withdrawal]], None]] | None = None,
        unstamped: str = "",
    ) -> None:  # fmt: skip
        """Note that a document was made from a closed run.

        Args:
            run: the closed run.
            kind: what it is, for example "certificate".
            path: where it lies.
            sha256: of the file.
            record_sha256: hash of the record that it was made from.
            at: when it was issued, UTC.
            check: sees the documents that the run has; what it raises keeps nothing.
            withdrawal: of the document that this one replaces, with its check; kept with it or not at all.
            unstamped: why it left without the time stamp that it waits for; empty where it waits for none.

        Raises:
            RunUnknownError: there is no such run.
            RunRecalledError, RunNonconformingError: a certificate that is not there yet, of a run accepted no more.
            StoreFailedError: the hash is not that of the run's record, or the file cannot be used.
        """
        row = {
            "kind": kind, "path": path, "sha256": sha256, "record_sha256": record_sha256, "issued_us": to_us(at),
        }  # fmt: skip
        with self._database.writing() as connection:
            number = self._number(connection, run)
            known = documents_in(connection, number)
            check(known)
            if kind == CERTIFICATE and all(one.path != path for one in known):
                check_conforming(connection, run, NO_CERTIFICATE)
            if withdrawal is not None:
                self._insert_withdrawal(connection, *withdrawal)
            (kept,) = _add(connection, tables.document, number, [row])
            self._note(connection, DOCUMENT, f"{run}/{kept['seq']}", row_sha256(kept))
            self._note_unstamped(connection, sha256, unstamped)

    def rebuild_derived(self) -> tuple[int, int]:
        """Make what is derived from the records anew; gives how many runs there are, and of how many it was otherwise.

        Raises:
            StoreFailedError: nothing was changed.
        """
        with self._database.writing() as connection:
            return rebuild(connection)

    def _open_number(self, connection: Connection, run: str) -> int:
        number = self._number(connection, run)
        if connection.scalar(select(tables.run.c.state).where(tables.run.c.number == number)) != "open":
            raise RunClosedError(run)
        return number


def _seal_beside(connection: Connection, number: int, record: RunRecord, traces: Sequence[Trace]) -> list[Delete]:
    """Add the other channels' traces; gives what of their chunks is to go once the run is closed."""
    table = tables.beside_chunk
    acknowledged = beside_of(connection, number)
    sealed, spent = dict(acknowledged), []
    for index, (stage, trace) in enumerate(zip(record.stages, traces, strict=True)):
        sealed |= {(index, one.tag): found for one, found in zip(stage.beside, trace.beside, strict=True)}
    for (stage_number, tag), trace in sorted(sealed.items()):
        connection.execute(insert(tables.beside_trace), {"channel": tag, **_sealed(number, stage_number, trace)})
        known = acknowledged.get((stage_number, tag))
        if known is not None and _equal(known, trace):
            its_own = (table.c.run == number, table.c.stage == stage_number, table.c.channel == tag)
            spent.append(delete(table).where(*its_own))
    return spent


def _count_first_test(connection: Connection, number: int, record: RunRecord) -> None:
    """Note a run that is the first of its serial number to decide anything; a void run decided nothing."""
    if record.verdict is None:
        return
    same = func.lower(tables.run.c.serial) == func.lower(record.valve.serial)
    decided = select(tables.run.c.number).where(same, tables.run.c.verdict.is_not(None)).limit(1)
    if connection.scalar(decided) is None:
        row = {"run": number, "month": record.started[:7], "product": record.valve.product}
        connection.execute(
            insert(tables.first_test), row | {"origin": record.origin.value, "verdict": record.verdict.value}
        )


def _add(connection: Connection, table: Table, number: int, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Add rows behind those that the run has: numbered from the file, never from memory. Gives them as kept."""
    if not rows:
        return []
    last = connection.scalar(select(func.max(table.c.seq)).where(table.c.run == number)) or 0
    numbered = [{"run": number, "seq": seq, **row} for seq, row in enumerate(rows, start=last + 1)]
    connection.execute(insert(table), numbered)
    return numbered


def _chunk(samples: Sequence[Sample]) -> dict[str, Any]:
    trace = Trace.of(list(samples))
    return {
        "samples": len(trace),
        "ticks": trace.at.astype("<i8").tobytes(),
        "counts": trace.counts.astype("<i8").tobytes(),
        "asked": None if trace.asked is None else trace.asked.astype("<i8").tobytes(),
    }


def _sealed(number: int, stage: int, trace: Trace) -> dict[str, Any]:
    return {
        "run": number,
        "stage": stage,
        "samples": len(trace),
        "sha256": trace.sha256(),
        "stored": codec.encode(trace),
    }


def _equal(one: Trace, other: Trace) -> bool:
    if one.asked is None or other.asked is None:
        asked = one.asked is other.asked
    else:
        asked = np.array_equal(one.asked, other.asked)
    return asked and np.array_equal(one.at, other.at) and np.array_equal(one.counts, other.counts)
