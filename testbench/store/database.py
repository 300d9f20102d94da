"""The database file: how it is opened, who may write when, and what its errors mean to a person.

Written for one recorder that writes and any number of programs that read:

* write-ahead log with a sync at every commit: what was acknowledged survives a power cut;
* one connection, and BEGIN IMMEDIATE for everything that writes, so that no unit starts from an old snapshot;
* a lock file around every writing unit. SQLite before 3.51.3 can damage a file when one connection commits at the
  very moment another one tidies the write-ahead log; this way no two programs ever do. Readers never tidy it.
"""

import fcntl
import os
import sqlite3
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import QueuePool

from testbench.errors import StoreBusyError, StoreDamagedError, StoreFailedError

BUSY_S = 5.0
"""How long a writer waits for another one before it gives up [s]."""
_STEP_S = 0.01


class Database:
    """One file, one connection; safe to share between threads.

    Args:
        path: the file; made where it is missing, unless ``read_only``.
        read_only: refuse every change; works beside a recorder that writes.
        busy_s: how long to wait for another writer [s].
    """

    def __init__(self, path: Path, *, read_only: bool = False, busy_s: float = BUSY_S) -> None:
        self.path = path
        self._read_only = read_only
        self._busy_s = busy_s
        self._turn = threading.RLock()
        self._identity: tuple[int, int] | None = None
        self._engine = self._make_engine()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A consistent view for as long as the block lasts. Keep it short: it holds up tidying the log.

        Raises:
            StoreFailedError: the file cannot be used.
        """
        with self._turn, self._in_words(), self._engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction: all of it is on disk when the block ends, or none of it.

        Raises:
            StoreFailedError: the file cannot be used; nothing of the block was kept.
        """
        with self._turn, self._in_words(), self.alone(), self._engine.connect() as connection:
            self._check_in_place()
            unit = connection.execution_options(writes=True)
            with unit.begin():
                yield unit

    @contextmanager
    def migrating(self) -> Iterator[Connection]:
        """A writing unit that may take tables apart: foreign keys are not followed within it, but checked at its end.

        With foreign keys on, dropping a table to make it anew deletes the rows that refer to it, without a word; and
        inside a transaction SQLite does not let them be switched off any more.

        Raises:
            StoreFailedError: a row refers to nothing now, or the file cannot be used; nothing of the block was kept.
        """
        with self._turn, self._in_words(), self.alone(), self._engine.connect() as connection:
            self._check_in_place()
            driver: Any = connection.connection.driver_connection
            driver.execute("PRAGMA foreign_keys = OFF")
            try:
                unit = connection.execution_options(writes=True)
                with unit.begin():
                    yield unit
                    lost = unit.exec_driver_sql("PRAGMA foreign_key_check").first()
                    if lost is not None:
                        raise StoreFailedError(str(self.path), f"a row of {lost[0]} refers to no {lost[2]}")
            finally:
                driver.execute("PRAGMA foreign_keys = ON")

    def close(self) -> None:
        """Let go of the file. The last one to go tidies the log, which SQLite does only where nobody else is left."""
        with self._turn, self._in_words():
            self._engine.dispose()

    def _make_engine(self) -> Engine:
        engine = create_engine("sqlite://", creator=self._connect, poolclass=QueuePool, pool_size=1, max_overflow=0)

        @event.listens_for(engine, "begin")
        def begin(connection: Connection) -> None:
            writes = connection.get_execution_options().get("writes", False)
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

        return engine

    def _connect(self) -> sqlite3.Connection:
        # isolation_level=None: the driver opens no transactions of its own, the begin event above does.
        connection = sqlite3.connect(
            f"file:{quote(str(self.path.absolute()))}?{self._mode()}",
            uri=True,
            timeout=self._busy_s,
            isolation_level=None,
            check_same_thread=False,
        )
        try:
            if self._read_only:
                connection.execute("PRAGMA query_only = ON")
            else:
                connection.execute("PRAGMA journal_mode = WAL")
                connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA foreign_keys = ON")
        except sqlite3.Error:
            connection.close()
            raise
        self._identity = self._found()
        return connection

    def _found(self) -> tuple[int, int] | None:
        try:
            found = self.path.stat()
        except OSError:
            return None
        return found.st_dev, found.st_ino

    def _check_in_place(self) -> None:
        """SQLite goes on writing into a file that was deleted or replaced under it; that would be lost."""
        if self._identity is None or self._found() != self._identity:
            raise StoreFailedError(str(self.path), "the file was moved or deleted while it was in use")

    def _mode(self) -> str:
        if not self._read_only:
            return "mode=rwc"
        # A reader shares an index file with the writer. In a folder where it cannot make one, and where no log is
        # left over, nobody is writing: the file can be read as it lies there.
        log = self.path.with_name(self.path.name + "-wal")
        still = not os.access(self.path.parent, os.W_OK) and not log.exists()
        return "mode=ro&immutable=1" if still else "mode=ro"

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Keep every other writer of ours out for as long as the block lasts.

        Raises:
            StoreBusyError: another one does not finish.
        """
        lock = self.path.with_name(self.path.name + ".lock")
        try:
            handle = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as refusal:
            raise StoreFailedError(str(self.path), f"{lock.name}: {refusal.strerror}") from refusal
        try:
            self._wait_for(handle)
            yield
        finally:
            os.close(handle)  # gives the lock back

    def _wait_for(self, handle: int) -> None:
        for _ in range(max(1, round(self._busy_s / _STEP_S))):
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                time.sleep(_STEP_S)
            else:
                return
        raise StoreBusyError(str(self.path), self._busy_in_words)

    @property
    def _busy_in_words(self) -> str:
        return f"another program is writing there and did not finish within {self._busy_s:g} s"

    @contextmanager
    def _in_words(self) -> Iterator[None]:
        try:
            yield
        except DBAPIError as error:
            raise self._refusal(error.orig) from error

    def _refusal(self, error: Any) -> StoreFailedError:
        """What an error means, by its code: the class and the text of the library are no help."""
        code = getattr(error, "sqlite_errorcode", None) or 0
        family = code & 0xFF  # the lowest byte; the rest tells the particular case
        if not code and "decode to UTF-8" in str(error):  # said by Python's own module, which has no code for it
            return StoreDamagedError(str(self.path), "the file is damaged")
        refusal, words = _MEANINGS.get(family, (StoreFailedError, "{error}"))
        return refusal(str(self.path), words.format(error=error, busy=self._busy_in_words))


_MEANINGS: Mapping[int, tuple[type[StoreFailedError], str]] = {
    sqlite3.SQLITE_FULL: (StoreFailedError, "the disk is full"),
    sqlite3.SQLITE_READONLY: (StoreFailedError, "they are write-protected"),
    sqlite3.SQLITE_CANTOPEN: (StoreFailedError, "the file or its folder cannot be opened"),
    sqlite3.SQLITE_PERM: (StoreFailedError, "this user may not use the file"),
    sqlite3.SQLITE_IOERR: (StoreFailedError, "the disk reported an error"),
    sqlite3.SQLITE_BUSY: (StoreBusyError, "{busy}"),
    sqlite3.SQLITE_LOCKED: (StoreBusyError, "{busy}"),
    sqlite3.SQLITE_CORRUPT: (StoreDamagedError, "the file is damaged"),
    sqlite3.SQLITE_NOTADB: (StoreDamagedError, "the file is no database"),
    sqlite3.SQLITE_CONSTRAINT: (StoreFailedError, "a rule of the records refused this: {error}"),
}
