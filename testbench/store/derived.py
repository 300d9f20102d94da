"""Tables that say again what the records say, so that many runs can be asked at once.

They are **derived**: every row follows from a record (:func:`derive`), so no entry of the ledger binds them and no
trigger guards them; whoever doubts them has them made anew (``testbench history rebuild``), which says what was
otherwise. No verdict, certificate or proof is ever taken from them. They have no foreign keys either, so that a walk of
the ledger, which asks for rows that belong to nothing, does not stop at them.

``facet`` holds each combination of product, procedure … operator once; there are few of them beside the runs, so that
any combination is looked for there, and the runs then come from one index, newest first. ``serial_part`` is a full-text
index of three letters each over the serial numbers; it is SQLite's own, like the triggers.
"""

import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any

from pydantic import ValidationError
from sqlalchemy import (
    REAL,
    BigInteger,
    Column,
    Connection,
    Index,
    Integer,
    MetaData,
    RowMapping,
    Select,
    Table,
    Text,
    UniqueConstraint,
    delete,
    event,
    func,
    insert,
    select,
    text,
    update,
)

from testbench.procedure.serials import compared
from testbench.run.findings import VOID, Facets, facets_of, found_in
from testbench.run.record import RunRecord
from testbench.store.tables import METADATA, record, run

FACETS = ("product", "procedure", "standard", "verdict", "operator", "bench", "origin")
BATCH = 2000
"""How many runs are derived together."""

_INT64 = BigInteger().with_variant(Integer, "sqlite")


def _text(name: str) -> Column[str]:
    return Column(name, Text, nullable=False)


def _run_key() -> Column[int]:
    return Column("run", _INT64, primary_key=True, autoincrement=False)


facet = Table(
    "facet",
    METADATA,
    Column("id", Integer, primary_key=True),
    *map(_text, FACETS),
    Column("runs", _INT64, nullable=False),  # how many have it: tells which way of looking is the shortest
    UniqueConstraint(*FACETS),
    sqlite_strict=True,
)

search_line = Table(
    "search_line",
    METADATA,
    _run_key(),
    Column("facet", Integer, nullable=False),
    _text("day"),  # of its beginning, UTC: 2026-11-20
    _text("serial"),  # as serial numbers are compared
    Index(None, "facet", "run", "day", "serial"),
    Index(None, "serial", "run", "facet", "day"),
    sqlite_strict=True,
)

Index("ix_search_line_month_run", func.substr(search_line.c.day, 1, 7), search_line.c.run)

finding = Table(
    "finding",
    METADATA,
    _run_key(),
    Column("seq", Integer, primary_key=True),
    _text("stage"),
    Column("attempt", _INT64, nullable=False),
    _text("criterion"),
    _text("verdict"),
    Column("reason", Text),
    Column("measured", REAL),  # mL/min, kPa
    Column("most", REAL),
    Column("u", REAL),
    sqlite_strict=True,
)
_REFUSED = finding.c.reason.is_not(None)
Index("ix_finding_reason", finding.c.run, finding.c.reason, sqlite_where=_REFUSED, postgresql_where=_REFUSED)

SERIAL_PART = "CREATE VIRTUAL TABLE serial_part USING fts5(serial, content='', detail='none', tokenize='trigram')"

SERIAL_PART_TABLES = {"serial_part", *(f"serial_part_{part}" for part in ("config", "data", "docsize", "idx"))}
"""That index, and the tables that SQLite makes for it."""


@event.listens_for(METADATA, "after_create")
def _add_serial_part(_: MetaData, connection: Connection, **_options: object) -> None:
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(SERIAL_PART)


# Rows -------------------------------------------------------------------------------------------


def rows_of(found: RunRecord) -> tuple[Facets, dict[str, Any], list[dict[str, Any]]]:
    """The facets of a record, and its rows without the numbers that the file gives out."""
    line = {"day": found.started[:10], "serial": compared(found.valve.serial)}
    return facets_of(found), line, list(map(asdict, found_in(found)))


def derive(connection: Connection, number: int, found: RunRecord) -> None:
    """Add the rows of one run that is being closed."""
    _Writer(connection).add([(number, *rows_of(found))])


def derive_missing(connection: Connection) -> int:
    """Add the rows of every closed run that has none, in batches; gives how many runs had none.

    A record that cannot be read (it is damaged, and the ledger says so) is found by what its line in the history says.
    """
    writer, last, added = _Writer(connection), 0, 0
    missing = _CLOSED.outerjoin(search_line, search_line.c.run == run.c.number).where(search_line.c.run.is_(None))
    while rows := _batch(connection, missing, last):
        writer.add((row["number"], *_rows_of(row)) for row in rows)
        last, added = rows[-1]["number"], added + len(rows)
    return added


def rebuild(connection: Connection) -> tuple[int, int]:
    """Make all rows anew from the records, in batches.

    Returns:
        How many runs there are, and how many of them had other rows before, or none.
    """
    connection.execute(update(facet).values(runs=0))
    connection.exec_driver_sql("INSERT INTO serial_part(serial_part) VALUES ('delete-all')")
    writer, last, runs, otherwise = _Writer(connection), 0, 0, 0
    while rows := _batch(connection, _CLOSED, last):
        upto = rows[-1]["number"]
        before = _cleared(connection, last, upto)
        writer.add((row["number"], *_rows_of(row)) for row in rows)
        after = _as_found(connection, last, upto)
        otherwise += sum(before.get(number) != after.get(number) for number in before.keys() | after.keys())
        last, runs = upto, runs + len(rows)
    otherwise += len(_cleared(connection, last, None))
    connection.execute(delete(facet).where(facet.c.runs == 0))
    return runs, otherwise


_CLOSED = select(run, record.c.body).join(record, record.c.run == run.c.number).where(run.c.state == "closed")


def _batch(connection: Connection, query: Select[Any], last: int) -> Sequence[RowMapping]:
    query = query.where(run.c.number > last).order_by(run.c.number).limit(BATCH)
    return connection.execute(query).mappings().all()


def _cleared(connection: Connection, last: int, upto: int | None) -> dict[int, list[tuple[Any, ...]]]:
    """Take the rows of these runs away; gives them."""
    found = _as_found(connection, last, upto)
    for table in (finding, search_line):
        within = [table.c.run > last] + ([] if upto is None else [table.c.run <= upto])
        connection.execute(delete(table).where(*within))
    return found


def _as_found(connection: Connection, last: int, upto: int | None) -> dict[int, list[tuple[Any, ...]]]:
    """By run, all that is derived of it, without the keys that the file gives out."""
    line, names = search_line.c, [facet.c[name] for name in FACETS]
    queries = (
        select(line.run, line.day, line.serial, *names).join(facet, facet.c.id == line.facet).order_by(line.run),
        select(finding).order_by(finding.c.run, finding.c.seq),
    )
    found: dict[int, list[tuple[Any, ...]]] = defaultdict(list)
    for query in queries:
        column = query.selected_columns[0]
        within = query.where(column > last) if upto is None else query.where(column > last, column <= upto)
        for row in connection.execute(within):
            found[row[0]].append(tuple(row))
    return found


def _rows_of(row: RowMapping) -> tuple[Facets, dict[str, Any], list[dict[str, Any]]]:
    try:
        return rows_of(RunRecord.model_validate_json(row["body"]))
    except ValidationError:
        line = {"day": row["started"][:10], "serial": compared(row["serial"])}
        bench = row["id"].rpartition("-")[0]
        return Facets("", "", "", row["verdict"] or VOID, "", bench, row["origin"]), line, []


class _Writer:
    """Gives rows their numbers; knows the facets that it has met."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._known: dict[Facets, int] = {}

    def add(self, runs: Iterable[tuple[int, Facets, dict[str, Any], list[dict[str, Any]]]]) -> None:
        lines, findings, counts = [], [], dict[int, int]()
        for number, facets, line, found in runs:
            key = self._key_of(facets)
            counts[key] = counts.get(key, 0) + 1
            lines.append({"run": number, "facet": key, **line})
            findings += [{"run": number, "seq": seq, **one} for seq, one in enumerate(found, 1)]
        parts = [{"run": line["run"], "serial": line["serial"]} for line in lines]
        self._connection.execute(insert(search_line), lines)
        self._connection.execute(text("INSERT INTO serial_part(rowid, serial) VALUES (:run, :serial)"), parts)
        if findings:
            self._connection.execute(insert(finding), findings)
        more = text("UPDATE facet SET runs = runs + :more WHERE id = :id")
        self._connection.execute(more, [{"id": key, "more": count} for key, count in counts.items()])

    def _key_of(self, facets: Facets) -> int:
        if facets not in self._known:
            row = asdict(facets)
            found = self._connection.scalar(select(facet.c.id).filter_by(**row))
            if found is None:
                self._connection.execute(insert(facet), row | {"runs": 0})
                found = self._connection.scalar(select(facet.c.id).filter_by(**row))
                assert found is not None
            self._known[facets] = found
        return self._known[facets]


def json_list(values: Iterable[int]) -> str:
    """Numbers for ``json_each``, which takes any number of them where a query bounds its values."""
    return json.dumps(list(values))
