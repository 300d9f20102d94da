"""The register of reviews, the runs that wait for a signature, and the way from a run to its entry in the ledger."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"

# As ``station.review.waits_for`` has it; only runs of an authenticated operator wait.
_BACKFILL = """
INSERT INTO waiting (run, meaning, order_number, operator)
SELECT number, meaning, order_number, operator FROM (
    SELECT run.number, run.order_number, json_extract(body, '$.operator') AS operator, CASE
        WHEN NOT EXISTS (SELECT 1 FROM signature WHERE subject = run.id AND meaning = 'performed') THEN 'performed'
        WHEN run.verdict = 'accepted'
            AND NOT EXISTS (SELECT 1 FROM signature WHERE subject = run.id AND meaning = 'released') THEN 'released'
        WHEN run.verdict IN ('rejected', 'inconclusive')
            AND NOT EXISTS (SELECT 1 FROM signature WHERE subject = run.id AND meaning = 'reviewed') THEN 'reviewed'
        END AS meaning
    FROM run JOIN (
        SELECT run, CASE WHEN json_valid(body) THEN body ELSE '{}' END AS body FROM record
    ) AS kept ON kept.run = run.number
    WHERE run.state = 'closed' AND json_extract(body, '$.operator_id') IS NOT NULL
) WHERE meaning IS NOT NULL ORDER BY number
"""


def upgrade() -> None:
    op.create_table(
        "review",
        sa.Column("seq", sa.Integer, autoincrement=False, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("subject", "step", "body")),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_review")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_review_subject"), "review", ["subject"])
    whole = sa.BigInteger().with_variant(sa.Integer, "sqlite")
    op.create_table(
        "waiting",
        sa.Column("run", whole, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("meaning", "order_number", "operator")),
        sa.ForeignKeyConstraint(["run"], ["run.number"], name=op.f("fk_waiting_run_run")),
        sa.PrimaryKeyConstraint("run", name=op.f("pk_waiting")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_waiting_order_number_run"), "waiting", ["order_number", "run"])
    sealed = sa.text("kind IN ('run sealed', 'run sealed, taken over')")
    op.create_index("ix_ledger_sealed", "ledger", ["subject"], sqlite_where=sealed, postgresql_where=sealed)
    if op.get_bind().dialect.name == "sqlite":
        _guard("review")
        if op.get_bind().scalar(sa.text("SELECT count(*) FROM (SELECT 1 FROM person_entry LIMIT 1)")):
            op.execute(_BACKFILL)


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
