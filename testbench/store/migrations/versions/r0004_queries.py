"""When each sample was asked for, where a transmitter is polled."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0002"


def upgrade() -> None:
    op.add_column("chunk", sa.Column("asked", sa.LargeBinary))
    if op.get_bind().dialect.name == "sqlite":
        op.execute(
            "CREATE TRIGGER chunk_asked BEFORE INSERT ON chunk WHEN length(NEW.asked) <> 8 * NEW.samples "
            "BEGIN SELECT RAISE(ABORT, 'every sample was asked for'); END"
        )
