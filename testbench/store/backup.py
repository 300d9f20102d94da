"""A copy of the records while they are in use: complete and proved under its name, or not there at all.

SQLite's own copying, of one moment: the source is held in a read transaction, or a copy in steps would begin again at
every commit and never end beside a recorder. Each step is put on disk before the next: all at once at the end, they
would hold up the recorder's commits. Then everything is read back: SQLite's check of the pages, the ledger with every
row, and every sample. A flipped bit in a trace passes the first and not the last.
"""

import fcntl
import hashlib
import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from itertools import takewhile
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote

from sqlalchemy import Connection, func, inspect, select

from testbench.errors import BackupRefusedError, BenchError, LedgerMissingError, NoRoomError, StoreFailedError
from testbench.run.ledger import Checkpoint
from testbench.store import tables
from testbench.store.database import Database
from testbench.store.ledger import STATED, entries
from testbench.store.ledger_check import LedgerCheck, LedgerReport
from testbench.store.reading import RunReader

UNFINISHED = ".part"
SPARE = 16 * 1024 * 1024
"""What must stay free beside the copy [B]."""
STEP = 1024
"""Pages that are copied before they are put on disk: 4 MiB."""

OF_ITSELF = {*STATED, "checkpoint"} - {"person key"}
T = TypeVar("T")


def copy_of(source: Path, target: Path, prove: Callable[[Path], T]) -> T:
    """Copy the records, prove the copy, and only then give it its name.

    Args:
        source: the database; a recorder may be writing.
        target: where the copy goes; its folder is made, an existing file is never overwritten.
        prove: raises where the copy is not good.

    Returns:
        What the proof has shown.

    Raises:
        NoRoomError: the disk is too full; nothing was touched.
        BackupRefusedError: the copy could not be made, or does not prove itself; no file was left under its name.
    """
    unfinished = target.with_name(target.name + UNFINISHED)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        if target.exists():
            raise BackupRefusedError(str(target), "it exists already and is not overwritten")
        check_room(source, target.parent)
        _copy(source, unfinished)
        shown = prove(unfinished)
        unfinished.rename(target)
        sync_folder(target.parent)
    except (sqlite3.Error, OSError) as failure:
        raise BackupRefusedError(str(target), f"it could not be made ({failure})") from failure
    finally:
        unfinished.unlink(missing_ok=True)
    return shown


def check_room(source: Path, folder: Path) -> None:
    """Refuse where a copy of the records would not fit.

    Raises:
        NoRoomError: the disk is too full.
    """
    log = source.with_name(source.name + "-wal")
    needed = source.stat().st_size + (log.stat().st_size if log.exists() else 0) + SPARE
    free = shutil.disk_usage(folder).free
    if free < needed:
        raise NoRoomError(str(folder), _in_mb(free), _in_mb(needed))


def _in_mb(count: int) -> str:
    return f"{count / 1e6:.1f} MB"


def _copy(source: Path, target: Path) -> None:
    """All pages of one moment; the copy needs no log beside it."""
    address = f"file:{quote(str(source.absolute()))}?mode=ro"
    with target.open("ab") as file:
        with closing(sqlite3.connect(address, uri=True)) as old, closing(sqlite3.connect(target)) as new:
            old.executescript("BEGIN; SELECT count(*) FROM sqlite_master")  # from here on, this moment
            new.executescript("PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; PRAGMA cache_size = 100")
            old.backup(new, pages=STEP, progress=lambda *_: os.fdatasync(file.fileno()))
            new.execute("PRAGMA journal_mode = DELETE")
        os.fsync(file.fileno())


def proved(path: Path, is_good: Callable[[Checkpoint], bool]) -> LedgerReport:
    """Read a copy from end to end; gives what its ledger shows.

    Args:
        path: the copy.
        is_good: whether a checkpoint is signed with a key of this bench.

    Raises:
        BackupRefusedError: a page is damaged, an entry is wrong, or a sample is not what was sealed.
    """
    try:
        check_pages(path)
        with RunReader.beside(path, still=True) as reader:
            report = LedgerCheck(reader.database, (), is_good, traces=True).report()
    except BackupRefusedError:
        raise
    except BenchError as refusal:
        raise BackupRefusedError(str(path), str(refusal).rstrip(".")) from refusal
    if report.fault is not None:
        raise BackupRefusedError(str(path), report.fault.sentence)
    return report


def check_pages(path: Path) -> None:
    """See that a copy is whole by SQLite's own check, and whole by itself.

    Raises:
        BackupRefusedError: it is not.
    """
    log = path.with_name(path.name + "-wal")
    if log.exists() and log.stat().st_size:
        raise BackupRefusedError(str(path), f"{log.name} lies beside it, so it is in use or was copied by hand")
    database = Database(path, read_only=True, still=True)
    try:
        with database.reading() as connection:
            found = connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar_one()
            lost = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
    finally:
        database.close()
    if found != "ok":
        raise BackupRefusedError(str(path), f"SQLite finds the file damaged ({' '.join(found.split())})")
    if lost is not None:
        raise BackupRefusedError(str(path), f"a row of {lost[0]} refers to no {lost[2]}")


def proved_the_same(source: Path, path: Path) -> None:
    """See that a copy holds the very rows of its source, good or bad: what was damaged must not stop an upgrade.

    Raises:
        BackupRefusedError: it does not.
    """
    check_pages(path)
    if _rows_sha256(source) != _rows_sha256(path):
        raise BackupRefusedError(str(path), "it holds other rows than the records")


def _rows_sha256(path: Path) -> str:
    found = hashlib.sha256()
    with closing(sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro", uri=True)) as file:
        tables = "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
        for (name,) in file.execute(tables).fetchall():
            for row in file.execute(f'SELECT * FROM "{name}"'):  # noqa: S608 - names from the file itself
                found.update(repr((name, row)).encode())
    return found.hexdigest()


# Around it -----------------------------------------------------------------------------------------


@contextmanager
def one_at_a_time(folder: Path) -> Iterator[list[str]]:
    """Be the only one who makes backups here; gives the names of unfinished ones that were tidied away.

    Raises:
        BackupRefusedError: another one is being made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = (folder / ".lock").open("a")
    except OSError as failure:
        raise BackupRefusedError(str(folder), f"the folder cannot be written ({failure.strerror})") from failure
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as failure:
            raise BackupRefusedError(str(folder), "another backup is being made there") from failure
        left = sorted(folder.glob(f"*{UNFINISHED}*"))
        for path in left:
            path.unlink()
        yield [path.name for path in left if path.name.endswith(UNFINISHED)]


def sync_folder(folder: Path) -> None:
    """See that a new name is on disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


# What would be lost --------------------------------------------------------------------------------


def more_than(there: Path, backup: Path) -> str:
    """What the records that are there hold beyond a backup, in words; empty where they hold nothing more.

    What a bench only says of its own records (keys, checkpoints, backups) does not count, so that a home that was just
    made holds nothing.
    """
    try:
        with RunReader.beside(there) as reader, RunReader.beside(backup, still=True) as other:
            return _beyond(reader, other)
    except LedgerMissingError as refusal:
        return str(refusal).rstrip(".")
    except StoreFailedError as refusal:
        return f"what the records hold beyond it cannot be told ({str(refusal).rstrip('.')})"


def given_up_before(there: Path, backup: Path) -> list[dict[str, Any]]:
    """What earlier restorations gave up and a backup does not tell of: the statements, oldest first.

    They would go with the records that they stand in. None where these cannot be read; ``more_than`` says so.
    """
    try:
        with RunReader.beside(there) as reader, RunReader.beside(backup, still=True) as other:
            known = _given_up(other)
            return [one for one in _given_up(reader) if one not in known]
    except StoreFailedError:
        return []


def _given_up(reader: RunReader) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for body in map(json.loads, reader.statements("restored")):
        found += body.pop("earlier", [])
        if body["given_up"]:
            found.append(body)
    return found


def _beyond(there: RunReader, backup: RunReader) -> str:
    ours, theirs = there.database, backup.database
    for database in (ours, theirs):
        with database.reading() as connection:
            if not inspect(connection).has_table(tables.ledger.name):
                raise LedgerMissingError(str(database.path))
    with ours.reading() as connection, theirs.reading() as other:
        n = _shared(connection, other)
        more = [entry for entry, _ in entries(connection, n, -1) if entry.kind not in OF_ITSELF]
        if more:
            return f"the records hold {len(more)} entries that it does not hold, the first is {more[0].title}"
        waiting = [_waiting(one) for one in (connection, other)]
    if waiting[0] > waiting[1]:
        return "the records hold samples or journal lines of an open run that it does not hold"
    return ""


def _shared(connection: Connection, other: Connection) -> int:
    """How many entries two ledgers have in common, counted from the first."""
    hashes = select(tables.ledger.c.hash).order_by(tables.ledger.c.seq)
    pairs = zip(connection.scalars(hashes), other.scalars(hashes), strict=False)
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], pairs))


def _waiting(connection: Connection) -> int:
    """How much is kept of open runs."""
    counts = (
        connection.scalar(select(func.count()).select_from(table).join(tables.run).where(tables.IS_OPEN))
        for table in (tables.chunk, tables.journal)
    )
    return sum(count or 0 for count in counts)


def put_in_place(backup: Path, there: Path, aside: Path) -> None:
    """Let a backup take the place of the records; these are kept under another name, never deleted.

    Only while nobody else has the file open. At every moment there is a whole file under the name of the records.

    Args:
        backup: proved.
        there: the records; may be missing.
        aside: where they go.

    Raises:
        BackupRefusedError: the disk refused; the records are as they were.
    """
    restoring = there.with_name(f".{there.name}{UNFINISHED}")
    try:
        shutil.copyfile(backup, restoring)
        _check_equal(backup, restoring)
        with Database(there).alone():
            _put_aside(there, aside)
            restoring.replace(there)
            sync_folder(there.parent)
    except OSError as failure:
        raise BackupRefusedError(str(backup), f"it could not be put in place ({failure})") from failure
    finally:
        restoring.unlink(missing_ok=True)


def _put_aside(there: Path, aside: Path) -> None:
    """A second name for the records; their log goes with them, or it would be played into the backup."""
    if there.exists():
        _tidy_log(there)
        os.link(there, aside)
    for end in ("-wal", "-shm"):
        log = there.with_name(there.name + end)
        if log.exists():
            log.rename(aside.with_name(aside.name + end))


def _check_equal(one: Path, other: Path) -> None:
    with one.open("rb") as first, other.open("rb") as second:
        if hashlib.file_digest(first, "sha256").digest() != hashlib.file_digest(second, "sha256").digest():
            raise BackupRefusedError(str(one), "the disk gave back other bytes than were written")
        os.fsync(second.fileno())


def _tidy_log(path: Path) -> None:
    """Bring what still lies in the write-ahead log into the file itself."""
    with suppress(sqlite3.Error), closing(sqlite3.connect(path)) as file:
        file.execute("PRAGMA wal_checkpoint(TRUNCATE)")
