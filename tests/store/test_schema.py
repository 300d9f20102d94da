"""The tables of a file: as described, in a known version, or refused."""

import re
import shutil
import sqlite3
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, create_mock_engine

from testbench.errors import StoreDamagedError, StoreFailedError, StoreNewerError
from testbench.store.reading import RunReader
from testbench.store.repository import SqliteStore
from testbench.store.schema import HEAD, KNOWN
from testbench.store.tables import METADATA

RECORDS = Path(__file__).parents[1] / "records"


def schema_of(connection: sqlite3.Connection) -> dict[str, str]:
    """Every table, index and trigger with its text, white space aside."""
    rows = connection.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL AND name <> 'alembic_version'")
    return {name: re.sub(r"\s+", " ", text).strip() for name, text in rows}


def test_migrated_and_described_tables_are_the_same(path, store):
    """What the migrations make is what ``tables.py`` describes: columns, checks, indexes and triggers, as text."""
    engine = create_engine("sqlite://")
    with engine.connect() as described:
        METADATA.create_all(described)
        expected = schema_of(described.connection.driver_connection)
    engine.dispose()
    migrated = sqlite3.connect(path)
    assert schema_of(migrated) == expected
    migrated.close()
    assert sum(text.startswith("CREATE TRIGGER") for text in expected.values()) == 102
    ours = {name: text for name, text in expected.items() if not name.startswith("serial_part")}  # SQLite's own index
    assert all(text.endswith(" STRICT") for text in ours.values() if text.startswith("CREATE TABLE"))


@pytest.mark.parametrize("version", KNOWN)
def test_every_released_file_comes_out_with_the_tables_of_a_fresh_one(path, empty, version):
    """Tables, indexes and triggers to the letter, whatever version the file began with; and no row is lost."""
    shutil.copy(RECORDS / f"schema-{version}.db", path)
    before = sqlite3.connect(path)
    counts = {name: before.execute(f"SELECT count(*) FROM {name}").fetchone() for name in tables_of(before)}
    before.close()
    SqliteStore(path, "B1").close()
    upgraded, fresh = sqlite3.connect(path), sqlite3.connect(empty)
    assert schema_of(upgraded) == schema_of(fresh)
    assert {name: upgraded.execute(f"SELECT count(*) FROM {name}").fetchone() for name in counts} == counts
    assert upgraded.execute("PRAGMA foreign_key_check").fetchall() == []
    upgraded.close()
    fresh.close()


def tables_of(connection: sqlite3.Connection) -> list[str]:
    """Names of the tables of ours."""
    rows = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name <> 'alembic_version'")
    return [name for (name,) in rows]


def test_the_described_tables_can_be_made_in_postgresql():
    """Types that the other database has as well: 64-bit numbers stay 64 bits; triggers and STRICT are SQLite's own."""
    said: list[str] = []
    other = create_mock_engine("postgresql://", lambda made, *_: said.append(str(made.compile(dialect=other.dialect))))
    METADATA.create_all(other, checkfirst=False)
    assert sum("CREATE TABLE" in text for text in said) == len(METADATA.tables) == 33
    assert not any("TRIGGER" in text or "STRICT" in text for text in said)
    assert any("opened_us BIGINT NOT NULL" in text for text in said)


def test_the_constant_is_the_newest_migration():
    """The version is compared without loading the migrations, so the constant must not be stale."""
    config = Config()
    config.set_main_option("script_location", str(files("testbench") / "store" / "migrations"))
    script = ScriptDirectory.from_config(config)
    assert script.get_current_head() == HEAD
    assert tuple(sorted(found.revision for found in script.walk_revisions())) == KNOWN


def test_a_file_that_is_up_to_date_needs_no_migration_library(path, store):
    """Opening an existing file stays quick: Alembic is not even imported."""
    store.close()
    code = (
        "import sys; from pathlib import Path; from testbench.store.repository import SqliteStore; "
        f"SqliteStore(Path({str(path)!r}), 'B1').close(); print('alembic' in sys.modules)"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout == "False\n"


@pytest.mark.parametrize("opening", [lambda path: SqliteStore(path, "B1"), RunReader.beside])
def test_a_file_of_a_newer_version_is_refused(path, store, opening):
    """A program that does not know the tables must not touch them, nor read half of them."""
    store.close()
    newer = sqlite3.connect(path)
    newer.execute("UPDATE alembic_version SET version_num = '0099'")
    newer.commit()
    newer.close()
    before = path.read_bytes()
    with pytest.raises(StoreNewerError) as refusal:
        opening(path)
    assert str(refusal.value) == f"{path} has schema 0099; this program knows up to {HEAD}."
    assert refusal.value.remedy == "Use the newer version of testbench; nothing was changed."
    assert path.read_bytes() == before


@pytest.mark.parametrize("opening", [lambda path: SqliteStore(path, "B1"), RunReader.beside])
def test_tables_of_another_program_are_refused(path, opening):
    """Our tables are never put beside those of a stranger."""
    stranger = sqlite3.connect(path)
    stranger.execute("CREATE TABLE run (number)")
    stranger.commit()
    stranger.close()
    with pytest.raises(StoreFailedError) as refusal:
        opening(path)
    assert str(refusal.value) == f"The records in {path} cannot be used: it holds no records of this program."
    kept = sqlite3.connect(path)
    assert [row[0] for row in kept.execute("SELECT name FROM sqlite_master")] == ["run"]
    kept.close()


def test_a_file_that_is_no_database_is_refused(path):
    """And it is left as it was."""
    path.write_bytes(b"Dear Ellery Water Board, " * 50)
    with pytest.raises(StoreDamagedError) as refusal:
        SqliteStore(path, "B1")
    assert str(refusal.value) == f"The records in {path} cannot be used: the file is no database."
    assert path.read_bytes() == b"Dear Ellery Water Board, " * 50


def test_a_making_that_is_cut_short_leaves_nothing(path, monkeypatch):
    """All tables or none: a crash in the middle of making them is as if it had not begun."""

    def fail(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("alembic.runtime.migration.HeadMaintainer.update_to_step", fail)
    with pytest.raises(KeyboardInterrupt):
        SqliteStore(path, "B1")
    left = sqlite3.connect(path)
    assert left.execute("SELECT count(*) FROM sqlite_master").fetchone() == (0,)
    left.close()
