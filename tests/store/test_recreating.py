"""A table made anew loses nothing; the plain way does, which is shown beside it."""

import sqlite3
import warnings
from contextlib import contextmanager
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.migration import MigrationContext
from alembic.operations import Operations

from testbench.errors import StoreFailedError
from testbench.store.database import Database
from testbench.store.recreating import recreated

MADE = """
CREATE TABLE parent (id INTEGER PRIMARY KEY, name TEXT NOT NULL, CONSTRAINT ck_parent_name CHECK (name <> '')) STRICT;
CREATE TABLE child (id INTEGER PRIMARY KEY, parent INTEGER NOT NULL REFERENCES parent (id) ON DELETE CASCADE) STRICT;
CREATE INDEX ix_parent_name ON parent (name);
CREATE INDEX ix_parent_folded ON parent (lower(name));
CREATE TRIGGER parent_delete BEFORE DELETE ON parent BEGIN SELECT RAISE(ABORT, 'records are never deleted'); END;
CREATE TRIGGER child_known BEFORE INSERT ON child WHEN NOT EXISTS (SELECT 1 FROM parent WHERE id = NEW.parent)
BEGIN SELECT RAISE(ABORT, 'no such parent'); END;
INSERT INTO parent VALUES (1, 'one'), (2, 'two');
INSERT INTO child VALUES (1, 1), (2, 2);
"""
VIEW = "CREATE VIEW names AS SELECT name FROM parent"


@pytest.fixture
def made(path: Path) -> Path:
    """Parent and child, with everything that batch mode is known to lose."""
    file = sqlite3.connect(path)
    file.executescript(MADE)
    file.close()
    return path


@contextmanager
def operations(connection: sa.Connection):
    """Alembic's operations as within a migration."""
    with Operations.context(MigrationContext.configure(connection)) as found, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the expression index that it leaves out
        yield found


def left(path: Path) -> dict[str, object]:
    file = sqlite3.connect(path)
    names = {name for (name,) in file.execute("SELECT name FROM sqlite_master")}
    children = file.execute("SELECT count(*) FROM child").fetchone()[0]
    columns = [row[1] for row in file.execute("PRAGMA table_info(parent)")]
    strict = [row[5] for row in file.execute("PRAGMA table_list('parent')")]
    file.close()
    return {"names": names, "children": children, "columns": columns, "strict": strict}


def test_the_plain_way_loses_rows_triggers_and_indexes_in_silence(made):
    """Why the guarded way is there. If this fails one day, the library has been mended."""
    database = Database(made)
    with database.writing() as connection, operations(connection) as op:
        connection.exec_driver_sql("DROP TRIGGER child_known")  # with it, the plain way fails outright
        connection.exec_driver_sql("DROP TRIGGER parent_delete")
        with op.batch_alter_table("parent", recreate="always") as batch:
            batch.add_column(sa.Column("more", sa.Text))
    database.close()
    found = left(made)
    assert found["children"] == 0
    assert "ix_parent_folded" not in found["names"]


def test_the_guarded_way_loses_nothing(made):
    """Rows, triggers, both indexes, a view, STRICT; and the foreign keys are followed again afterwards."""
    file = sqlite3.connect(made)
    file.execute(VIEW)
    file.commit()
    file.close()
    before = left(made)
    database = Database(made)
    with database.migrating() as connection, operations(connection), recreated("parent") as batch:
        batch.add_column(sa.Column("more", sa.Text))
    with pytest.raises(StoreFailedError, match="no such parent"), database.writing() as connection:
        connection.exec_driver_sql("INSERT INTO child VALUES (3, 9)")
    with pytest.raises(StoreFailedError, match="records are never deleted"), database.writing() as connection:
        connection.exec_driver_sql("DELETE FROM parent")
    with database.reading() as connection:
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
        assert connection.exec_driver_sql("SELECT name FROM names ORDER BY name").scalars().all() == ["one", "two"]
    database.close()
    after = left(made)
    assert after == before | {"columns": ["id", "name", "more"]}


def test_it_refuses_where_foreign_keys_are_followed(made):
    """Outside of a migration's own unit it does not even begin."""
    database = Database(made)
    with (
        pytest.raises(StoreFailedError, match="parent cannot be made anew while foreign keys are followed"),
        database.writing() as connection,
        operations(connection),
        recreated("parent"),
    ):
        pass
    database.close()


def test_a_migration_that_leaves_a_row_referring_to_nothing_is_undone(made):
    """Checked before the commit, because nothing was checked on the way."""
    database = Database(made)
    with database.writing() as connection:
        connection.exec_driver_sql("DROP TRIGGER parent_delete")
    with pytest.raises(StoreFailedError) as refusal, database.migrating() as connection:
        connection.exec_driver_sql("DELETE FROM parent WHERE id = 2")
    database.close()
    assert str(refusal.value) == f"The records in {made} cannot be used: a row of child refers to no parent."
    assert left(made)["children"] == 2
    file = sqlite3.connect(made)
    assert file.execute("SELECT count(*) FROM parent").fetchone() == (2,)
    file.close()


def test_a_migration_that_loses_rows_on_the_way_is_undone(made):
    """The counts of every table are compared."""
    database = Database(made)
    with (
        pytest.raises(StoreFailedError, match="child had 2 rows before a table was made anew, and 0 after"),
        database.migrating() as connection,
        operations(connection),
        recreated("parent"),
    ):
        connection.exec_driver_sql("DELETE FROM child")
    database.close()
    assert left(made)["children"] == 2
