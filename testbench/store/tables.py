"""The tables of a bench's records, and the triggers that refuse to change what is closed.

A run is **open** from its number to its record; then it is **closed** for good. While it is open its samples lie in
``chunk`` rows, a commit at least every second; closing replaces them by one sealed ``trace`` per stage in the same
transaction. That is the only deletion there is. Everything else is only ever added.

The triggers are a seat belt against slips of our own, not evidence: whoever can write the file can drop them. The
evidence is the hashes. ``INSERT OR REPLACE`` fires no delete trigger, so every table has an insert guard as well.

Times of day are microseconds since 1970, UTC; ``at``, ``since`` and ``until`` are ticks of 100 µs since the run
began. Types are those that STRICT tables know and PostgreSQL has as well. A change here needs a new file in
``migrations/versions``; a test compares the two.
"""

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    Connection,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    event,
)
from sqlalchemy.types import TypeEngine

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# A plain Integer would overflow on PostgreSQL; BigInteger alone is no type of a STRICT table.
_INT64: TypeEngine[int] = BigInteger().with_variant(Integer, "sqlite")


def _run_key() -> Column[int]:
    return Column("run", _INT64, ForeignKey("run.number"), primary_key=True)


def _seq_key() -> Column[int]:
    """Running number of a row within its run, from 1."""
    return Column("seq", Integer, primary_key=True)


def _number(name: str) -> Column[int]:
    return Column(name, _INT64, nullable=False)


def _text(name: str) -> Column[str]:
    return Column(name, Text, nullable=False)


run = Table(
    "run",
    METADATA,
    Column("number", _INT64, primary_key=True, autoincrement=False),
    Column("id", Text, nullable=False, unique=True),
    _text("opening"),  # canonical JSON, as it was given; nothing here reads it
    _number("opened_us"),
    _text("state"),
    # What the history lists; empty until the run is closed, then copied from its record.
    Column("serial", Text),
    Column("order_number", Text),
    Column("stages", Text),
    Column("verdict", Text),  # stays empty where the run is void
    Column("ended", Text),
    Column("reason", Text),
    Column("started", Text),
    Column("origin", Text),
    Column("record_sha256", Text),
    CheckConstraint("state IN ('open', 'closed')", name="state"),
    CheckConstraint("(state = 'closed') = (record_sha256 IS NOT NULL)", name="closed_with_record"),
    Index(None, "serial", "number"),
    Index(None, "order_number", "number"),
    sqlite_strict=True,
)

record = Table(
    "record",
    METADATA,
    _run_key(),
    _text("body"),  # canonical JSON, the bytes that were hashed
    sqlite_strict=True,
)

journal = Table(
    "journal",
    METADATA,
    _run_key(),
    _seq_key(),
    _number("stage"),  # running number of the stage attempt, -1 outside a stage
    _number("at"),
    _text("event"),
    _text("sentence"),
    sqlite_strict=True,
)

chunk = Table(
    "chunk",
    METADATA,
    _run_key(),
    _seq_key(),
    _number("stage"),
    _number("samples"),
    Column("ticks", LargeBinary, nullable=False),  # int64, little-endian
    Column("counts", LargeBinary, nullable=False),
    CheckConstraint("length(ticks) = 8 * samples AND length(counts) = 8 * samples", name="samples"),
    sqlite_strict=True,
)

gap = Table(
    "gap",
    METADATA,
    _run_key(),
    _seq_key(),
    _number("stage"),
    _number("since"),
    _number("until"),
    _text("reason"),
    sqlite_strict=True,
)

rejected = Table(
    "rejected",
    METADATA,
    _run_key(),
    _seq_key(),
    _number("stage"),
    _number("at"),
    Column("raw", LargeBinary, nullable=False),
    _text("reason"),
    sqlite_strict=True,
)

trace = Table(
    "trace",
    METADATA,
    _run_key(),
    Column("stage", Integer, primary_key=True),
    _number("samples"),
    _text("sha256"),  # of the decoded samples: another zlib may give other bytes for the same trace
    Column("stored", LargeBinary, nullable=False),
    sqlite_strict=True,
)

document = Table(
    "document",
    METADATA,
    _run_key(),
    _seq_key(),
    _text("kind"),
    _text("path"),
    _text("sha256"),
    _text("record_sha256"),
    _number("issued_us"),
    sqlite_strict=True,
)

adoption = Table(
    "adoption",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _text("sha256"),  # of the procedure file
    _text("body"),  # canonical JSON
    Index(None, "sha256"),
    sqlite_strict=True,
)

calibration = Table(
    "calibration",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _text("serial"),  # of the instrument
    _text("certificate_number"),
    _text("calibrated_on"),  # ISO 8601
    _text("body"),  # canonical JSON
    Index(None, "serial", "calibrated_on"),
    sqlite_strict=True,
)

gauge_check = Table(
    "gauge_check",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _text("serial"),
    _text("at"),  # UTC, ISO 8601
    _text("body"),
    Index(None, "serial", "at"),
    sqlite_strict=True,
)

blank = Table(
    "blank",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _text("body"),
    sqlite_strict=True,
)


# Triggers ---------------------------------------------------------------------------------------

WHILE_OPEN = ("journal", "chunk", "gap", "rejected", "trace", "record")
NUMBERED = ("journal", "chunk", "gap", "rejected", "document")
REGISTERS = ("adoption", "calibration", "gauge_check", "blank")
"""Of the bench, not of a run: numbered from 1, never changed."""
NEVER_DELETED = ("run", "record", "journal", "gap", "rejected", "trace", "document", *REGISTERS)
NEVER_UPDATED = ("record", "journal", "chunk", "gap", "rejected", "trace", "document", *REGISTERS)


def _trigger(name: str, moment: str, table: str, condition: str, sentence: str) -> str:
    when = f" WHEN {condition}" if condition else ""
    return (
        f"CREATE TRIGGER {table}_{name} BEFORE {moment} ON {table}{when} BEGIN SELECT RAISE(ABORT, '{sentence}'); END"
    )


def triggers() -> list[str]:
    """The statements that make the triggers, for SQLite."""
    is_open = "(SELECT state FROM run WHERE number = NEW.run) IS NOT 'open'"
    highest = "(SELECT coalesce(max(seq), 0) FROM {0} WHERE run = NEW.run)"
    opening = " OR ".join(f"NEW.{name} IS NOT OLD.{name}" for name in ("number", "id", "opening", "opened_us"))
    next_run = "NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM run)"
    next_row = "NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM {0})"
    known = "EXISTS (SELECT 1 FROM run WHERE id = NEW.id)"
    its_record = "NEW.record_sha256 IS NOT (SELECT record_sha256 FROM run WHERE number = NEW.run)"
    still_open = "(SELECT state FROM run WHERE number = OLD.run) <> 'closed'"
    twice = "EXISTS (SELECT 1 FROM {0} WHERE run = NEW.run{1})"
    return [
        _trigger("number", "INSERT", "run", f"{next_run} OR {known}", "runs are numbered without gaps"),
        _trigger("open", "INSERT", "run", "NEW.state <> 'open'", "a run begins open"),
        _trigger("closed", "UPDATE", "run", "OLD.state = 'closed'", "a closed run is never changed"),
        _trigger("opening", "UPDATE", "run", opening, "the opening of a run is never changed"),
        *(_trigger("open", "INSERT", name, is_open, "nothing is added to a closed run") for name in WHILE_OPEN),
        *(
            _trigger("seq", "INSERT", name, f"NEW.seq <> {highest.format(name)} + 1", "rows follow each other")
            for name in NUMBERED
        ),
        *(_trigger("seq", "INSERT", name, next_row.format(name), "rows follow each other") for name in REGISTERS),
        _trigger("once", "INSERT", "record", twice.format("record", ""), "a run has one record"),
        _trigger("once", "INSERT", "trace", twice.format("trace", " AND stage = NEW.stage"), "a stage has one trace"),
        _trigger("record", "INSERT", "document", its_record, "a document names the record it was made from"),
        *(_trigger("update", "UPDATE", name, "", "records are only ever added") for name in NEVER_UPDATED),
        *(_trigger("delete", "DELETE", name, "", "records are never deleted") for name in NEVER_DELETED),
        _trigger("delete", "DELETE", "chunk", still_open, "samples of an open run are never deleted"),
    ]


@event.listens_for(METADATA, "after_create")
def _add_triggers(_: MetaData, connection: Connection, **_options: object) -> None:
    if connection.dialect.name == "sqlite":
        for statement in triggers():
            connection.exec_driver_sql(statement)
