"""The runs of an order are found without looking at every run."""

from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    op.create_index(op.f("ix_run_order_number_number"), "run", ["order_number", "number"])
