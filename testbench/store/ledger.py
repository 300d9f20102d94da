"""The ledger in the database: written in the transaction of what it names, and what its entries stand for.

An entry of a **register** stands for one row, whole. *run opened* stands for number, time and opening facts of a run.
*run sealed* stands for the closed run: its line in the history, its record, and all that was kept beside it, of its
samples the hashes. A column that holds nothing is left out, so that one that comes later changes no old entry.
"""

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import chain, groupby
from operator import itemgetter
from typing import Any

from sqlalchemy import ColumnElement, Connection, RowMapping, Table, func, insert, inspect, select

from testbench.errors import RowMissingError, RowNotNamedError
from testbench.run.ledger import BEGINNING, Entry, canonical_json, entry_after
from testbench.store import tables
from testbench.store.database import Database

OPENED, SEALED, DOCUMENT = "run opened", "run sealed", "document"
BATCH = 2000
"""How many entries or runs are looked at together."""
STATED = ("key", "backup", "restored", "archive contents", "archived", "taken over", "person key")
"""Kinds of entries that state something themselves, in their own body."""
TAKEN_OVER = ", taken over"
"""After the kind of an entry whose rows are older than the ledger."""
OPENING = ("number", "id", "opening", "opened_us")
NOT_HASHED = ("stored",)  # what is behind it is hashed: of samples, because another zlib gives other bytes for them

Row = Mapping[str, Any] | RowMapping
_ENTRY = [tables.ledger.c[name] for name in Entry._fields]


def machine_time() -> datetime:
    """The time of day of an entry: that of the machine, also where a rig or a replay sets the station's clock."""
    return datetime.now(UTC)  # noqa: TID251 - when something was written, not when something was tested


def kind_of(table: str) -> str:
    """What the entries of a register are called."""
    return table.replace("_", " ")


def last_entry(connection: Connection) -> Entry | None:
    """The newest entry; None where there is none."""
    row = connection.execute(select(*_ENTRY).order_by(tables.ledger.c.seq.desc()).limit(1)).first()
    return None if row is None else Entry(*row)


def entries(connection: Connection, after: int, limit: int) -> list[tuple[Entry, str | None]]:
    """The next entries, each with the body that it states itself."""
    query = select(*_ENTRY, tables.ledger.c.body).where(tables.ledger.c.seq > after)
    rows = connection.execute(query.order_by(tables.ledger.c.seq).limit(limit)).all()
    return [(Entry._make(row[:-1]), row[-1]) for row in rows]


def stated(connection: Connection, kind: str) -> list[str]:
    """What the bench said of its own records, oldest first, as canonical JSON."""
    table = tables.ledger
    query = select(table.c.body).where(table.c.kind == kind, table.c.body.is_not(None)).order_by(table.c.seq)
    return list(connection.scalars(query))


class LedgerWriter:
    """Adds entries; always within the transaction that writes what they name."""

    _database: Database
    _bench: str
    _now: Callable[[], datetime]

    def head(self) -> tuple[int, str]:
        """How many entries there are, and the hash of the last."""
        with self._database.reading() as connection:
            last = last_entry(connection)
        return (0, BEGINNING) if last is None else (last.seq, last.hash)

    def record_key(self, public: str, why: str = "") -> None:
        """See that the ledger names the key that signs its checkpoints; why, where it takes the place of another."""
        body = {"key": public, "algorithm": "Ed25519"} | ({"why": why} if why else {})
        with self._database.writing() as connection:
            if public not in {json.loads(one)["key"] for one in stated(connection, "key")}:
                self._state(connection, "key", "of the ledger", body)

    def state(self, kind: str, subject: str, body: Mapping[str, Any]) -> Entry:
        """Keep a statement of the bench about its own records, for example that they were backed up."""
        with self._database.writing() as connection:
            return self._state(connection, kind, subject, body)

    def _note(self, connection: Connection, kind: str, subject: str, sha256: str, body: str | None = None) -> Entry:
        entry = entry_after(
            last_entry(connection),
            bench=self._bench,
            at=int(self._now().timestamp() * 1_000_000),
            kind=kind,
            subject=subject,
            body_sha256=sha256,
        )
        connection.execute(insert(tables.ledger), {**entry._asdict(), "body": body})
        return entry

    def _state(self, connection: Connection, kind: str, subject: str, body: Mapping[str, Any]) -> Entry:
        """Add an entry that carries its own body."""
        text = canonical_json(body).decode()
        return self._note(connection, kind, subject, body_sha256_of(text), text)

    def _take_over(self, connection: Connection) -> None:
        """Give everything that is older than the ledger an entry that says so; nothing where there is a ledger."""
        if last_entry(connection) is not None:
            return
        found = _older(connection)
        first = next(found, None)
        if first is None:
            return
        last = self._state(connection, "taken over", "records from before the ledger", {"rows": "as they were found"})
        rows = []
        at = last.at
        for kind, subject, sha256 in chain([first], found):
            last = entry_after(
                last, bench=self._bench, at=at, kind=kind + TAKEN_OVER, subject=subject, body_sha256=sha256
            )
            rows.append(last._asdict())
        connection.execute(insert(tables.ledger), rows)


def named_rows(connection: Connection, table: Table, *where: ColumnElement[bool]) -> Sequence[RowMapping]:
    """Rows of a register in their order, each held against the ledger; none in a file from before the register.

    Whoever can write the file could else release a valve, or make himself a reviewer, with one row; or put a withdrawn
    document in force again by taking one out.

    Args:
        connection: a view of the records.
        table: a register.
        where: which rows.

    Raises:
        RowNotNamedError: names the first that the ledger does not name as it is.
        RowMissingError: the register has fewer rows than the ledger names, whichever were asked for.
    """
    there = inspect(connection)
    query = select(table).where(*where).order_by(table.c.seq)
    rows = connection.execute(query).mappings().all() if there.has_table(table.name) else []
    if not there.has_table(tables.ledger.name):  # a file from before the ledger has none yet
        return rows
    _check_whole(connection, table, there=there.has_table(table.name))
    named, kind = _named(connection, table, [str(row["seq"]) for row in rows]), kind_of(table.name)
    for row in rows:
        if named.get(str(row["seq"])) != row_sha256(row):
            raise RowNotNamedError(kind, row["seq"])
    return rows


def _check_whole(connection: Connection, table: Table, *, there: bool) -> None:
    """Rows are numbered from 1 without gaps: where one is gone, so many are too few for the last, or the next is named.

    That asks the index for one entry; to count those of a kind would walk all of them.
    """
    count = connection.scalar(select(func.count()).select_from(table)) or 0 if there else 0
    last = connection.scalar(select(func.max(table.c.seq))) or 0 if there else 0
    if last > count or _named(connection, table, [str(count + 1)]):
        raise RowMissingError(kind_of(table.name), count)


def check_documents(connection: Connection, rows: Sequence[Any]) -> None:
    """Hold documents of runs against the ledger.

    Args:
        connection: a view of the records.
        rows: of the documents, each with the ``id`` of its run beside its own columns.

    Raises:
        RowNotNamedError: names the first that the ledger does not name as it is.
    """
    if not rows or not inspect(connection).has_table(tables.ledger.name):
        return
    entry, held = tables.ledger.c, {f"{row.id}/{row.seq}": row for row in rows}
    # No index serves these entries; but each comes after that of its run, and mostly soon.
    sealed = select(func.min(entry.seq)).where(tables.IS_SEALED, entry.subject.in_({row.id for row in rows}))
    query = select(entry.subject, entry.body_sha256).where(
        entry.kind.in_((DOCUMENT, DOCUMENT + TAKEN_OVER)),
        entry.seq > (connection.scalar(sealed) or 0),
        entry.subject.in_(held),
    )
    named = {row.subject: row.body_sha256 for row in connection.execute(query.order_by(entry.seq).limit(len(held)))}
    for subject, row in held.items():
        if named.get(subject) != row_sha256({column.name: getattr(row, column.name) for column in tables.document.c}):
            raise RowNotNamedError(DOCUMENT, subject)


def check_document_count(connection: Connection) -> None:
    """See that no document of a run was taken out of the register.

    Raises:
        RowMissingError: the ledger names more than are there.
    """
    if not inspect(connection).has_table(tables.ledger.name):
        return
    entry = tables.ledger.c
    named = select(func.count()).where(entry.kind.in_((DOCUMENT, DOCUMENT + TAKEN_OVER)))
    found = connection.scalar(select(func.count()).select_from(tables.document)) or 0
    if found < (connection.scalar(named) or 0):
        raise RowMissingError(DOCUMENT, found)


def _named(connection: Connection, table: Table, subjects: Sequence[str]) -> dict[str, str]:
    entry, kind = tables.ledger.c, kind_of(table.name)
    of_kind = (entry.kind.in_((kind, kind + TAKEN_OVER)), tables.OF_A_REGISTER)
    found: dict[str, str] = {}
    for first in range(0, len(subjects), BATCH):
        some = subjects[first : first + BATCH]
        query = select(entry.subject, entry.body_sha256).where(*of_kind, entry.subject.in_(some))
        found |= {row.subject: row.body_sha256 for row in connection.execute(query)}
    return found


# Taking over -------------------------------------------------------------------------------------


def _older(connection: Connection) -> Iterator[tuple[str, str, str]]:
    """Kind, subject and hash of everything that lies in the tables."""
    for name in tables.REGISTERS:
        table = tables.METADATA.tables[name]
        for row in connection.execute(select(table).order_by(table.c.seq)).mappings():
            yield kind_of(name), str(row["seq"]), row_sha256(row)
    last = 0
    while rows := connection.execute(
        select(tables.run).where(tables.run.c.number > last).order_by(tables.run.c.number).limit(BATCH)
    ).mappings().all():  # fmt: skip
        last = rows[-1]["number"]
        sealed = sealed_runs(connection, [row["number"] for row in rows if row["state"] == "closed"])
        for row in rows:
            yield OPENED, row["id"], opening_sha256(row)
            if row["number"] in sealed:
                yield SEALED, row["id"], sealed[row["number"]].sha256
    query = select(tables.document, tables.run.c.id).join(tables.run, tables.run.c.number == tables.document.c.run)
    for row in connection.execute(query.order_by(tables.document.c.run, tables.document.c.seq)).mappings():
        yield (
            DOCUMENT,
            f"{row['id']}/{row['seq']}",
            row_sha256({column.name: row[column.name] for column in tables.document.c}),
        )


# What an entry stands for -----------------------------------------------------------------------


def body_sha256_of(body: str) -> str:
    """The hash of what an entry states itself."""
    return hashlib.sha256(body.encode()).hexdigest()


def row_sha256(row: Row) -> str:
    """The hash of one row; a content that is stored beside its own hash is bound by that."""
    return _sha256({name: value for name, value in _held(row).items() if name not in NOT_HASHED})


def opening_sha256(row: Row) -> str:
    """The hash of a run as it was opened."""
    return _sha256({name: row[name] for name in OPENING})


@dataclass(frozen=True, slots=True)
class SealedRun:
    """A closed run as it lies in the tables now."""

    body: dict[str, Any]
    """Its line in the history, and the hashes of its record and of everything beside it."""

    @property
    def id(self) -> str:
        """Its number for people."""
        return str(self.body["run"]["id"])

    @property
    def sha256(self) -> str:
        """What the ledger must say of it."""
        return _sha256(self.body)

    @property
    def whole(self) -> bool:
        """Whether its record has the hash under which it was closed."""
        return bool(self.body.get("record") == self.body["run"].get("record_sha256"))


def sealed_runs(connection: Connection, numbers: Sequence[int]) -> dict[int, SealedRun]:
    """These runs as they lie in the tables, by number; one that is not there is left out."""
    found: dict[int, dict[str, Any]] = {}
    for row in connection.execute(select(tables.run).where(_among(tables.run.c.number, numbers))).mappings().all():
        found[row["number"]] = {"run": _held(row)}
    for run, body in connection.execute(select(tables.record).where(_among(tables.record.c.run, numbers))).all():
        found[run]["record"] = hashlib.sha256(body.encode()).hexdigest()
    for name in tables.OF_A_RUN:
        for run, rows_sha256 in _rows_sha256(connection, tables.METADATA.tables[name], numbers):
            found[run][name] = rows_sha256
    return {number: SealedRun(body) for number, body in found.items()}


def _rows_sha256(connection: Connection, table: Table, numbers: Sequence[int]) -> Iterator[tuple[int, str]]:
    """By run number, the hash over all its rows of a table."""
    columns = [column for column in table.c if column.name not in NOT_HASHED]
    names = [column.name for column in columns]
    query = select(*columns).where(_among(table.c.run, numbers)).order_by(*table.primary_key)
    for run, rows in groupby(connection.execute(query).all(), itemgetter(0)):
        held = [{name: value for name, value in zip(names, row, strict=True) if value is not None} for row in rows]
        yield run, _sha256(held)


def _among(column: Any, numbers: Sequence[int]) -> Any:
    """These numbers; mostly they follow each other, and a range is asked for sooner than a list of thousands."""
    if numbers and max(numbers) - min(numbers) + 1 == len(set(numbers)):
        return column.between(min(numbers), max(numbers))
    return column.in_(numbers)


def _held(row: Row) -> dict[str, Any]:
    return {name: value for name, value in row.items() if value is not None}


# Canonical JSON like ``canonical_json``, unchecked: STRICT tables hold nothing but text, bytes and whole numbers, and
# none of these numbers comes near 2^53. The encoder is made once, because millions of rows are read with it.
_encode = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=bytes.hex).encode


def _sha256(value: Any) -> str:
    return hashlib.sha256(_encode(value).encode()).hexdigest()
