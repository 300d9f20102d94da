"""The register of documents that left without a time stamp; indexes: when a run ended, a document by its hash."""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"


def upgrade() -> None:
    op.create_table(
        "unstamped",
        sa.Column("seq", sa.Integer, autoincrement=False, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("why", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_unstamped")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_unstamped_sha256"), "unstamped", ["sha256"])
    op.create_index(op.f("ix_document_sha256"), "document", ["sha256"])
    if op.get_bind().dialect.name == "sqlite":
        ended = "CASE WHEN json_valid(body) THEN json_extract(body, '$.ended') END"
        op.create_index(op.f("ix_record_ended"), "record", [sa.text(ended)])
        _refuse(
            "seq", "INSERT", "rows follow each other", "NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM unstamped)"
        )
        _refuse("update", "UPDATE", "records are only ever added")
        _refuse("delete", "DELETE", "records are never deleted")


def _refuse(name: str, moment: str, sentence: str, when: str = "") -> None:
    condition = f" WHEN {when}" if when else ""
    op.execute(
        f"CREATE TRIGGER unstamped_{name} BEFORE {moment} ON unstamped{condition} "
        f"BEGIN SELECT RAISE(ABORT, '{sentence}'); END"
    )
