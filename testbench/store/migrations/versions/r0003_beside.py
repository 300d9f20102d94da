"""Samples, gaps and traces of the pressure channels beside the deciding one."""

from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

Columns = Sequence[sa.Column[Any]]
INT64 = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    _make(
        "beside_chunk",
        _key("seq"),
        [_int64("stage"), _text("channel"), _int64("samples"), _blob("ticks"), _blob("counts")],
        sa.CheckConstraint(
            "length(ticks) = 8 * samples AND length(counts) = 8 * samples", name=op.f("ck_beside_chunk_samples")
        ),
    )
    gap: Columns = [_int64("stage"), _text("channel"), _int64("since"), _int64("until"), _text("reason")]
    _make("beside_gap", _key("seq"), gap)
    trace: Columns = [_int64("samples"), _text("sha256"), _blob("stored")]
    _make("beside_trace", [*_key("stage"), _text("channel")], trace)
    if op.get_bind().dialect.name == "sqlite":
        _guard()


def _make(table: str, keys: Columns, columns: Columns, *constraints: sa.Constraint) -> None:
    op.create_table(
        table,
        _int64("run"),
        *keys,
        *columns,
        sa.PrimaryKeyConstraint("run", *(key.name for key in keys), name=op.f(f"pk_{table}")),
        *constraints,
        sa.ForeignKeyConstraint(["run"], ["run.number"], name=op.f(f"fk_{table}_run_run")),
        sqlite_strict=True,
    )


def _key(name: str) -> list[sa.Column[int]]:
    return [sa.Column(name, sa.Integer, nullable=False)]


def _int64(name: str) -> sa.Column[int]:
    return sa.Column(name, INT64, nullable=False)


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _blob(name: str) -> sa.Column[bytes]:
    return sa.Column(name, sa.LargeBinary, nullable=False)


def _refuse(name: str, moment: str, table: str, sentence: str, when: str = "") -> None:
    condition = f" WHEN {when}" if when else ""
    op.execute(
        f"CREATE TRIGGER {table}_{name} BEFORE {moment} ON {table}{condition} "
        f"BEGIN SELECT RAISE(ABORT, '{sentence}'); END"
    )


def _guard() -> None:
    for table in ("beside_chunk", "beside_gap", "beside_trace"):
        closed = "(SELECT state FROM run WHERE number = NEW.run) IS NOT 'open'"
        _refuse("open", "INSERT", table, "nothing is added to a closed run", closed)
        _refuse("update", "UPDATE", table, "records are only ever added")
    for table in ("beside_chunk", "beside_gap"):
        apart = f"NEW.seq <> (SELECT coalesce(max(seq), 0) FROM {table} WHERE run = NEW.run) + 1"  # noqa: S608 - our own words
        _refuse("seq", "INSERT", table, "rows follow each other", apart)
    there = "EXISTS (SELECT 1 FROM beside_trace WHERE run = NEW.run AND stage = NEW.stage AND channel = NEW.channel)"
    _refuse("once", "INSERT", "beside_trace", "a channel has one trace", there)
    for table in ("beside_gap", "beside_trace"):
        _refuse("delete", "DELETE", table, "records are never deleted")
    still_open = "(SELECT state FROM run WHERE number = OLD.run) <> 'closed'"
    _refuse("delete", "DELETE", "beside_chunk", "samples of an open run are never deleted", still_open)
