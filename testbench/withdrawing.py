"""Documents that no longer count: withdrawn, replaced, and told to whoever holds one."""

import os
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from testbench.custody import issue_from
from testbench.documents import finish
from testbench.errors import (
    DocumentUnknownError,
    FileNotWrittenError,
    OwnRunError,
    WithdrawalRefusedError,
)
from testbench.procedure.names import likeness
from testbench.procedure.serials import acts_on_screen
from testbench.signers import Signing
from testbench.station.summed_up import Kind
from testbench.station.withdrawals import (
    LONGEST_WORDS,
    WITHDRAWN,
    IssuedDocument,
    Withdrawal,
    check_withdrawal,
    in_force,
    is_brought,
)
from testbench.wiring import Home, open_store, read_store

if TYPE_CHECKING:
    from testbench.certificate.issue import Issued
    from testbench.certificate.passphrases import Passphrases
    from testbench.run.record import RunRecord
    from testbench.run.samples import Trace
    from testbench.station.people import Person
    from testbench.store.reading import RunReader

NEWER_PAGE = "a newer one that sums up the same takes its place by itself ('certificate lot' or 'shift')"
Authority = tuple[str, "Person | None"]
"""Printed name, and the person; None where nobody is registered."""


@dataclass(frozen=True, slots=True)
class _Document:
    """A document of a run, with that."""

    issued: IssuedDocument
    record: "RunRecord"
    traces: "tuple[Trace, ...]"
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
        found = _page(store, number) or _find(home, store, number)
        if replaced_by:
            _check_instead(home, store, found, number, replaced_by)
        said = _said(found, why, by, replaced_by)
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
        if _page(store, number):
            raise WithdrawalRefusedError(number, NEWER_PAGE)
        found = _find(home, store, number)
        said = _said(found, why, by, found.next_number)
        check_withdrawal(store.withdrawals(), said)
        return issue_from(
            home, store, (found.record, found.traces), Signing(ask, system_first=True), replaces=said
        ), said


def listed_against(home: Home) -> tuple[Withdrawal, ...]:
    """What stands against documents of a bench as a list tells it, pages that it concerns among them."""
    with read_store(home) as store:
        return store.words_and_pages()


def register(home: Home, *, order: str = "", serial: str = "") -> list[tuple[IssuedDocument, tuple[Withdrawal, ...]]]:
    """The register of issued documents, each with what stands against it.

    Args:
        home: the bench.
        order: those of this order only.
        serial: those of this very serial number only; then no lot certificate or shift summary.
    """
    with read_store(home) as store:
        said = defaultdict[tuple[str, str], list[Withdrawal]](list)
        for one in store.words_and_pages():
            said[one.number, one.record_sha256].append(one)
        return [
            (one, tuple(said.get((one.number, one.record_sha256), ())))
            for one in store.issued(order=order, serial=serial)
        ]


def gaps(home: Home) -> tuple[tuple[str, str], ...]:
    """Every number that was given out and has no document, with the reason."""
    with read_store(home) as store:
        return tuple(store.gaps())


def export_list(home: Home, file: Path) -> int:
    """Write the list of documents that do not count or are in question, signed with the station key.

    An older one there is replaced.

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
    return len(_for_customers(home))


def list_for_customers(home: Home, ask: "Passphrases | None" = None) -> bytes:
    """The list of documents that do not count or are in question, signed with the station key.

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
    return signed_list(_for_customers(home), home.bench().name, SystemClock().utc(), key, gone)


def _for_customers(home: Home) -> list[Withdrawal]:
    """What follows for a shift summary is left out, and who logged in: they are for the works itself."""
    shifts = f"{Kind.SHIFT.series}-"
    told = (one for one in listed_against(home) if one.state == WITHDRAWN or not one.number.startswith(shifts))
    return [one.model_copy(update={"person": ""}) for one in told]


def _page(store: "RunReader", number: str) -> IssuedDocument | None:
    """A lot certificate or shift summary by its number."""
    return next((one for one in store.pages() if one.number == number), None)


def _find(home: Home, store: "RunReader", number: str) -> _Document:
    """A document by its number: that of its run, and from the second on which one of the run it is."""
    from testbench.certificate.content import number_of

    found = _of_a_run(store, number)
    if found is None:
        raise DocumentUnknownError(number, str(home.folder))
    record, traces = store.load(found.run)
    first = number_of(record)
    given_out = max(len(store.issued_of(found.run)), store.replacements().get(first, 1))
    return _Document(found, record, traces, f"{first}-{given_out + 1}")


def issued_under(store: "RunReader", number: str) -> IssuedDocument | None:
    """A document of whichever kind by its number; None where the register has none."""
    return _page(store, number) or _of_a_run(store, number)


def _of_a_run(store: "RunReader", number: str) -> IssuedDocument | None:
    told = number.partition("-")[2]
    documents = (one for run in (told, told.rpartition("-")[0]) for one in store.issued_of(run))
    return next((one for one in documents if one.number == number), None)


def _said(found: "_Document | IssuedDocument", why: str, by: Authority, replaced_by: str) -> Withdrawal:
    from testbench.instruments.clocks import SystemClock

    document, (name, person) = found if isinstance(found, IssuedDocument) else found.issued, by
    for told, what in ((why, "its reason"), (name, "who says so")):
        if not 1 <= len(told.strip()) <= LONGEST_WORDS:
            raise WithdrawalRefusedError(document.number, f"{what} takes 1 to {LONGEST_WORDS} characters")
        if signs := [sign for sign in told.strip() if acts_on_screen(sign)]:
            raise WithdrawalRefusedError(
                document.number, f"{what} has the control character U+{ord(signs[0]):04X}; text of one line is allowed"
            )
    if is_brought(why.strip()):
        raise WithdrawalRefusedError(document.number, "its reason begins as one that a recall or a nonconformity gives")
    if person is not None and replaced_by and isinstance(found, _Document):
        _check_another(found.record, person)
    at = SystemClock().utc().isoformat(timespec="seconds")
    return document.word(why.strip(), name.strip(), at, "" if person is None else person.id, replaced_by)


def _check_another(record: "RunRecord", person: "Person") -> None:
    """To replace a document is to release another one, which who tested the valve never does."""
    if person.id == record.operator_id or likeness(person.name) == likeness(record.operator):
        raise OwnRunError(record.run, person.id, "released")


def _check_instead(
    home: Home, store: "RunReader", old: "_Document | IssuedDocument", number: str, replaced_by: str
) -> None:
    if isinstance(old, IssuedDocument):
        raise WithdrawalRefusedError(number, NEWER_PAGE)
    new, serial = _find(home, store, replaced_by), old.issued.serial
    gone = in_force(store.withdrawals(), replaced_by)
    if replaced_by == number or new.issued.serial != serial:
        raise WithdrawalRefusedError(number, f"{replaced_by} is not another document of valve {serial}")
    if gone is not None:
        raise WithdrawalRefusedError(number, f"{replaced_by} does not count itself")
