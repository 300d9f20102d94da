"""Documents that no longer count: withdrawn, replaced, and told to whoever holds one."""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from testbench.custody import issue_from
from testbench.documents import by_path, finish
from testbench.errors import (
    DocumentUnknownError,
    FileNotWrittenError,
    OwnRunError,
    RunUnknownError,
    WithdrawalRefusedError,
)
from testbench.procedure.names import likeness
from testbench.procedure.serials import acts_on_screen
from testbench.signers import Signing
from testbench.station.withdrawals import LONGEST_WORDS, Withdrawal, check_withdrawal, in_force
from testbench.wiring import Home, open_store, read_store

if TYPE_CHECKING:
    from testbench.certificate.issue import Issued
    from testbench.certificate.passphrases import Passphrases
    from testbench.run.record import RunRecord
    from testbench.run.samples import Trace
    from testbench.station.people import Person
    from testbench.store.reading import RunReader, StoredDocument

Authority = tuple[str, "Person | None"]
"""Printed name, and the person; None where nobody is registered."""


@dataclass(frozen=True, slots=True)
class _Document:
    """A document of the register with its run."""

    record: "RunRecord"
    traces: "tuple[Trace, ...]"
    rows: "list[StoredDocument]"
    next_number: str
    """Of the document that would come after it."""


def withdraw(home: Home, number: str, why: str, by: Authority, replaced_by: str = "") -> Withdrawal:
    """Say that a document no longer counts. It stays verifiable; who checks it is told.

    Args:
        home: the bench.
        number: of the document.
        why: the reason, for whoever holds it.
        by: on whose authority.
        replaced_by: a document of the same valve that is there already, and takes its place.

    Raises:
        DocumentUnknownError: there is no such document.
        WithdrawalRefusedError: it is withdrawn already, or the other one is of another valve.
        OwnRunError: who tested the valve cannot say what replaces its document.
    """
    with open_store(home) as store:
        found = _find(home, store, number)
        if replaced_by:
            _check_instead(home, store, found, number, replaced_by)
        said = _said(found, number, why, by, replaced_by)
        store.add_withdrawal(said, lambda known: check_withdrawal(known, said))
    return said


def replace(
    home: Home, number: str, why: str, by: Authority, ask: "Passphrases | None" = None
) -> "tuple[Issued, Withdrawal]":
    """Issue a document anew from its record: under a number of its own, naming the one that it replaces and why.

    Args:
        home: the bench; its letterhead, signatures and paper as they are now.
        number: of the document that is replaced; withdrawn before or not.
        why: what was wrong, or what was put right since it was withdrawn.
        by: on whose authority.
        ask: for the passphrases of the keys that sign, the station's only where the system names none; None: the
            system, or whoever sits at the terminal.

    Raises:
        DocumentUnknownError: there is no such document.
        WithdrawalRefusedError: it is replaced already, or for the very reason that withdrew it.
        OwnRunError: who tested the valve cannot.
        BenchError: see ``certificate/issue``; nothing was changed.
    """
    with open_store(home) as store:
        finish(home, store)
        found = _find(home, store, number)
        said = _said(found, number, why, by, found.next_number)
        check_withdrawal(store.withdrawals(), said)
        return issue_from(
            home, store, (found.record, found.traces), Signing(ask, system_first=True), replaces=said
        ), said


def withdrawn(home: Home) -> tuple[Withdrawal, ...]:
    """Every withdrawal of a bench, in the order of entry; none where there are no records."""
    if not home.database.exists():
        return ()
    with read_store(home) as store:
        return store.withdrawals()


def export_list(home: Home, file: Path) -> int:
    """Write the list of withdrawn documents, signed with the station key; an older one there is replaced.

    Returns:
        How many it holds.

    Raises:
        KeyFileError: the station key is missing or not protected.
        FileNotWrittenError: the folder refuses.
    """
    from testbench.certificate.publishing import write_through

    data = list_for_customers(home)
    unfinished = file.with_name(f".{file.name}.{os.getpid()}.part")
    try:
        write_through(unfinished, data)
        unfinished.replace(file)
    except OSError as failure:
        unfinished.unlink(missing_ok=True)
        raise FileNotWrittenError(str(file), failure.strerror or str(failure)) from failure
    return len(withdrawn(home))


def list_for_customers(home: Home, ask: "Passphrases | None" = None) -> bytes:
    """The list of withdrawn documents, signed with the station key.

    Args:
        home: the bench.
        ask: for the passphrase of the station key; None: the system, or whoever sits at the terminal.

    Raises:
        KeyFileError: the station key is missing or not protected.
        PassphraseMissingError, PassphraseWrongError, TokenFailedError: it cannot be used.
    """
    from testbench.certificate.anchors import anchors_of
    from testbench.certificate.keys import load_station_key
    from testbench.certificate.withdrawn import signed_list
    from testbench.instruments.clocks import SystemClock

    key, gone = load_station_key(home.keys, ask), anchors_of(home.keys, (), (), ()).gone
    return signed_list(withdrawn(home), home.bench().name, SystemClock().utc(), key, gone)


def _find(home: Home, store: "RunReader", number: str) -> _Document:
    """A document by its number: that of its run, and from the second on which one of the run it is."""
    from testbench.certificate.content import number_of

    told = number.partition("-")[2]
    for run in (told, told.rpartition("-")[0]):
        try:
            documents = list(by_path(iter(store.documents_of(run))))
        except RunUnknownError:
            continue
        record, traces = store.load(run)
        first = number_of(record) if record.decided else ""
        numbers = [first, *(f"{first}-{count}" for count in range(2, len(documents) + 2))]
        if number in numbers[: len(documents)]:
            return _Document(record, traces, documents[numbers.index(number)], numbers[len(documents)])
    raise DocumentUnknownError(number, str(home.folder))


def _said(found: _Document, number: str, why: str, by: Authority, replaced_by: str) -> Withdrawal:
    from testbench.instruments.clocks import SystemClock

    name, person = by
    for told, what in ((why, "its reason"), (name, "who says so")):
        if not 1 <= len(told.strip()) <= LONGEST_WORDS:
            raise WithdrawalRefusedError(number, f"{what} takes 1 to {LONGEST_WORDS} characters")
        if signs := [sign for sign in told.strip() if acts_on_screen(sign)]:
            raise WithdrawalRefusedError(
                number, f"{what} has the control character U+{ord(signs[0]):04X}; text of one line is allowed"
            )
    if person is not None and replaced_by:
        _check_another(found.record, person)
    return Withdrawal(
        number=number, serial=found.record.valve.serial, run=found.record.run,
        record_sha256=found.rows[-1].record_sha256, files=tuple(one.sha256 for one in found.rows), why=why.strip(),
        by=name.strip(), person="" if person is None else person.id,
        at=SystemClock().utc().isoformat(timespec="seconds"), replaced_by=replaced_by,
    )  # fmt: skip


def _check_another(record: "RunRecord", person: "Person") -> None:
    """To replace a document is to release another one, which who tested the valve never does."""
    if person.id == record.operator_id or likeness(person.name) == likeness(record.operator):
        raise OwnRunError(record.run, person.id, "released")


def _check_instead(home: Home, store: "RunReader", old: _Document, number: str, replaced_by: str) -> None:
    new = _find(home, store, replaced_by)
    gone = in_force(store.withdrawals(), replaced_by)
    if replaced_by == number or new.record.valve.serial != old.record.valve.serial:
        raise WithdrawalRefusedError(
            number, f"{replaced_by} is not another document of valve {old.record.valve.serial}"
        )
    if gone is not None:
        raise WithdrawalRefusedError(number, f"{replaced_by} does not count itself")
