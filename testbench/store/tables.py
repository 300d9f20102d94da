"""The tables of a bench's records, and the triggers that refuse to change what is closed.

The ``beside_`` tables hold the same of the pressure channels beside the deciding one.

A run is **open** from its number to its record; then it is **closed** for good. While it is open its samples lie in
``chunk`` rows, a commit at least every second; closing replaces them by one sealed ``trace`` per stage in the same
transaction. Beside that only ``waiting`` loses rows; it says nothing that the records do not. Everything else is only
ever added, and what is added is named by an entry of the ``ledger`` in the same transaction.

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
    ColumnElement,
    Connection,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    event,
    func,
    literal_column,
)
from sqlalchemy.types import TypeEngine

from testbench.run.ledger import BEGINNING

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
Index("ix_run_folded_serial_number", func.lower(run.c.serial), run.c.number)  # letters count alike in either case
IS_OPEN = run.c.state == literal_column("'open'")  # written out: a partial index serves no bound parameter
Index("ix_run_open", run.c.number, sqlite_where=IS_OPEN, postgresql_where=IS_OPEN)

record = Table(
    "record",
    METADATA,
    _run_key(),
    _text("body"),  # canonical JSON, the bytes that were hashed
    sqlite_strict=True,
)
_ENDED = "CASE WHEN json_valid(body) THEN json_extract(body, '$.ended') END"  # a torn body must stop no migration
ENDED: ColumnElement[str] = literal_column(_ENDED)
"""When a closed run ended; nothing where its record is torn. Its index is SQLite's own, like the triggers."""

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
    Column("asked", LargeBinary),  # int64 as well; NULL where the transmitter talks by itself
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

beside_chunk = Table(
    "beside_chunk",
    METADATA,
    _run_key(),
    _seq_key(),
    _number("stage"),
    _text("channel"),  # tag of a pressure channel beside the deciding one
    _number("samples"),
    Column("ticks", LargeBinary, nullable=False),
    Column("counts", LargeBinary, nullable=False),
    Column("asked", LargeBinary),
    CheckConstraint("length(ticks) = 8 * samples AND length(counts) = 8 * samples", name="samples"),
    sqlite_strict=True,
)

beside_gap = Table(
    "beside_gap",
    METADATA,
    _run_key(),
    _seq_key(),
    _number("stage"),
    _text("channel"),
    _number("since"),
    _number("until"),
    _text("reason"),
    sqlite_strict=True,
)

beside_trace = Table(
    "beside_trace",
    METADATA,
    _run_key(),
    Column("stage", Integer, primary_key=True),
    Column("channel", Text, primary_key=True),
    _number("samples"),
    _text("sha256"),
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
    Index(None, "sha256"),
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

person_entry = Table(
    "person_entry",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _text("person"),
    _text("secret"),  # the salted hash that the body names by its SHA-256; empty where the entry sets none
    _text("body"),
    sqlite_strict=True,
)

attempt = Table(
    "attempt",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _text("person"),
    _text("method"),
    _text("outcome"),
    _text("body"),
    Index(None, "person", "method", "outcome"),
    sqlite_strict=True,
)

signature = Table(
    "signature",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _text("subject"),  # run number or procedure id
    _text("meaning"),
    _text("body"),
    Index(None, "subject", "meaning"),
    sqlite_strict=True,
)

review = Table(
    "review",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _text("subject"),  # run number
    _text("step"),
    _text("body"),
    Index(None, "subject"),
    sqlite_strict=True,
)

waiting = Table(
    "waiting",  # closed runs whose signatures are not complete: a list to work off, told by the records at any time
    METADATA,
    _run_key(),
    _text("meaning"),  # of the signature that comes next
    _text("order_number"),
    _text("operator"),
    Index(None, "order_number", "run"),
    sqlite_strict=True,
)

withdrawal = Table(
    "withdrawal",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _text("number"),  # of the document
    _text("body"),
    sqlite_strict=True,
)

summary_document = Table(
    "summary_document",  # lot certificates and shift summaries; again with the hash that a time stamp gave them
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _text("number"),
    _text("kind"),
    _text("subject"),
    _text("path"),
    _text("sha256"),  # of the file
    _text("body"),  # the attached list, canonical JSON
    Index(None, "kind", "subject"),
    Index(None, "sha256"),
    sqlite_strict=True,
)

unstamped = Table(
    "unstamped",  # files that left without the time stamp of the authority that bench.toml names
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _text("sha256"),  # of the file; with its time stamp it has another
    _text("why"),
    Index(None, "sha256"),
    sqlite_strict=True,
)

first_test = Table(
    "first_test",  # the first run of a serial number that decided anything: what first-pass yield counts
    METADATA,
    _run_key(),
    _text("month"),  # of its beginning, UTC: 2026-11
    _text("product"),
    _text("origin"),
    _text("verdict"),
    sqlite_strict=True,
)

relied_on = Table(
    "relied_on",  # what a run rests on, so that a recall looks into no other record; derived from the record alone
    METADATA,
    _run_key(),
    Column("kind", Text, primary_key=True),  # "calibration" or "procedure"
    Column("subject", Text, primary_key=True),  # certificate number, or id of the procedure
    Column("detail", Text, primary_key=True),  # serial number of the instrument, or revision
    Index(None, "kind", "subject", "run"),
    Index(None, "kind", "detail", "run"),
    sqlite_strict=True,
)

nonconformity = Table(
    "nonconformity",  # its entries; see run/nonconformity
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _text("number"),
    _text("serial"),
    _text("run"),  # id of the run that opened it
    _text("step"),
    _text("standing"),  # after this entry
    _text("body"),
    Index(None, "number", "seq"),
    Index(None, "run"),
    sqlite_strict=True,
)
Index("ix_nonconformity_folded_serial", func.lower(nonconformity.c.serial), nonconformity.c.seq)

attachment = Table(
    "attachment",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _text("number"),  # of the nonconformity
    Column("attachment", Integer, nullable=False),  # its number within that
    _text("sha256"),  # of the content
    Column("stored", LargeBinary, nullable=False),  # the content; bound by its hash
    Index(None, "number", "attachment"),
    sqlite_strict=True,
)

recall = Table(
    "recall",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _text("number"),
    _text("kind"),  # "recalled" or "lifted"
    _text("body"),
    sqlite_strict=True,
)

ledger = Table(
    "ledger",
    METADATA,
    Column("seq", _INT64, primary_key=True, autoincrement=False),
    _number("version"),
    _text("bench"),
    _number("at"),  # by the clock of the machine: microseconds since 1970, UTC
    _text("kind"),
    _text("subject"),
    _text("body_sha256"),
    _text("prev"),
    _text("hash"),
    Column("body", Text),  # of an entry that states something itself; empty where it names rows
    sqlite_strict=True,
)
_STATED = ledger.c.body.is_not(None)
IS_SEALED = ledger.c.kind.in_([literal_column("'run sealed'"), literal_column("'run sealed, taken over'")])
Index("ix_ledger_sealed", ledger.c.subject, sqlite_where=IS_SEALED, postgresql_where=IS_SEALED)
Index("ix_ledger_stated", ledger.c.kind, ledger.c.seq, sqlite_where=_STATED, postgresql_where=_STATED)

OF_A_REGISTER = ledger.c.kind.not_in(("run opened", "run sealed", "document"))
"""Entries that name one row of a register; a query must say so, or its index is not used."""
Index(
    "ix_ledger_of_a_register", ledger.c.kind, ledger.c.subject,
    sqlite_where=OF_A_REGISTER, postgresql_where=OF_A_REGISTER,
)  # fmt: skip

checkpoint = Table(
    "checkpoint",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _number("n"),
    _text("body"),  # canonical JSON, signed
    sqlite_strict=True,
)


# Triggers ---------------------------------------------------------------------------------------

BESIDE = ("beside_chunk", "beside_gap", "beside_trace")
OF_A_RUN = ("journal", "chunk", "gap", "rejected", "trace", "first_test", *BESIDE)
"""Bound into the ledger by the entry that seals their run."""
DERIVED = ("relied_on",)
"""Of a run as well; bound by its record, of which it repeats a part."""
WHILE_OPEN = (*OF_A_RUN, *DERIVED, "record")
NUMBERED = ("journal", "chunk", "gap", "rejected", "document", "beside_chunk", "beside_gap")
REGISTERS = (
    "adoption", "calibration", "gauge_check", "blank", "checkpoint", "person_entry", "attempt", "signature", "review",
    "nonconformity", "attachment", "recall", "withdrawal", "summary_document", "unstamped",
)  # fmt: skip
"""Of the bench, not of a run: numbered from 1, never changed; each row has an entry of its own in the ledger."""
NEVER_UPDATED = (*OF_A_RUN, *DERIVED, "record", "document", "ledger", *REGISTERS)
NEVER_DELETED = ("run", *(name for name in NEVER_UPDATED if name not in {"chunk", "beside_chunk"}))


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
    given_up = "SELECT max(json_extract(body, '$.last_run')) FROM ledger WHERE kind = 'restored' AND body IS NOT NULL"
    next_run = f"NEW.number <> 1 + max((SELECT coalesce(max(number), 0) FROM run), coalesce(({given_up}), 0))"  # noqa: S608
    next_row = "NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM {0})"
    known = "EXISTS (SELECT 1 FROM run WHERE id = NEW.id)"
    its_record = "NEW.record_sha256 IS NOT (SELECT record_sha256 FROM run WHERE number = NEW.run)"
    still_open = "(SELECT state FROM run WHERE number = OLD.run) <> 'closed'"
    its_own = " AND stage = NEW.stage AND channel = NEW.channel"
    twice = "EXISTS (SELECT 1 FROM {0} WHERE run = NEW.run{1})"
    last = f"coalesce((SELECT hash FROM ledger ORDER BY seq DESC LIMIT 1), '{BEGINNING}')"  # noqa: S608 - our own words
    linked = f"{next_row.format('ledger')} OR NEW.prev <> {last}"
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
        *(
            _trigger("asked", "INSERT", name, "length(NEW.asked) <> 8 * NEW.samples", "every sample was asked for")
            for name in ("chunk", "beside_chunk")
        ),
        _trigger("once", "INSERT", "record", twice.format("record", ""), "a run has one record"),
        _trigger("once", "INSERT", "trace", twice.format("trace", " AND stage = NEW.stage"), "a stage has one trace"),
        _trigger("once", "INSERT", "beside_trace", twice.format("beside_trace", its_own), "a channel has one trace"),
        _trigger("once", "INSERT", "first_test", twice.format("first_test", ""), "a run is counted once"),
        _trigger("linked", "INSERT", "ledger", linked, "an entry follows the last one and names its hash"),
        _trigger("record", "INSERT", "document", its_record, "a document names the record it was made from"),
        *(_trigger("update", "UPDATE", name, "", "records are only ever added") for name in NEVER_UPDATED),
        *(_trigger("delete", "DELETE", name, "", "records are never deleted") for name in NEVER_DELETED),
        *(
            _trigger("delete", "DELETE", name, still_open, "samples of an open run are never deleted")
            for name in ("chunk", "beside_chunk")
        ),
    ]


@event.listens_for(METADATA, "after_create")
def _add_triggers(_: MetaData, connection: Connection, **_options: object) -> None:
    if connection.dialect.name == "sqlite":
        for statement in (f"CREATE INDEX ix_record_ended ON record ({_ENDED})", *triggers()):
            connection.exec_driver_sql(statement)
