"""The register of withdrawn documents."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"


def upgrade() -> None:
    op.create_table(
        "withdrawal",
        sa.Column("seq", sa.Integer, autoincrement=False, nullable=False),
        sa.Column("number", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_withdrawal")),
        sqlite_strict=True,
    )
    if op.get_bind().dialect.name == "sqlite":
        _refuse(
            "seq", "INSERT", "rows follow each other",
            "NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM withdrawal)",
        )  # fmt: skip
        _refuse("update", "UPDATE", "records are only ever added")
        _refuse("delete", "DELETE", "records are never deleted")


def _refuse(name: str, moment: str, sentence: str, when: str = "") -> None:
    condition = f" WHEN {when}" if when else ""
    op.execute(
        f"CREATE TRIGGER withdrawal_{name} BEFORE {moment} ON withdrawal{condition} "
        f"BEGIN SELECT RAISE(ABORT, '{sentence}'); END"
    )
