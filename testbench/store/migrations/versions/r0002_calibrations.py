"""The registers of calibrations, of checks against a second gauge, and of blank runs."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    _make("calibration", "serial", "certificate_number", "calibrated_on", "body")
    _make("gauge_check", "serial", "at", "body")
    _make("blank", "body")
    op.create_index(op.f("ix_calibration_serial_calibrated_on"), "calibration", ["serial", "calibrated_on"])
    op.create_index(op.f("ix_gauge_check_serial_at"), "gauge_check", ["serial", "at"])
    if op.get_bind().dialect.name == "sqlite":
        for table in ("calibration", "gauge_check", "blank"):
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
