"""What goes wrong with a file is told in words, and nothing that was acknowledged is lost by it."""

import fcntl
import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from testbench.errors import StoreBusyError, StoreDamagedError, StoreFailedError
from testbench.run.samples import Sample
from testbench.store.database import Database
from testbench.store.reading import RunReader
from testbench.store.repository import SqliteStore


def second(number: int, samples: int = 100) -> list[Sample]:
    return [Sample(number * 10_000 + i * 100, 25_000 + i) for i in range(samples)]


def limit_pages(store: SqliteStore, pages: int) -> None:
    """A stand-in for a disk with this much room (SQLite reports both alike)."""
    with store._database.reading() as connection:
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")


def test_every_commit_is_written_through_to_the_disk(store):
    """Write-ahead log and synchronous FULL: the only pair found to lose nothing in a power cut."""
    with store._database.reading() as connection:
        told = [
            connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys")
        ]
    assert told == ["wal", 2, 1]


def test_a_writing_unit_takes_the_write_lock_at_once(path, store):
    """BEGIN IMMEDIATE: two units never start from the same state and then collide."""
    other = sqlite3.connect(path, isolation_level=None, timeout=0)
    with store._database.writing(), pytest.raises(sqlite3.OperationalError, match="database is locked"):
        other.execute("BEGIN IMMEDIATE")
    other.close()


def test_a_unit_that_breaks_off_leaves_nothing(path, store):
    """All of a unit or none of it."""

    def broken_unit() -> None:
        with store._database.writing() as connection:
            connection.exec_driver_sql(
                "INSERT INTO run (number, id, opening, opened_us, state) VALUES (1, 'a', '', 0, 'open')"
            )
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        broken_unit()
    assert store.open_runs() == []


def test_a_full_disk_is_said_and_what_was_acknowledged_stays(store, path, examples):
    """The chunk that did not fit is refused as a whole; with room again, the same chunk goes in."""
    run = store.begin_run("{}", examples.STARTED)
    with store._database.reading() as connection:
        used = connection.exec_driver_sql("PRAGMA page_count").scalar()
    limit_pages(store, used + 20)
    acknowledged = 0

    def append_until_refused() -> None:
        nonlocal acknowledged
        while True:
            store.append(run, 0, second(acknowledged), [], [], [])
            acknowledged += 1

    with pytest.raises(StoreFailedError) as refusal:
        append_until_refused()
    assert str(refusal.value) == f"The records in {path} cannot be used: the disk is full."
    assert refusal.value.remedy == "Free space or restore write permission; what was acknowledged is safe on disk."
    assert acknowledged > 10
    assert len(store.open_runs()[0].traces[0]) == acknowledged * 100
    limit_pages(store, 10_000)
    store.append(run, 0, second(acknowledged), [], [], [])
    with RunReader.beside(path) as reader:
        counts = reader.open_runs()[0].traces[0].counts
    assert counts.tolist() == [25_000 + i for i in range(100)] * (acknowledged + 1)


def test_a_full_disk_at_the_seal_leaves_the_run_open(store, examples):
    """Record, traces and the end of the chunks are one thing: without room for all, nothing changes."""
    record, traces = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"))
    run = store.begin_run("{}", examples.STARTED)
    store.append(run, 0, second(0), [], [], [])
    with store._database.reading() as connection:
        used = connection.exec_driver_sql("PRAGMA page_count").scalar()
    limit_pages(store, used)
    with pytest.raises(StoreFailedError, match="the disk is full"):
        store.seal(record, traces)
    assert store.history() == []
    assert len(store.open_runs()[0].traces[0]) == 100
    limit_pages(store, 10_000)
    store.seal(record, traces)
    assert [line.run for line in store.history()] == [run]


def test_a_writer_that_does_not_finish_is_named(store, path, examples):
    """Another program inside a transaction: wait a moment, then say so."""
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreBusyError) as refusal:
        store.begin_run("{}", examples.STARTED)
    other.execute("ROLLBACK")
    other.close()
    assert str(refusal.value) == (
        f"The records in {path} cannot be used: another program is writing there and did not finish within 0.2 s."
    )
    assert refusal.value.remedy == "Close the other program that writes to this home, then try again."


def test_a_held_lock_file_keeps_a_second_writer_out(store, path, examples):
    """Our own programs never write at the same moment, not even while the log is tidied after a commit."""
    handle = os.open(f"{path}.lock", os.O_RDWR)
    fcntl.flock(handle, fcntl.LOCK_EX)
    with pytest.raises(StoreBusyError):
        store.begin_run("{}", examples.STARTED)
    os.close(handle)
    assert store.begin_run("{}", examples.STARTED) == "B1-000001"


def test_two_stores_on_one_file_take_turns(store, path, examples):
    """Run numbers and rows of two writers never collide, and each sees what the other acknowledged."""
    with SqliteStore(path, "B1", busy_s=5) as other:
        runs = [writer.begin_run("{}", examples.STARTED) for writer in (store, other, store, other)]
        for number in range(6):
            (store, other)[number % 2].append(runs[0], 0, second(number), [], [], [])
        assert runs == ["B1-000001", "B1-000002", "B1-000003", "B1-000004"]
        seen = store.open_runs()
        assert [run.run for run in seen] == [run.run for run in other.open_runs()] == runs
        assert seen[0].traces[0].at.tolist() == [sample.at for number in range(6) for sample in second(number)]


def test_a_reader_sees_what_is_acknowledged_while_the_recorder_writes(store, path, examples):
    """Reading never waits for the writer and never holds it up, and sees no half of a unit."""
    run = store.begin_run("{}", examples.STARTED)
    with RunReader.beside(path) as reader:
        with store._database.writing() as unit:
            unit.exec_driver_sql("UPDATE run SET state = state")
            assert [open_run.run for open_run in reader.open_runs()] == [run]
        store.append(run, 0, second(0), [], [], [])
        assert len(reader.open_runs()[0].traces[0]) == 100


def test_a_reader_cannot_change_anything(store, path):
    """Read-only is a property of the connection, not a promise."""
    with (
        RunReader.beside(path) as reader,
        pytest.raises(StoreFailedError) as refusal,
        reader._database.reading() as connection,
    ):
        connection.exec_driver_sql("DELETE FROM run")
    assert str(refusal.value) == f"The records in {path} cannot be used: they are write-protected."


def test_a_missing_file_is_said_and_not_made(path):
    """Asking for a history must not leave an empty database behind."""
    with pytest.raises(StoreFailedError) as refusal:
        RunReader.beside(path)
    assert str(refusal.value) == f"The records in {path} cannot be used: the file is not there."
    assert not path.exists()


def test_a_missing_folder_is_said(tmp_path):
    """The store makes a file, never a folder."""
    path = tmp_path / "away" / "testbench.db"
    with pytest.raises(StoreFailedError) as refusal:
        SqliteStore(path, "B1")
    assert str(refusal.value) == (
        f"The records in {path} cannot be used: testbench.db.lock: No such file or directory."
    )


def test_a_folder_in_the_place_of_the_file_is_said(tmp_path):
    """SQLite's own words for this would be 'unable to open database file'."""
    path = tmp_path / "testbench.db"
    path.mkdir()
    with pytest.raises(StoreFailedError) as refusal:
        SqliteStore(path, "B1")
    assert str(refusal.value) == f"The records in {path} cannot be used: the file or its folder cannot be opened."


def test_a_torn_page_is_said(store, path, examples):
    """A file whose pages are overwritten is damaged, and the remedy is the backup, not more room."""
    run = store.begin_run("{}", examples.STARTED)
    for number in range(20):
        store.append(run, 0, second(number), [], [], [])
    store.close()
    whole = bytearray(path.read_bytes())
    for page in range(2, len(whole) // 4096):
        whole[page * 4096 : page * 4096 + 64] = b"\xff" * 64
    path.write_bytes(whole)
    with pytest.raises(StoreDamagedError) as refusal, SqliteStore(path, "B1") as damaged:
        damaged.open_runs()
    assert str(refusal.value) == f"The records in {path} cannot be used: the file is damaged."
    assert refusal.value.remedy == ("Stop using this file, keep it as it is, and restore the newest backup beside it.")


def test_a_file_taken_away_while_it_is_used_is_said(store, path, examples):
    """What is written from then on would be lost; so it is refused."""
    path.unlink()
    with pytest.raises(StoreFailedError) as refusal:
        store.begin_run("{}", examples.STARTED)
    assert str(refusal.value) == (
        f"The records in {path} cannot be used: the file was moved or deleted while it was in use."
    )


@pytest.mark.parametrize("name", ["a b.db", "50%.db", "what?.db", "a#1.db", "Prüfstand ä.db", "it's.db"])
def test_any_file_name_can_be_used(tmp_path, name, examples):
    """Signs that mean something in a URI are only signs in a file name."""
    with SqliteStore(tmp_path / name, "B1") as store:
        store.begin_run("{}", examples.STARTED)
    assert (tmp_path / name).exists()
    with RunReader.beside(tmp_path / name) as reader:
        assert len(reader.open_runs()) == 1


def test_an_unforeseen_error_keeps_its_own_words(path):
    """Better a strange sentence than a wrong one."""
    database = Database(path)
    with pytest.raises(StoreFailedError) as refusal, database.reading() as connection:
        connection.exec_driver_sql("SELECT * FROM nothing_of_this_name")
    database.close()
    assert str(refusal.value) == f"The records in {path} cannot be used: no such table: nothing_of_this_name."


# A home that may only be read -------------------------------------------------------------------

AS_A_GUEST = """
import os, sys
from pathlib import Path
from testbench.errors import BenchError
from testbench.store.reading import RunReader
from testbench.store.repository import SqliteStore
from testbench.run.record import RunRecord
path = Path(sys.argv[1])
if os.getuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
with RunReader.beside(path) as reader:
    print(len(reader.open_runs()))
try:
    SqliteStore(path, "B1")
except BenchError as refusal:
    print(refusal)
"""


@pytest.fixture
def guest_home() -> Iterator[Path]:
    """A folder that anybody may enter and read."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        yield Path(folder)
        Path(folder).chmod(0o755)


@pytest.mark.parametrize("recording", [False, True], ids=["at rest", "while recording"])
def test_a_home_that_may_only_be_read_is_read_and_not_written(guest_home, examples, recording):
    """Without write permission the runs are seen, at rest and beside a running recorder; writing is refused."""
    path = guest_home / "testbench.db"
    store = SqliteStore(path, "B1")
    store.begin_run("{}", examples.STARTED)
    if not recording:
        store.close()
    for entry in guest_home.iterdir():
        entry.chmod(0o444)
    guest_home.chmod(0o555)
    told = subprocess.run(
        [sys.executable, "-W", "error", "-c", AS_A_GUEST, str(path)], capture_output=True, text=True, check=True
    )
    store.close()
    assert told.stdout.splitlines() == [
        "1",
        f"The records in {path} cannot be used: testbench.db.lock: Permission denied.",
    ]
