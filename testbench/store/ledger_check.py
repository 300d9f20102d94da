"""The ledger walked from its first entry: does the chain hold, and are the rows still what its entries stand for?

It stops at the first entry that is wrong. Afterwards it looks the other way: for rows that no entry names. Nothing is
changed, and the recorder may go on: entries are looked at in batches, each a short view of its own.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from pydantic import ValidationError
from sqlalchemy import Connection, Select, func, inspect, select

from testbench.errors import LedgerMissingError, StoreDamagedError
from testbench.run.ledger import Checkpoint, Entry, Held, Walk
from testbench.store import codec, tables
from testbench.store.database import Database
from testbench.store.ledger import (
    BATCH,
    DOCUMENT,
    OPENED,
    OPENING,
    SEALED,
    STATED,
    TAKEN_OVER,
    body_sha256_of,
    entries,
    kind_of,
    opening_sha256,
    row_sha256,
    sealed_runs,
)
from testbench.store.schema import HEAD, version_of

CHANGED = "what it stands for was changed after it was written"
MISSING = "what it stands for is not there any more"
REGISTERS = {kind_of(name): tables.METADATA.tables[name] for name in tables.REGISTERS}


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong first."""

    entry: int
    """0 where no entry is to blame."""
    kind: str
    subject: str
    what: str

    @property
    def sentence(self) -> str:
        """Where, and what is wrong."""
        named = f"{self.kind} {self.subject}".strip()
        if not self.entry:
            return f"{named}: {self.what}"
        return f"entry {self.entry}{f' ({named})' if named else ''}: {self.what}"


@dataclass(frozen=True, slots=True)
class LedgerReport:
    """What a walk has shown."""

    entries: int
    """How many were good."""
    head: str
    """Hash of the last good one."""
    kinds: dict[str, int]
    fault: Fault | None
    held: int
    """How many entries the newest checkpoint held elsewhere covers; 0 where none was given."""
    open_runs: tuple[str, ...]
    """Their samples are bound when they are closed."""
    clock_set_back: tuple[int, ...]
    """Entries that are dated before the one in front of them."""
    traces: int
    """How many traces were decoded and hashed."""
    triggers_gone: tuple[str, ...]
    """Triggers of the tables that the file does not have, or has otherwise."""
    strange: tuple[str, ...]
    """Tables, triggers and views in the file that are none of this program's, or have other columns."""


@dataclass(frozen=True, slots=True)
class _Truth:
    """What lies in the tables for one entry."""

    key: int | tuple[int, int]
    sha256: str
    fault: str = ""


@dataclass(slots=True)
class LedgerCheck:
    """One walk.

    Args:
        database: the records.
        held: checkpoints that somebody else holds.
        is_good: whether a checkpoint is signed with a key of this bench.
        traces: whether the samples are decoded and hashed as well.
    """

    database: Database
    held: Sequence[Held]
    is_good: Callable[[Checkpoint], bool]
    traces: bool = False
    _kinds: Counter[str] = field(default_factory=Counter)
    _named: dict[str, set[object]] = field(default_factory=lambda: defaultdict(set))
    _decoded: int = 0

    def report(self) -> LedgerReport:
        """Walk to the end, or to the first fault.

        Raises:
            LedgerMissingError: the records are from before the ledger.
            StoreFailedError: the file cannot be read.
        """
        with self.database.reading() as connection:
            if not inspect(connection).has_table(tables.ledger.name):
                raise LedgerMissingError(str(self.database.path))
            walk = Walk((*self.held, *self._inner(connection)))
        fault = self._walk(walk)
        with self.database.reading() as connection:
            waiting = connection.scalars(
                select(tables.run.c.id).where(tables.IS_OPEN).order_by(tables.run.c.number)
            ).all()
            gone, strange = _triggers_gone(connection), _strange(connection)
        return LedgerReport(
            entries=walk.n,
            head=walk.head,
            kinds=dict(self._kinds),
            fault=fault,
            held=max((held.n for held in self.held), default=0),
            open_runs=tuple(waiting),
            clock_set_back=tuple(walk.clock_set_back),
            traces=self._decoded,
            triggers_gone=gone,
            strange=strange,
        )

    def _walk(self, walk: Walk) -> Fault | None:
        """Follow the chain in batches; where a page of the file is damaged, one by one, so that the first is named."""
        fault, size, left = None, BATCH, True
        while fault is None and left:
            try:
                with self.database.reading() as connection:
                    batch = entries(connection, walk.n, size)
                    left = len(batch) == size
                    fault = self._first_fault(connection, walk, batch)
                    if fault is None and not left:
                        fault = self._fault_after(connection, walk)
            except StoreDamagedError as damage:
                if size == 1:
                    what = f"{damage.found}, here or in what it stands for"
                    return Fault(walk.n + 1, "", "", what) if left else Fault(0, "file", "", damage.found)
                size, left = 1, True
        return fault

    def _inner(self, connection: Connection) -> Iterator[Held]:
        """The checkpoints among the records; one that is no checkpoint is found at its entry."""
        for seq, body in connection.execute(select(tables.checkpoint.c.seq, tables.checkpoint.c.body)):
            found = _checkpoint(body)
            if found is not None and self.is_good(found):
                yield Held(found.bench, found.n, found.head, f"checkpoint {seq} of these records", found.key)

    def _first_fault(
        self, connection: Connection, walk: Walk, batch: Sequence[tuple[Entry, str | None]]
    ) -> Fault | None:
        truths = self._truths(connection, [entry for entry, _ in batch])
        for entry, body in batch:
            what = walk.fault_of(entry) or self._fault_of(entry, body, truths)
            if what:
                return Fault(entry.seq, entry.kind, entry.subject, what)
            self._kinds[entry.kind] += 1
        return None

    def _fault_of(self, entry: Entry, body: str | None, truths: "dict[tuple[str, str], _Truth]") -> str:
        kind = entry.kind.removesuffix(TAKEN_OVER)
        if kind in STATED:
            return self._fault_of_statement(entry, body)
        if kind not in {OPENED, SEALED, DOCUMENT, *REGISTERS}:
            return "this program knows no such kind"
        truth = truths.get((kind, entry.subject))
        if truth is None:
            return MISSING
        if truth.sha256 != entry.body_sha256:
            return truth.fault or CHANGED
        if truth.key in self._named[kind]:
            return "an entry before it stands for the same"
        self._named[kind].add(truth.key)
        return truth.fault

    def _fault_of_statement(self, entry: Entry, body: str | None) -> str:
        if body is None:
            return MISSING
        return "" if body_sha256_of(body) == entry.body_sha256 else CHANGED

    # What lies in the tables ---------------------------------------------------------------------

    def _truths(self, connection: Connection, batch: Sequence[Entry]) -> "dict[tuple[str, str], _Truth]":
        """What lies in the tables for these entries, by kind and subject."""
        subjects: dict[str, list[str]] = defaultdict(list)
        for entry in batch:
            subjects[entry.kind.removesuffix(TAKEN_OVER)].append(entry.subject)
        found: dict[tuple[str, str], _Truth] = {}
        for kind in REGISTERS.keys() & subjects.keys():
            found |= self._rows(connection, kind, subjects[kind])
        for kind, of in ((OPENED, self._openings), (SEALED, self._sealed), (DOCUMENT, self._documents)):
            if kind in subjects:
                found |= {(kind, subject): truth for subject, truth in of(connection, subjects[kind])}
        return found

    def _rows(self, connection: Connection, kind: str, subjects: Sequence[str]) -> "dict[tuple[str, str], _Truth]":
        table = REGISTERS[kind]
        if not inspect(connection).has_table(table.name):
            return {}
        numbers = [int(subject) for subject in subjects if subject.isdecimal()]
        found = {}
        for row in connection.execute(select(table).where(table.c.seq.in_(numbers))).mappings().all():
            fault = self._fault_of_checkpoint(row["body"]) if table is tables.checkpoint else ""
            found[kind, str(row["seq"])] = _Truth(row["seq"], row_sha256(row), fault)
        return found

    def _fault_of_checkpoint(self, body: str) -> str:
        found = _checkpoint(body)
        if found is None or not self.is_good(found):
            return "it is no checkpoint that a key of this bench signed"
        return ""

    def _openings(self, connection: Connection, ids: Sequence[str]) -> Iterator[tuple[str, _Truth]]:
        columns = [tables.run.c[name] for name in OPENING]
        for row in connection.execute(select(*columns).where(tables.run.c.id.in_(ids))).mappings().all():
            yield row["id"], _Truth(row["number"], opening_sha256(row))

    def _sealed(self, connection: Connection, ids: Sequence[str]) -> Iterator[tuple[str, _Truth]]:
        numbers = connection.scalars(select(tables.run.c.number).where(tables.run.c.id.in_(ids))).all()
        for number, run in sealed_runs(connection, numbers).items():
            fault = "" if run.whole else "its record does not match the hash under which it was closed"
            if self.traces:
                fault = fault or self._fault_of_traces(connection, number)
            yield run.id, _Truth(number, run.sha256, fault)

    def _fault_of_traces(self, connection: Connection, number: int) -> str:
        for table, of in ((tables.trace, ""), (tables.beside_trace, " of {channel}")):
            there = inspect(connection).has_table(table.name)  # a file from before there were several channels
            query = select(table).where(table.c.run == number).order_by(table.c.stage)
            for row in connection.execute(query).mappings() if there else ():
                self._decoded += 1
                try:
                    good = codec.decode(row["stored"]).sha256() == row["sha256"]
                except ValueError:
                    good = False
                if not good:
                    return f"the samples of trace {row['stage']}{of.format(**row)} are not those that were sealed"
        return ""

    def _documents(self, connection: Connection, subjects: Sequence[str]) -> Iterator[tuple[str, _Truth]]:
        table, wanted = tables.document, set(subjects)
        ids = {subject.rpartition("/")[0] for subject in subjects}
        query = select(table, tables.run.c.id).join(tables.run, tables.run.c.number == table.c.run)
        for row in connection.execute(query.where(tables.run.c.id.in_(ids))).mappings().all():
            subject = f"{row['id']}/{row['seq']}"
            if subject in wanted:
                whole = {column.name: row[column.name] for column in table.c}
                yield subject, _Truth((row["run"], row["seq"]), row_sha256(whole))

    # The other way round -------------------------------------------------------------------------

    def _fault_after(self, connection: Connection, walk: Walk) -> Fault | None:
        """What no entry can show: an end that was cut off, rows that no entry names."""
        if missing := walk.cut_off():
            return Fault(0, "end of the ledger", "", missing)
        orphan = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
        if orphan is not None:
            return Fault(0, kind_of(orphan[0]), f"in row {orphan[1]}", f"it belongs to no {orphan[2]}")
        for kind, query, key in self._lists(connection):
            named = self._named[kind]
            if connection.scalar(select(func.count()).select_from(query.subquery())) == len(named):
                continue
            for row in connection.execute(query):
                if key(row) not in named:
                    subject = "/".join(str(part) for part in row)
                    return Fault(0, kind, subject, "no entry of the ledger stands for it")
        return None

    def _lists(self, connection: Connection) -> Iterator[tuple[str, Select[Any], Callable[[Any], object]]]:
        """For each kind: everything that must have an entry, and under which key it was named."""
        there = set(inspect(connection).get_table_names())  # an older file has fewer registers
        for kind, table in ((kind, table) for kind, table in REGISTERS.items() if table.name in there):
            yield kind, select(table.c.seq).order_by(table.c.seq), lambda row: row[0]
        runs = select(tables.run.c.number).order_by(tables.run.c.number)
        yield OPENED, runs, lambda row: row[0]
        yield SEALED, runs.where(tables.run.c.state == "closed"), lambda row: row[0]
        yield SEALED, select(tables.record.c.run).order_by(tables.record.c.run), lambda row: row[0]
        rows = select(tables.document.c.run, tables.document.c.seq).order_by(*tables.document.primary_key)
        yield DOCUMENT, rows, tuple


def _triggers_gone(connection: Connection) -> tuple[str, ...]:
    if version_of(connection) != HEAD:  # an older file has those of its time
        return ()
    there = set(connection.exec_driver_sql("SELECT sql FROM sqlite_master WHERE type = 'trigger'").scalars())
    return tuple(sql.split()[2] for sql in tables.triggers() if sql not in there)


def _strange(connection: Connection) -> tuple[str, ...]:
    if version_of(connection) != HEAD:
        return ()
    ours = {sql.split()[2] for sql in tables.triggers()} | tables.METADATA.tables.keys() | {"alembic_version"}
    kinds = "type IN ('table', 'view', 'trigger') AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\'"
    there = connection.exec_driver_sql(f"SELECT type, name FROM sqlite_master WHERE {kinds} ORDER BY name").all()  # noqa: S608
    found = [f"{row.type} {row.name}" for row in there if row.name not in ours]
    columns = (
        (name, column["name"]) for name in tables.METADATA.tables for column in inspect(connection).get_columns(name)
    )
    found += [f"column {name}.{column}" for name, column in columns if column not in tables.METADATA.tables[name].c]
    return tuple(found)


def _checkpoint(body: str) -> Checkpoint | None:
    try:
        return Checkpoint.model_validate_json(body)
    except ValidationError:
        return None
