"""The registers of people, of tries to authenticate, and of signatures."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    _make("person_entry", "person", "secret", "body")
    _make("attempt", "person", "method", "outcome", "body")
    _make("signature", "subject", "meaning", "body")
    op.create_index(op.f("ix_attempt_person_method_outcome"), "attempt", ["person", "method", "outcome"])
    op.create_index(op.f("ix_signature_subject_meaning"), "signature", ["subject", "meaning"])
    if op.get_bind().dialect.name == "sqlite":
        for table in ("person_entry", "attempt", "signature"):
            _guard(table)


def _make(table: str, *texts: str) -> None:
    op.create_table(
        table,
        sa.Column("seq", sa.Integer, autoincrement=False, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in texts),
        sa.PrimaryKeyConstraint("seq", name=op.f(f"pk_{table}")),
        sqlite_strict=True,
    )


def _guard(table: str) -> None:
    apart = f"NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM {table})"  # noqa: S608 - our own words
    for name, moment, when, sentence in (
        ("seq", "INSERT", f" WHEN {apart}", "rows follow each other"),
        ("update", "UPDATE", "", "records are only ever added"),
        ("delete", "DELETE", "", "records are never deleted"),
    ):
        op.execute(
            f"CREATE TRIGGER {table}_{name} BEFORE {moment} ON {table}{when} "
            f"BEGIN SELECT RAISE(ABORT, '{sentence}'); END"
        )
