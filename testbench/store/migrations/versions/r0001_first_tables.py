"""The tables of the first released version."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

INT64 = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    _make_run()
    _make("record", [], [_text("body")])
    _make("journal", ["seq"], [*_int64("stage", "at"), _text("event"), _text("sentence")])
    _make(
        "chunk",
        ["seq"],
        [*_int64("stage", "samples"), _blob("ticks"), _blob("counts")],
        sa.CheckConstraint(
            "length(ticks) = 8 * samples AND length(counts) = 8 * samples", name=op.f("ck_chunk_samples")
        ),
    )
    _make("gap", ["seq"], [*_int64("stage", "since", "until"), _text("reason")])
    _make("rejected", ["seq"], [*_int64("stage", "at"), _blob("raw"), _text("reason")])
    _make("trace", ["stage"], [*_int64("samples"), _text("sha256"), _blob("stored")])
    _make(
        "document",
        ["seq"],
        [*map(_text, ("kind", "path", "sha256", "record_sha256")), *_int64("issued_us")],
    )
    _make_adoption()
    if op.get_bind().dialect.name == "sqlite":
        _guard_run()
        _guard_rows()


def _make_run() -> None:
    op.create_table(
        "run",
        sa.Column("number", INT64, autoincrement=False, nullable=False),
        _text("id"),
        _text("opening"),
        *_int64("opened_us"),
        _text("state"),
        *(
            sa.Column(name, sa.Text)
            for name in (
                "serial", "order_number", "stages", "verdict", "ended", "reason", "started", "origin",
                "record_sha256",
            )
        ),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_run")),
        sa.CheckConstraint("state IN ('open', 'closed')", name=op.f("ck_run_state")),
        sa.CheckConstraint(
            "(state = 'closed') = (record_sha256 IS NOT NULL)", name=op.f("ck_run_closed_with_record")
        ),
        sa.UniqueConstraint("id", name=op.f("uq_run_id")),
        sqlite_strict=True,
    )  # fmt: skip
    op.create_index(op.f("ix_run_serial_number"), "run", ["serial", "number"])


def _make_adoption() -> None:
    op.create_table(
        "adoption",
        sa.Column("seq", sa.Integer, autoincrement=False, nullable=False),
        _text("sha256"),
        _text("body"),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_adoption")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_adoption_sha256"), "adoption", ["sha256"])


def _make(table: str, keys: list[str], columns: list[sa.Column], *constraints: sa.Constraint) -> None:  # type: ignore[type-arg]
    op.create_table(
        table,
        *_int64("run"),
        *(sa.Column(key, sa.Integer, nullable=False) for key in keys),
        *columns,
        sa.PrimaryKeyConstraint("run", *keys, name=op.f(f"pk_{table}")),
        *constraints,
        sa.ForeignKeyConstraint(["run"], ["run.number"], name=op.f(f"fk_{table}_run_run")),
        sqlite_strict=True,
    )


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _blob(name: str) -> sa.Column[bytes]:
    return sa.Column(name, sa.LargeBinary, nullable=False)


def _int64(*names: str) -> list[sa.Column[int]]:
    return [sa.Column(name, INT64, nullable=False) for name in names]


def _refuse(name: str, moment: str, table: str, sentence: str, when: str = "") -> None:
    condition = f" WHEN {when}" if when else ""
    op.execute(
        f"CREATE TRIGGER {table}_{name} BEFORE {moment} ON {table}{condition} "
        f"BEGIN SELECT RAISE(ABORT, '{sentence}'); END"
    )


def _guard_run() -> None:
    changed = (
        "NEW.number IS NOT OLD.number OR NEW.id IS NOT OLD.id OR NEW.opening IS NOT OLD.opening "
        "OR NEW.opened_us IS NOT OLD.opened_us"
    )
    gapless = (
        "NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM run) OR EXISTS (SELECT 1 FROM run WHERE id = NEW.id)"
    )
    _refuse("number", "INSERT", "run", "runs are numbered without gaps", gapless)
    _refuse("open", "INSERT", "run", "a run begins open", "NEW.state <> 'open'")
    _refuse("closed", "UPDATE", "run", "a closed run is never changed", "OLD.state = 'closed'")
    _refuse("opening", "UPDATE", "run", "the opening of a run is never changed", changed)


def _guard_rows() -> None:
    for table in ("journal", "chunk", "gap", "rejected", "trace", "record"):
        closed = "(SELECT state FROM run WHERE number = NEW.run) IS NOT 'open'"
        _refuse("open", "INSERT", table, "nothing is added to a closed run", closed)
    for table in ("journal", "chunk", "gap", "rejected", "document"):
        apart = f"NEW.seq <> (SELECT coalesce(max(seq), 0) FROM {table} WHERE run = NEW.run) + 1"  # noqa: S608 - our own words
        _refuse("seq", "INSERT", table, "rows follow each other", apart)
    apart = "NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM adoption)"
    _refuse("seq", "INSERT", "adoption", "rows follow each other", apart)
    there = "EXISTS (SELECT 1 FROM record WHERE run = NEW.run)"
    _refuse("once", "INSERT", "record", "a run has one record", there)
    there = "EXISTS (SELECT 1 FROM trace WHERE run = NEW.run AND stage = NEW.stage)"
    _refuse("once", "INSERT", "trace", "a stage has one trace", there)
    other = "NEW.record_sha256 IS NOT (SELECT record_sha256 FROM run WHERE number = NEW.run)"
    _refuse("record", "INSERT", "document", "a document names the record it was made from", other)
    for table in ("record", "journal", "chunk", "gap", "rejected", "trace", "document", "adoption"):
        _refuse("update", "UPDATE", table, "records are only ever added")
    for table in ("run", "record", "journal", "gap", "rejected", "trace", "document", "adoption"):
        _refuse("delete", "DELETE", table, "records are never deleted")
    still_open = "(SELECT state FROM run WHERE number = OLD.run) <> 'closed'"
    _refuse("delete", "DELETE", "chunk", "samples of an open run are never deleted", still_open)
