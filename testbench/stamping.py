"""Time stamps put on documents later: whichever wait for one, by one program at a time, never in the way of a test.

Which documents wait is told by the register (``store.issued``). A program may be killed at any point: the file is
replaced whole, and one that was stamped and not entered yet is entered by the next.
"""

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from testbench.documents import how_it_lies
from testbench.errors import DocumentExistsError, DocumentUnreadableError, FileRefusedError, StampFailedError
from testbench.run.record import sha256
from testbench.wiring import Home, open_store

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from testbench.certificate.stamping import TimeStamps
    from testbench.station.bench import Bench
    from testbench.station.withdrawals import IssuedDocument
    from testbench.store.reading import StoredDocument
    from testbench.store.repository import SqliteStore

Stamped = tuple[list[Path], dict[str, str]]
"""What was stamped, and what still waits with the reason."""
BESIDE = 20
"""How many documents that wait are stamped beside one that is written, at most; our own decision: some seconds."""


def time_stamps(bench: "Bench") -> "TimeStamps | None":
    """The time-stamp authority that bench.toml names; None where it names none."""
    from testbench.certificate.stamping import OverHttp

    named = bench.time_stamp
    return None if named is None else OverHttp(named.url, named.patience_s, named.tries)


def stamp_documents(home: Home) -> Stamped:
    """Put time stamps on all documents of a bench that have none, those from before an authority was named as well.

    Raises:
        FileRefusedError: bench.toml names no time-stamp authority.
    """
    stamps = _named(home)
    with open_store(home) as store:
        return _round(home, store, _newest(store.issued()), stamps)


def stamp_waiting(home: Home, most: int | None = None) -> Stamped:
    """Put time stamps on the documents that left without one while an authority was named.

    The round ends after as many tries in a row without an answer as bench.toml allows.

    Args:
        home: the bench.
        most: how many at most; None: all.

    Raises:
        FileRefusedError: bench.toml names no time-stamp authority.
    """
    stamps = _named(home)
    with open_store(home) as store:
        return _round(home, store, store.waiting_documents()[:most], stamps, patient=False)


def how_many_wait(home: Home, store: "SqliteStore") -> int:
    """How many documents wait for a time stamp that the next round asks for."""
    return 0 if home.bench().time_stamp is None else len(store.waiting_documents())


def _named(home: Home) -> "TimeStamps":
    stamps = time_stamps(home.bench())
    if stamps is None:
        raise FileRefusedError(str(home.folder / "bench.toml"), "time_stamp", "nothing", "a table with a url is needed")
    return stamps


def _newest(documents: "Iterable[IssuedDocument]") -> "Iterator[IssuedDocument]":
    """The newest document of each run, and every lot certificate and shift summary."""
    for _, of_run in groupby(documents, key=lambda one: one.run):
        *_, newest = of_run
        yield newest


def _round(
    home: Home, store: "SqliteStore", documents: "Iterable[IssuedDocument]", stamps: "TimeStamps", *,
    patient: bool = True,
) -> Stamped:  # fmt: skip
    done: list[Path] = []
    waiting: dict[str, str] = {}
    with _alone(home) as alone:
        if not alone:
            waiting[str(home.certificates)] = "another program is putting time stamps on"
        for one in documents if alone else ():
            path = home.certificates / Path(one.path).name
            try:
                if _stamped(path, one, stamps, store):
                    done.append(path)
            except FileNotFoundError:
                waiting[one.path] = "it is not here"
            except (DocumentUnreadableError, DocumentExistsError, StampFailedError) as failure:
                waiting[str(path)] = str(failure)
            if stamps.silent and not patient:
                break
    return done, waiting


@contextmanager
def _alone(home: Home) -> Iterator[bool]:
    """Whether no other program puts time stamps on; then what a killed one left is cleared away."""
    with (home.folder / "stamping.lock").open("a") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
            return
        for left in home.certificates.glob(".*.stamped"):
            left.unlink(missing_ok=True)
        yield True


def _stamped(path: Path, one: "IssuedDocument", stamps: "TimeStamps", store: "SqliteStore") -> bool:
    """Stamp a document and let the register name it so; also one that a program stamped and was ended at it.

    Returns:
        Whether anything was done.
    """
    from testbench.certificate.issue import stamp_file

    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise
    except OSError as failure:
        raise DocumentUnreadableError(str(path), failure.strerror or str(failure)) from failure
    if len(one.files) > 1 and sha256(data) == one.files[-1]:
        return False
    if how_it_lies(data, one.files) == "changed":
        raise DocumentUnreadableError(str(path), "it is not the file that was issued")
    stamp_file(path, stamps)
    digest = sha256(path.read_bytes())
    if digest in one.files:
        return False
    _keep(store, one, digest)
    return True


def _keep(store: "SqliteStore", one: "IssuedDocument", digest: str) -> None:
    from testbench.instruments.clocks import SystemClock
    from testbench.store.register import KeptSummary

    if one.listed is not None:
        store.add_summary(KeptSummary(one.path, digest, one.listed), again=True)
        return

    def check(known: "Sequence[StoredDocument]") -> None:
        if known[-1].path != one.path:  # another program replaced it meanwhile
            raise DocumentExistsError(one.number, known[-1].path)

    at = SystemClock().utc()
    store.add_document(
        one.run, one.kind, one.path, sha256=digest, record_sha256=one.record_sha256, at=at, check=check
    )  # fmt: skip
