"""Which version the tables of a file have, and how they are brought up to date.

Alembic costs 0.4 s to import, so it is imported only where there is something to do.
"""

from pathlib import Path

from sqlalchemy import Connection, inspect, text

from testbench.errors import RecordsMissingError, StoreDamagedError, StoreNewerError
from testbench.store import tables

HEAD = "0014"
"""The version this program writes: the newest file in ``migrations/versions``."""
KNOWN = ("0001", "0002", "0003", "0004", "0005", "0006", "0007", "0008", "0009", "0010", "0011", "0012", "0013", "0014")


def version_of(connection: Connection) -> str | None:
    """The version of the tables; None where there are no tables of ours."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found: str | None = connection.scalar(text("SELECT version_num FROM alembic_version"))
    return found


def check_readable(connection: Connection, path: Path) -> None:
    """See that this program understands the tables, and that all of them are there.

    Raises:
        RecordsMissingError: there are no tables of this program.
        StoreDamagedError: one of them was taken out.
        StoreNewerError: a newer version of this program wrote them.
    """
    found = version_of(connection)
    if found is None:
        raise RecordsMissingError(str(path), "it holds no records of this program")
    if found not in KNOWN:
        raise StoreNewerError(str(path), found, HEAD)
    if found == HEAD:  # an older file has fewer
        gone = tables.METADATA.tables.keys() - set(inspect(connection).get_table_names())
        if gone:
            raise StoreDamagedError(str(path), f"the table {min(gone)} was taken out of the file")


def is_older(connection: Connection, path: Path) -> bool:
    """Whether a file holds records that have yet to be brought up to date; an empty one does not.

    Raises:
        RecordsMissingError: the file holds tables of another program.
        StoreNewerError: a newer version of this program wrote them.
    """
    if version_of(connection) is None and not inspect(connection).get_table_names():
        return False
    check_readable(connection, path)
    return version_of(connection) != HEAD


def upgrade(connection: Connection, path: Path) -> None:
    """Bring the tables to ``HEAD`` within the transaction that is under way; an empty file gets all of them.

    Raises:
        RecordsMissingError: the file holds tables of another program.
        StoreNewerError: a newer version of this program wrote them.
    """
    if version_of(connection) == HEAD:
        return
    is_older(connection, path)
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "testbench:store/migrations")
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
