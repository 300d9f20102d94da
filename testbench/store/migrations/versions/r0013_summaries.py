"""The register of lot certificates and shift summaries."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"

TEXTS = ("number", "kind", "subject", "path", "sha256", "body")


def upgrade() -> None:
    op.create_table(
        "summary_document",
        sa.Column("seq", sa.Integer, autoincrement=False, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in TEXTS),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_summary_document")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_summary_document_kind_subject"), "summary_document", ["kind", "subject"])
    op.create_index(op.f("ix_summary_document_sha256"), "summary_document", ["sha256"])
    if op.get_bind().dialect.name == "sqlite":
        _refuse(
            "seq", "INSERT", "rows follow each other",
            "NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM summary_document)",
        )  # fmt: skip
        _refuse("update", "UPDATE", "records are only ever added")
        _refuse("delete", "DELETE", "records are never deleted")


def _refuse(name: str, moment: str, sentence: str, when: str = "") -> None:
    condition = f" WHEN {when}" if when else ""
    op.execute(
        f"CREATE TRIGGER summary_document_{name} BEFORE {moment} ON summary_document{condition} "
        f"BEGIN SELECT RAISE(ABORT, '{sentence}'); END"
    )
