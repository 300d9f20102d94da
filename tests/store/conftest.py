"""Example runs of the invented works, and a store in a folder of its own."""

import runpy
import shutil
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from testbench.store.repository import SqliteStore

RECORDS = Path(__file__).parents[1] / "records"


@pytest.fixture(scope="session")
def examples() -> SimpleNamespace:
    """What ``tests/records/make.py`` offers: valves, traces and whole runs."""
    return SimpleNamespace(**runpy.run_path(str(RECORDS / "make.py")))


@pytest.fixture(scope="session")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file with all tables and nothing in them, made once."""
    made = tmp_path_factory.mktemp("empty") / "testbench.db"
    SqliteStore(made, "B1").close()
    return made


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "testbench.db"


@pytest.fixture
def store(path: Path, empty: Path) -> Iterator[SqliteStore]:
    shutil.copy(empty, path)
    opened = SqliteStore(path, "B1", busy_s=0.2)
    yield opened
    opened.close()


@pytest.fixture
def closed_run(store: SqliteStore, examples: SimpleNamespace) -> str:
    """The accepted run of HL-4-0117, sealed without its chunks having been kept."""
    record, traces = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"))
    run = store.begin_run(examples.opening_of(record), examples.STARTED)
    store.seal(record, traces)
    return run
