"""The documents of a whole order, by several processes; it may be killed at any point and begun again.

What is done is told by the register, so nothing is kept of the batch itself: it takes whatever the order still owes.
"""

import os
import threading
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field, replace
from multiprocessing import get_context, parent_process
from pathlib import Path
from typing import TYPE_CHECKING

from testbench.custody import issue_in
from testbench.documents import Told, finish, nobody
from testbench.errors import BatchEndedError, BenchError, DocumentExistsError, NothingToIssueError, NotSignedError
from testbench.signers import Signing, Unlocked, unlock
from testbench.wiring import Home, fit_key, open_store

if TYPE_CHECKING:
    from testbench.certificate.passphrases import Passphrases
    from testbench.store.repository import SqliteStore

PROCESSES = 2


@dataclass(slots=True)
class Batch:
    """What became of an order's documents."""

    issued: list[str] = field(default_factory=list)
    """Their files."""
    unsigned: list[str] = field(default_factory=list)
    """Runs whose document waits for a signature."""
    withdrawn: list[str] = field(default_factory=list)
    """Documents that were withdrawn, and nothing replaced them: they are owed only once somebody says why anew."""
    refused: dict[str, str] = field(default_factory=dict)
    """Runs whose document could not be written, and why, with what to do."""
    unstamped: int = 0
    """How many left without the time stamp of the authority that bench.toml names."""

    def note(self, one: "_Done") -> None:
        """Count a run in."""
        if one.path:
            self.issued.append(one.path)
            self.unstamped += one.unstamped
        elif one.why == NotSignedError.__name__:
            self.unsigned.append(one.run)
        elif one.why != DocumentExistsError.__name__:  # else another program was quicker
            self.refused[one.run] = one.sentence


@dataclass(frozen=True, slots=True)
class _Done:
    """A run that was tried."""

    run: str
    path: str = ""
    """Of its document; empty where there is none."""
    unstamped: bool = False
    why: str = ""
    """Name of the refusal."""
    sentence: str = ""


def issue_order(
    home: Home, order: str, told: Told = nobody, *, processes: int = PROCESSES, ask: "Passphrases | None" = None
) -> Batch:
    """Issue every document that an order owes. What another program issues meanwhile is left to it.

    Args:
        home: the bench.
        order: its number.
        told: hears how many are done, of how many.
        processes: how many draw and sign at once.
        ask: for the passphrase of each key that is needed, once; see :func:`testbench.signers.unlock`.

    Raises:
        NothingToIssueError: no run was closed for this order.
        KeyFileError, PassphraseMissingError, PassphraseWrongError, TokenFailedError: a key that is needed cannot be
            used; nothing was written.
    """
    with open_store(home) as store:
        if not store.count_on(order):
            raise NothingToIssueError(order, str(home.folder))
        done = Batch(issued=[str(path) for path in finish(home, store)], withdrawn=_withdrawn(store, order))
        owed = store.owed_documents(order)
        if not owed:
            return done
        fit_key(home)
        keys = unlock(home, store, owed, ask)
        try:
            for count, one in enumerate(_each(home, owed, min(processes, len(owed)), keys), start=1):
                done.note(one)
                told(count, len(owed))
        except BrokenProcessPool as failure:
            raise BatchEndedError(order, len(done.issued)) from failure
        done.issued += [str(path) for path in finish(home, store)]
    return done


def _withdrawn(store: "SqliteStore", order: str) -> list[str]:
    """The withdrawn documents of an order's runs that nothing replaced."""
    said = {one.number: one for one in store.withdrawals()}  # the newest word counts
    documents = (one.number for one in store.issued(order=order) if one.listed is None)
    return [number for number in documents if number in said and not said[number].replaced_by]


def _each(home: Home, owed: tuple[str, ...], processes: int, keys: Unlocked) -> "Iterator[_Done]":
    """Each run as it is done with, in whatever order."""
    with ProcessPoolExecutor(processes, get_context("spawn"), _begin, (home.folder, keys)) as pool:
        waiting = [pool.submit(_issue, run) for run in owed]
        try:
            yield from (one.result() for one in as_completed(waiting))
        finally:
            pool.shutdown(cancel_futures=True)


# In a process of the pool -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Open:
    """What is opened once and used for every document."""

    home: Home
    store: "SqliteStore"
    signing: Signing


_opened: list[_Open] = []


def _begin(folder: Path, keys: Unlocked) -> None:
    from testbench.stamping import time_stamps

    threading.Thread(target=_end_with_parent, daemon=True).start()
    home = Home(folder)
    store = open_store(home)
    _opened.append(_Open(home, store, replace(keys.signing(home, store), stamps=time_stamps(home.bench()))))


def _end_with_parent() -> None:
    """A process of a pool would wait for ever for a parent that was killed."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _issue(run: str) -> _Done:
    (opened,) = _opened
    try:
        issued = issue_in(opened.home, opened.store, run, opened.signing)
    except BenchError as refusal:
        return _Done(run, why=type(refusal).__name__, sentence=f"{refusal} → {refusal.remedy}")
    return _Done(run, str(issued.path), unstamped=bool(issued.waiting))
