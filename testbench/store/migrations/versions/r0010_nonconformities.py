"""Nonconformities with their attachments, recalls, and what each run rests on."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"

INT64 = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    _make_relied_on()
    _make("nonconformity", *map(_text, ("number", "serial", "run", "step", "standing", "body")))
    op.create_index(op.f("ix_nonconformity_number_seq"), "nonconformity", ["number", "seq"])
    op.create_index(op.f("ix_nonconformity_run"), "nonconformity", ["run"])
    op.create_index(op.f("ix_nonconformity_folded_serial"), "nonconformity", [sa.text("lower(serial)"), "seq"])
    _make(
        "attachment",
        _text("number"),
        sa.Column("attachment", sa.Integer, nullable=False),
        _text("sha256"),
        sa.Column("stored", sa.LargeBinary, nullable=False),
    )
    op.create_index(op.f("ix_attachment_number_attachment"), "attachment", ["number", "attachment"])
    _make("recall", *map(_text, ("number", "kind", "body")))
    if op.get_bind().dialect.name == "sqlite":
        _note_what_runs_rest_on()
        _guard_all()


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _make(table: str, *columns: sa.Column) -> None:  # type: ignore[type-arg]
    op.create_table(
        table,
        sa.Column("seq", sa.Integer, autoincrement=False, nullable=False),
        *columns,
        sa.PrimaryKeyConstraint("seq", name=op.f(f"pk_{table}")),
        sqlite_strict=True,
    )


def _make_relied_on() -> None:
    op.create_table(
        "relied_on",
        sa.Column("run", INT64, nullable=False),
        *map(_text, ("kind", "subject", "detail")),
        sa.PrimaryKeyConstraint("run", "kind", "subject", "detail", name=op.f("pk_relied_on")),
        sa.ForeignKeyConstraint(["run"], ["run.number"], name=op.f("fk_relied_on_run_run")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_relied_on_kind_subject_run"), "relied_on", ["kind", "subject", "run"])
    op.create_index(op.f("ix_relied_on_kind_detail_run"), "relied_on", ["kind", "detail", "run"])


def _note_what_runs_rest_on() -> None:
    """Before the triggers, which let nothing be added to a closed run; a record that cannot be read gives nothing."""
    body = "CASE WHEN json_valid(record.body) THEN record.body ELSE '{}' END"

    def note(kind: str, of: str, subject: str, detail: str, source: str = "record") -> None:
        op.execute(
            f"INSERT OR IGNORE INTO relied_on SELECT record.run, '{kind}', json_extract({of}, '{subject}'), "  # noqa: S608 - our own words
            f"json_extract({of}, '{detail}') FROM {source} WHERE json_extract({of}, '{subject}') IS NOT NULL "
            f"AND json_extract({of}, '{detail}') IS NOT NULL"
        )

    note("procedure", body, "$.requirements.procedure", "$.requirements.revision")
    channel = ("$.channel.certificate_number", "$.channel.serial")
    note("calibration", body, *channel)
    note("calibration", "beside.value", *channel, f"record, json_each({body}, '$.beside') AS beside")


def _guard_all() -> None:
    open_ = "(SELECT state FROM run WHERE number = NEW.run) IS NOT 'open'"
    _refuse("open", "INSERT", "relied_on", "nothing is added to a closed run", open_)
    for table in ("nonconformity", "attachment", "recall"):
        apart = f"NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM {table})"  # noqa: S608 - our own words
        _refuse("seq", "INSERT", table, "rows follow each other", apart)
    for table in ("relied_on", "nonconformity", "attachment", "recall"):
        _refuse("update", "UPDATE", table, "records are only ever added")
        _refuse("delete", "DELETE", table, "records are never deleted")


def _refuse(name: str, moment: str, table: str, sentence: str, when: str = "") -> None:
    condition = f" WHEN {when}" if when else ""
    op.execute(
        f"CREATE TRIGGER {table}_{name} BEFORE {moment} ON {table}{condition} "
        f"BEGIN SELECT RAISE(ABORT, '{sentence}'); END"
    )
