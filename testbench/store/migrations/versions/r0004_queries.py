"""When each sample was asked for, where a transmitter is polled."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    for table in ("chunk", "beside_chunk"):
        op.add_column(table, sa.Column("asked", sa.LargeBinary))
        if op.get_bind().dialect.name == "sqlite":
            op.execute(
                f"CREATE TRIGGER {table}_asked BEFORE INSERT ON {table} WHEN length(NEW.asked) <> 8 * NEW.samples "
                "BEGIN SELECT RAISE(ABORT, 'every sample was asked for'); END"
            )
