"""Making a table anew within a migration, where SQLite cannot change it in place. Prefer ADD COLUMN and new tables.

Alembic's batch mode copies a table, drops the old one and gives the copy its name. Done plainly, that loses in silence
every trigger of the table and every index on an expression, fails where a view names the table, and with foreign keys
on deletes the rows that refer to it. Here triggers and views are put aside first and made again afterwards, and nothing
may be missing in the end: no object, and no row of any table.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from alembic import op
from alembic.operations import BatchOperations
from sqlalchemy import Connection

from testbench.errors import StoreFailedError


@contextmanager
def recreated(table: str) -> Iterator[BatchOperations]:
    """Alembic's batch operations on one table, guarded; only within ``Database.migrating``.

    Args:
        table: its name.

    Raises:
        StoreFailedError: foreign keys are on, or something would be lost; the migration is undone as a whole.
    """
    connection = op.get_bind()
    where = str(connection.exec_driver_sql("PRAGMA database_list").one()[2])
    if connection.exec_driver_sql("PRAGMA foreign_keys").scalar():
        raise StoreFailedError(where, f"{table} cannot be made anew while foreign keys are followed")
    objects, rows = _objects(connection), _rows(connection)
    for kind, name in objects:
        if kind in {"trigger", "view"}:
            connection.exec_driver_sql(f'DROP {kind.upper()} "{name}"')
    with op.batch_alter_table(table, recreate="always") as batch:
        yield batch
    there = _objects(connection)
    for kind in ("index", "view", "trigger"):
        for (found, name), text in objects.items():
            if found == kind and (found, name) not in there:
                connection.exec_driver_sql(text)
    _check(where, objects, _objects(connection), rows, _rows(connection))


def _objects(connection: Connection) -> dict[tuple[str, str], str]:
    """Kind and name of everything that was made by a statement, and the statement."""
    found = connection.exec_driver_sql("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY rowid")
    return {(kind, name): text for kind, name, text in found}


def _rows(connection: Connection) -> dict[str, int]:
    """How many rows each table has."""
    names = [name for kind, name in _objects(connection) if kind == "table"]
    return {name: connection.exec_driver_sql(f'SELECT count(*) FROM "{name}"').scalar_one() for name in names}  # noqa: S608 - names from the file itself


def _check(
    where: str,
    objects: dict[tuple[str, str], str],
    objects_now: dict[tuple[str, str], str],
    rows: dict[str, int],
    rows_now: dict[str, int],
) -> None:
    for kind, name in objects:
        if (kind, name) not in objects_now:
            raise StoreFailedError(where, f"the {kind} {name} was lost while a table was made anew")
    for name, count in rows.items():
        if rows_now[name] != count:
            raise StoreFailedError(
                where, f"{name} had {count} rows before a table was made anew, and {rows_now[name]} after"
            )
