"""Tables derived from the records: what many runs have in common, what each found, parts of serial numbers.

Their rows are made by the program after all migrations (``store.derived.derive_missing``), as for every new run.
"""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"

INT64 = sa.BigInteger().with_variant(sa.Integer, "sqlite")
FACETS = ("product", "procedure", "standard", "verdict", "operator", "bench", "origin")


def upgrade() -> None:
    op.create_table(
        "facet",
        sa.Column("id", sa.Integer, nullable=False),
        *map(_text, FACETS),
        _number("runs"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_facet")),
        sa.UniqueConstraint(*FACETS, name=op.f(f"uq_facet_{'_'.join(FACETS)}")),
        sqlite_strict=True,
    )
    op.create_table(
        "search_line",
        _number("run"),
        sa.Column("facet", sa.Integer, nullable=False),
        _text("day"),
        _text("serial"),
        sa.PrimaryKeyConstraint("run", name=op.f("pk_search_line")),
        sqlite_strict=True,
    )
    for columns in (("facet", "run", "day", "serial"), ("serial", "run", "facet", "day")):
        op.create_index(op.f(f"ix_search_line_{'_'.join(columns)}"), "search_line", list(columns))
    op.create_index(op.f("ix_search_line_month_run"), "search_line", [sa.text("substr(day, 1, 7)"), "run"])
    op.create_table(
        "finding",
        _number("run"),
        sa.Column("seq", sa.Integer, nullable=False),
        _text("stage"),
        _number("attempt"),
        _text("criterion"),
        _text("verdict"),
        sa.Column("reason", sa.Text),
        *(sa.Column(name, sa.REAL) for name in ("measured", "most", "u")),
        sa.PrimaryKeyConstraint("run", "seq", name=op.f("pk_finding")),
        sqlite_strict=True,
    )
    refused = sa.text("reason IS NOT NULL")
    op.create_index(op.f("ix_finding_reason"), "finding", ["run", "reason"], sqlite_where=refused)
    if op.get_bind().dialect.name == "sqlite":
        op.execute("CREATE VIRTUAL TABLE serial_part USING fts5(serial, content='', detail='none', tokenize='trigram')")


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _number(name: str) -> sa.Column[int]:
    return sa.Column(name, INT64, nullable=False)
