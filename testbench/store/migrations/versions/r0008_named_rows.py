"""A row of a register is found in the ledger; a run number given up at a restoration is not given out again."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"

OF_A_REGISTER = sa.text("(kind NOT IN ('run opened', 'run sealed', 'document'))")
NEXT = (
    "NEW.number <> 1 + max((SELECT coalesce(max(number), 0) FROM run), coalesce((SELECT max(json_extract(body, "
    "'$.last_run')) FROM ledger WHERE kind = 'restored' AND body IS NOT NULL), 0)) OR EXISTS (SELECT 1 FROM run "
    "WHERE id = NEW.id)"
)


def upgrade() -> None:
    op.create_index("ix_ledger_of_a_register", "ledger", ["kind", "subject"], sqlite_where=OF_A_REGISTER)
    op.execute("DROP TRIGGER IF EXISTS run_number")
    op.execute(
        f"CREATE TRIGGER run_number BEFORE INSERT ON run WHEN {NEXT} "
        "BEGIN SELECT RAISE(ABORT, 'runs are numbered without gaps'); END"
    )
