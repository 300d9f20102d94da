"""A copy of the records is proved before it has a name; what cannot be proved has none."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from testbench.errors import BackupRefusedError, NoRoomError
from testbench.store import backup
from testbench.store.backup import copy_of, more_than, one_at_a_time, proved
from testbench.store.reading import RunReader
from testbench.store.repository import SqliteStore
from testbench.store.schema import HEAD
from tests.store.test_database import second
from tests.store.test_records import RECORDS, flip_in_file, tamper


def prove(path: Path):
    return proved(path, lambda _: True)


@pytest.fixture
def whole(path: Path) -> Path:
    """The newest released records: four runs, one of them open."""
    shutil.copy(sorted(RECORDS.glob("*.db"))[-1], path)
    return path


def test_a_copy_is_whole_and_needs_nothing_beside_it(whole, tmp_path):
    """Also what lies only in the write-ahead log is in it."""
    with SqliteStore(whole, "B1") as store:
        store.add_blank("{}")
        report = copy_of(whole, tmp_path / "kept" / "b.db", prove)
        assert (report.entries, report.head) == store.head()
    assert [found.name for found in (tmp_path / "kept").iterdir()] == ["b.db"]
    (tmp_path / "kept").chmod(0o555)
    with RunReader.beside(tmp_path / "kept" / "b.db") as reader:
        assert (len(reader.history()), reader.blanks()) == (3, ("{}",))
    (tmp_path / "kept").chmod(0o755)


@pytest.mark.parametrize("step", [1, backup.STEP])
def test_a_copy_is_made_while_the_recorder_writes(store, path, tmp_path, examples, step, monkeypatch):
    """Many commits a second do not keep it from coming to its end, however many steps it takes; it is of one moment."""
    monkeypatch.setattr(backup, "STEP", step)
    run = store.begin_run("{}", examples.STARTED)
    stop, kept = threading.Event(), 0

    def record() -> None:
        nonlocal kept
        while not stop.is_set():
            store.append(run, 0, second(kept), [], [], [])
            kept += 1

    recorder = threading.Thread(target=record)
    recorder.start()
    try:
        for number in range(5):
            copy_of(path, tmp_path / f"{number}.db", prove)
    finally:
        stop.set()
        recorder.join()
    with RunReader.beside(tmp_path / "4.db") as reader:
        (found,) = reader.open_runs()
    assert 0 < len(found.traces[0]) <= kept * 100
    assert len(found.traces[0]) % 100 == 0


# Bad copies ----------------------------------------------------------------------------------------


def test_a_flipped_bit_in_a_trace_is_refused_though_the_pages_are_in_order(whole, tmp_path):
    """Only the hash of the samples finds it; so a backup of it is none."""
    file = sqlite3.connect(whole)
    (stored,) = file.execute("SELECT stored FROM trace WHERE run = 3").fetchone()
    file.close()
    flip_in_file(whole, stored[-200:])
    with pytest.raises(BackupRefusedError) as refusal:
        copy_of(whole, tmp_path / "b.db", prove)
    assert str(refusal.value).endswith("(run sealed B1-000003): the samples of trace 0 are not those that were sealed.")
    assert not list(tmp_path.glob("b.db*"))


def test_a_damaged_page_is_refused(whole):
    """SQLite's own check, in one sentence."""
    data = bytearray(whole.read_bytes())
    data[4096 * 20 : 4096 * 20 + 64] = b"\xff" * 64
    whole.write_bytes(data)
    with pytest.raises(BackupRefusedError, match=f"^Backup {whole}: .*(damaged|malformed)"):
        prove(whole)


def test_a_cut_off_file_is_refused(whole):
    """As a copy over a cable that was pulled."""
    whole.write_bytes(whole.read_bytes()[:50_000])
    with pytest.raises(BackupRefusedError, match="damaged"):
        prove(whole)


def test_a_changed_record_and_a_cut_off_ledger_are_refused(whole, tmp_path):
    """Pages in order, hashes not."""
    other = shutil.copy(whole, tmp_path / "other.db")
    tamper(whole, "UPDATE run SET verdict = 'accepted' WHERE number = 2")
    with pytest.raises(BackupRefusedError, match="what it stands for was changed after it was written"):
        prove(whole)
    tamper(other, "DELETE FROM ledger WHERE seq = (SELECT max(seq) FROM ledger)")
    with pytest.raises(BackupRefusedError, match="run opened 4: no entry of the ledger stands for it"):
        prove(other)


def test_what_is_no_file_of_records_is_refused(tmp_path):
    """A text, and nothing at all."""
    path = tmp_path / "b.db"
    with pytest.raises(BackupRefusedError, match="the file or its folder cannot be opened"):
        prove(path)
    path.write_text("Dear Ellery Water Board, " * 50)
    with pytest.raises(BackupRefusedError) as refusal:
        prove(path)
    assert str(refusal.value) == (f"Backup {path}: The records in {path} cannot be used: the file is no database.")


# Bad days ------------------------------------------------------------------------------------------


def test_too_little_room_is_said_before_anything_is_touched(whole, tmp_path, monkeypatch):
    """Size of the records and 16 MB to spare."""
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1_000_000))
    with pytest.raises(NoRoomError) as refusal:
        copy_of(whole, tmp_path / "b.db", prove)
    needed = (whole.stat().st_size + 16 * 1024 * 1024) / 1e6
    assert str(refusal.value) == (f"Only 1.0 MB are free in {tmp_path}; a copy of the records needs {needed:.1f} MB.")
    assert refusal.value.remedy == "Free space there, or name another folder; nothing was changed."
    assert not list(tmp_path.glob("b.db*"))


def test_an_upgrade_without_room_for_its_copy_is_refused_before_anything_is_touched(path, monkeypatch):
    """The old file stays to the byte."""
    shutil.copy(RECORDS / "schema-0001.db", path)
    usage = shutil.disk_usage(path.parent)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=0))
    with pytest.raises(NoRoomError):
        SqliteStore(path, "B1")
    assert path.read_bytes() == (RECORDS / "schema-0001.db").read_bytes()
    assert not list((path.parent / "backups").iterdir())


def test_an_upgrade_keeps_the_records_as_they_were(path):
    """Under a name that says when and before which version."""
    shutil.copy(RECORDS / "schema-0002.db", path)
    with SqliteStore(path, "B1") as store:
        kept = store.kept_before
    assert kept.parent == path.parent / "backups"
    assert kept.name.startswith(f"before-{HEAD}-2")
    old, new = sqlite3.connect(RECORDS / "schema-0002.db"), sqlite3.connect(kept)
    assert list(old.iterdump()) == list(new.iterdump())
    old.close()
    new.close()
    with SqliteStore(path, "B1") as store:
        assert store.kept_before is None


FULL = """
import resource, signal, sys
from pathlib import Path
from testbench.errors import BenchError
from testbench.store import backup
from testbench.store.backup import copy_of, proved
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
try:
    copy_of(Path(sys.argv[1]), Path(sys.argv[2]), lambda path: proved(path, lambda _: True))
except BenchError as refusal:
    print(refusal)
"""


def test_a_disk_that_takes_no_more_leaves_no_half_of_a_copy(whole, tmp_path):
    """A stand-in for a full disk: no file may grow beyond 100 kB."""
    target = tmp_path / "b.db"
    told = subprocess.run(
        [sys.executable, "-c", FULL, str(whole), str(target)], capture_output=True, text=True, check=True
    )
    assert told.stdout.startswith(f"Backup {target}: it could not be made (")
    assert not list(tmp_path.glob("b.db*"))
    assert prove(whole).fault is None


KILLED = """
import sys, time
from pathlib import Path
from testbench.store import backup
from testbench.store.backup import copy_of, one_at_a_time
def prove(path):
    print("copied", flush=True)
    time.sleep(600)
target = Path(sys.argv[2])
with one_at_a_time(target.parent):
    copy_of(Path(sys.argv[1]), target, prove)
"""


def test_a_backup_killed_in_the_middle_leaves_the_records_whole_and_is_tidied_by_the_next(whole, tmp_path):
    """kill -9: the copy never had its name; the next backup says what it took away."""
    folder = tmp_path / "kept"
    folder.mkdir()
    child = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(whole), str(folder / "b.db")], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout.readline() == "copied\n"
    with pytest.raises(BackupRefusedError) as refusal, one_at_a_time(folder):
        pass
    assert str(refusal.value) == f"Backup {folder}: another backup is being made there."
    os.kill(child.pid, signal.SIGKILL)
    child.wait()
    child.stdout.close()
    assert [found.name for found in sorted(folder.iterdir())] == [".lock", "b.db.part"]
    assert prove(whole).fault is None
    with one_at_a_time(folder) as tidied:
        assert tidied == ["b.db.part"]
        copy_of(whole, folder / "b.db", prove)
    assert [found.name for found in sorted(folder.iterdir())] == [".lock", "b.db"]


def test_a_folder_that_cannot_be_written_is_said(tmp_path):
    """A file stands where the folder should be."""
    (tmp_path / "kept").write_text("")
    with pytest.raises(BackupRefusedError) as refusal, one_at_a_time(tmp_path / "kept"):
        pass
    assert str(refusal.value) == f"Backup {tmp_path / 'kept'}: the folder cannot be written (File exists)."


def test_an_existing_file_is_never_overwritten(whole, tmp_path):
    """Whatever it is."""
    (tmp_path / "b.db").write_text("a letter")
    with pytest.raises(BackupRefusedError) as refusal:
        copy_of(whole, tmp_path / "b.db", prove)
    assert str(refusal.value) == f"Backup {tmp_path / 'b.db'}: it exists already and is not overwritten."
    assert (tmp_path / "b.db").read_text() == "a letter"


# What would be lost --------------------------------------------------------------------------------


def test_what_the_records_hold_beyond_a_backup_is_said(whole, tmp_path, examples):
    """Entries, samples of an open run, another ledger; what a bench says of itself does not count."""
    backup = tmp_path / "b.db"
    copy_of(whole, backup, prove)
    assert more_than(whole, backup) == ""
    assert more_than(tmp_path / "none.db", backup) == (
        f"what the records hold beyond it cannot be told (The records in {tmp_path / 'none.db'} cannot be used: the "
        "file is not there)"
    )
    with SqliteStore(whole, "B1") as store:
        store.state("backup", "b.db", {"n": 10})
        assert more_than(whole, backup) == ""
        store.append("B1-000004", 0, second(99), [], [], [])
        assert more_than(whole, backup) == (
            "the records hold samples or journal lines of an open run that it does not hold"
        )
        store.add_blank("{}")
        n, _ = store.head()
    assert more_than(whole, backup) == (
        f"the records hold 1 entries that it does not hold, the first is entry {n} (blank 1)"
    )
    fresh = tmp_path / "fresh.db"
    with SqliteStore(fresh, "B1") as store:
        store.record_key("0" * 64)
        assert more_than(fresh, backup) == ""
        store.begin_run("{}", examples.STARTED)
        assert more_than(fresh, backup).startswith("the records hold 1 entries that it does not hold, the first is")
    fresh.write_bytes(b"x" * 4096)
    assert more_than(fresh, backup) == (
        f"what the records hold beyond it cannot be told (The records in {fresh} cannot be used: the file is no "
        "database)"
    )
