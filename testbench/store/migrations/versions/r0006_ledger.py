"""The ledger with its checkpoints, first tests for the yield, and an index for serial numbers in either case."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"

INT64 = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_index(op.f("ix_run_folded_serial_number"), "run", [sa.text("lower(serial)"), "number"])
    _make_first_test()
    _make("ledger", INT64, [_number("version"), _text("bench"), _number("at"), *map(_text, _ENTRY)], sa.Text)
    op.create_index(op.f("ix_run_open"), "run", ["number"], sqlite_where=sa.text("state = 'open'"))
    op.create_index(op.f("ix_ledger_stated"), "ledger", ["kind", "seq"], sqlite_where=sa.text("body IS NOT NULL"))
    _make("checkpoint", sa.Integer(), [_number("n"), _text("body")])
    if op.get_bind().dialect.name == "sqlite":
        _count_first_tests()
        _guard_all()


_ENTRY = ("kind", "subject", "body_sha256", "prev", "hash")


def _make(table: str, key: sa.types.TypeEngine[int], columns: list[sa.Column], body: type | None = None) -> None:  # type: ignore[type-arg]
    op.create_table(
        table,
        sa.Column("seq", key, autoincrement=False, nullable=False),
        *columns,
        *([sa.Column("body", body)] if body else []),
        sa.PrimaryKeyConstraint("seq", name=op.f(f"pk_{table}")),
        sqlite_strict=True,
    )


def _make_first_test() -> None:
    op.create_table(
        "first_test",
        sa.Column("run", INT64, nullable=False),
        *map(_text, ("month", "product", "origin", "verdict")),
        sa.PrimaryKeyConstraint("run", name=op.f("pk_first_test")),
        sa.ForeignKeyConstraint(["run"], ["run.number"], name=op.f("fk_first_test_run_run")),
        sqlite_strict=True,
    )


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _number(name: str) -> sa.Column[int]:
    return sa.Column(name, INT64, nullable=False)


def _count_first_tests() -> None:
    """Before the triggers, which let nothing be added to a closed run."""
    product = "CASE WHEN json_valid(body) THEN coalesce(json_extract(body, '$.valve.product'), '') ELSE '' END"
    earlier = (
        "SELECT 1 FROM run AS earlier WHERE lower(earlier.serial) = lower(run.serial) "
        "AND earlier.verdict IS NOT NULL AND earlier.number < run.number"
    )
    op.execute(
        f"INSERT INTO first_test SELECT number, substr(started, 1, 7), {product}, origin, verdict "  # noqa: S608 - our own words
        f"FROM run JOIN record ON record.run = run.number WHERE verdict IS NOT NULL AND NOT EXISTS ({earlier})"
    )


def _guard_all() -> None:
    _refuse(
        "open", "INSERT", "first_test", "nothing is added to a closed run",
        "(SELECT state FROM run WHERE number = NEW.run) IS NOT 'open'",
    )  # fmt: skip
    _refuse(
        "once", "INSERT", "first_test", "a run is counted once",
        "EXISTS (SELECT 1 FROM first_test WHERE run = NEW.run)",
    )  # fmt: skip
    last = f"coalesce((SELECT hash FROM ledger ORDER BY seq DESC LIMIT 1), '{'0' * 64}')"  # noqa: S608 - our own words
    apart = "NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM ledger)"
    _refuse(
        "linked", "INSERT", "ledger", "an entry follows the last one and names its hash",
        f"{apart} OR NEW.prev <> {last}",
    )  # fmt: skip
    _refuse("seq", "INSERT", "checkpoint", "rows follow each other", apart.replace("ledger", "checkpoint"))
    for table in ("first_test", "ledger", "checkpoint"):
        _refuse("update", "UPDATE", table, "records are only ever added")
        _refuse("delete", "DELETE", table, "records are never deleted")


def _refuse(name: str, moment: str, table: str, sentence: str, when: str = "") -> None:
    condition = f" WHEN {when}" if when else ""
    op.execute(
        f"CREATE TRIGGER {table}_{name} BEFORE {moment} ON {table}{condition} "
        f"BEGIN SELECT RAISE(ABORT, '{sentence}'); END"
    )
