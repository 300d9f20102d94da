"""Care of the records of a home: the key and the checkpoints of the ledger, and documents that carry one."""

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from testbench.checkpoints import held_elsewhere
from testbench.documents import Documents, Told, check_issuable, finish, look_at, nobody
from testbench.errors import (
    DocumentExistsError,
    FileNotWrittenError,
    HomeNotWritableError,
    LedgerKeyError,
    ReasonMissingError,
)
from testbench.run.record import sha256
from testbench.signers import Signing, hands_of
from testbench.stamping import time_stamps
from testbench.wiring import Home, fit_key, open_store, read_store

if TYPE_CHECKING:
    from testbench.certificate.issue import Issued
    from testbench.certificate.ledger_key import LedgerKey
    from testbench.certificate.passphrases import Passphrases
    from testbench.run.ledger import Checkpoint
    from testbench.run.record import RunRecord
    from testbench.run.samples import Trace
    from testbench.station.withdrawals import Withdrawal
    from testbench.store.ledger_check import LedgerReport
    from testbench.store.reading import StoredDocument
    from testbench.store.repository import SqliteStore


def checkpoint_now(home: Home, store: "SqliteStore") -> "Checkpoint":
    """Sign how far the ledger of a home has come."""
    key = ledger_key(home, store)
    return _signed(home, key, *store.head())


def checkpoint_at(home: Home, store: "SqliteStore", n: int, head: str) -> "Checkpoint":
    """Sign that the ledger of a home had come this far."""
    return _signed(home, ledger_key(home, store), n, head)


def ledger_key(home: Home, store: "SqliteStore") -> "LedgerKey":
    """The key of the ledger. A home from before the ledger gets one, and the ledger names it.

    Raises:
        LedgerKeyError: it is missing or damaged, or the ledger names others only. A new one is never made unsaid: it
            would make every checkpoint among the records a stranger's.
    """
    from testbench.certificate.ledger_key import KEY_FILE, load_ledger_key, make_ledger_key, public_part

    path, named = home.keys / KEY_FILE, store.ledger_keys()
    if not named and not path.exists():
        make_ledger_key(home.keys)
    key = load_ledger_key(path)
    if named and public_part(key) not in named:
        raise LedgerKeyError(str(path), "it is not the key that the ledger names")
    store.record_key(public_part(key))
    return key


def begin_key(home: Home, why: str) -> None:
    """Let a new key sign the checkpoints from now on; the ledger names it and says why.

    What the keys that the ledger named until now have signed still counts: their public parts stay beside the new one.
    An old file is put aside, never deleted.

    Raises:
        ReasonMissingError: the reason is empty.
        HomeNotWritableError: the folder refuses.
    """
    from testbench.certificate.ledger_key import KEY_FILE, make_ledger_key
    from testbench.instruments.clocks import SystemClock

    if not why.strip():
        raise ReasonMissingError("--new-key")
    with open_store(home) as store:
        try:
            remember_keys(home, store.ledger_keys())
            old = home.keys / KEY_FILE
            if old.exists():
                old.rename(old.with_name(f"ledger-until-{SystemClock().utc():%Y%m%dT%H%M%S.%fZ}.pem"))
        except OSError as failure:
            raise HomeNotWritableError(str(home.keys), failure.strerror or str(failure)) from failure
        store.record_key(make_ledger_key(home.keys), why)


def take_key_along(home: Home, store: "SqliteStore") -> None:
    """Let restored records name the key of the home that they came to; where it is missing, its next use says so."""
    own = _own_key(home)
    if own:
        store.record_key(own)


def remember_keys(home: Home, keys: Iterable[str]) -> tuple[str, ...]:
    """Keep public keys of the ledger that this home does not know; gives those."""
    known = {*_earlier_keys(home), _own_key(home)}
    strange = tuple(key for key in keys if key not in known)
    for key in strange:
        (home.keys / f"ledger-{key[:12]}.pub").write_text(key + "\n", encoding="ascii")
    return strange


def _own_key(home: Home) -> str:
    """The public part of the key in use; empty where it is missing or damaged."""
    from testbench.certificate.ledger_key import KEY_FILE, load_ledger_key, public_part

    try:
        return public_part(load_ledger_key(home.keys / KEY_FILE))
    except LedgerKeyError:
        return ""


def _earlier_keys(home: Home) -> set[str]:
    return {path.read_text(encoding="ascii").strip() for path in home.keys.glob("ledger-*.pub")}


def _signed(home: Home, key: "LedgerKey", n: int, head: str) -> "Checkpoint":
    from testbench.certificate.ledger_key import signed
    from testbench.instruments.clocks import SystemClock

    return signed(key, bench=home.bench().name, n=n, head=head, at=int(SystemClock().utc().timestamp() * 1_000_000))


def make_checkpoint(home: Home) -> "Checkpoint":
    """Sign how far the ledger has come and keep that among the records; it does its work where it is taken to."""
    with open_store(home) as store:
        found = checkpoint_now(home, store)
        store.add_checkpoint(found)
    return found


@dataclass(frozen=True, slots=True)
class Walked:
    """A ledger that was walked."""

    report: "LedgerReport"
    keys_known: bool
    """Whether a key of the home could be read; else its own checkpoints were believed by the key that they name."""
    documents: Documents | None
    """None where they were not looked at."""
    withdrawn: "tuple[Withdrawal, ...]" = ()
    """What is said of documents that no longer count, or are in question."""


def verify_ledger(home: Home, against: str | None, *, traces: bool, documents: Told | None = nobody) -> Walked:
    """Walk the ledger of a home.

    Args:
        home: the bench.
        against: a checkpoint held elsewhere: a file, a certificate, the log beside backups, or the printed line; None:
            none is at hand.
        traces: whether to decode and hash the samples as well.
        documents: is told how many documents were read, of how many; None: they are not looked at.

    Raises:
        CheckpointRefusedError: ``against`` is no checkpoint of this bench.
        LedgerMissingError: the records are from before the ledger.
    """
    from testbench.store.ledger_check import LedgerCheck

    held = () if against is None else held_elsewhere(home.bench().name, against)
    keys = keys_of(home)
    with read_store(home) as store:
        report = LedgerCheck(store.database, held, partial(is_good, keys), traces=traces).report()
        if report.fault is not None:
            return Walked(report, bool(keys), None)
        looked = None if documents is None else look_at(home, store, documents)
        return Walked(report, bool(keys), looked, store.words_and_pages())


def keys_of(home: Home) -> frozenset[str]:
    """The public keys of the ledger: of the key in use, and earlier ones that lie beside it as ``ledger-*.pub``.

    Whoever may read the records but not the keys, as an auditor may, gets none; nor does a home whose key is lost.

    Raises:
        LedgerKeyError: the key in use is damaged or not protected.
    """
    from testbench.certificate.ledger_key import KEY_FILE, load_ledger_key, public_part

    if not os.access(home.keys, os.R_OK | os.X_OK) or not (home.keys / KEY_FILE).exists():
        return frozenset()
    return frozenset({*_earlier_keys(home), public_part(load_ledger_key(home.keys / KEY_FILE))})


def is_good(keys: frozenset[str], checkpoint: "Checkpoint") -> bool:
    """Whether one of these keys signed it; where records lie without keys, any key that it names."""
    from testbench.certificate.ledger_key import is_signed

    return (not keys or checkpoint.key in keys) and is_signed(checkpoint)


def issue_document(home: Home, run: str, ask: "Passphrases | None" = None) -> "Issued":
    """Draw, sign, check and keep the document of a closed run; it carries a checkpoint of the ledger.

    Args:
        home: the bench.
        run: the closed run.
        ask: for the passphrases of the keys that sign; None: the system, or whoever sits at the terminal.
    """
    with open_store(home) as store:
        finish(home, store)
        store.issued_of(run)  # refuses where the register has lost a document, which would be written a second time
        return issue_in(home, store, run, Signing(ask))


def issue_in(home: Home, store: "SqliteStore", run: str, signing: Signing) -> "Issued":
    """The same with records that are open already."""
    found = store.load(run)
    check_issuable(home, store, found[0])
    return issue_from(home, store, found, signing)


def issue_from(
    home: Home,
    store: "SqliteStore",
    found: "tuple[RunRecord, tuple[Trace, ...]]",
    signing: Signing,
    replaces: "Withdrawal | None" = None,
) -> "Issued":
    """Draw, seal, check and keep a document of a run that was looked at already.

    Args:
        home: the bench.
        store: its records.
        found: record and traces.
        signing: keys and who is asked for them.
        replaces: the document that this one takes the place of; it is withdrawn with the same entry.
    """
    from testbench.certificate.issue import issue
    from testbench.instruments.clocks import SystemClock
    from testbench.run.mentioned import mentioned
    from testbench.run.record import Origin, Verdict, canonical
    from testbench.station.sign_off import check_signed, latest_of
    from testbench.station.withdrawals import check_withdrawal

    fit_key(home)
    bench, at, (record, traces) = home.bench(), SystemClock().utc(), found
    signed = store.signatures_of(record.run)
    if record.decided:
        check_signed(record, signed)
    if record.verdict is Verdict.ACCEPTED:
        store.check_certifiable(record.run)
    digest = sha256(canonical(record))
    if record.origin is not Origin.LIVE:  # a rig's clock runs ahead of ours; a page is dated after its test
        at = max(at, latest_of(record, signed))

    def register(issued: "Issued") -> None:
        def check(known: "Sequence[StoredDocument]") -> None:
            if known and replaces is None:  # another program was quicker
                raise DocumentExistsError(issued.number, known[-1].path)

        withdrawal = None if replaces is None else (replaces, partial(check_withdrawal, new=replaces))
        store.add_document(
            record.run, issued.kind, str(issued.path), sha256=issued.sha256, record_sha256=digest, at=at, check=check,
            withdrawal=withdrawal, unstamped=issued.waiting,
        )  # fmt: skip

    return issue(
        record, digest, traces, signed=signed, works=bench.works, paper=bench.paper, key_folder=home.keys,
        out_folder=home.certificates, at=at, checkpoint=checkpoint_now(home, store),
        stamps=signing.stamps or time_stamps(bench), hands=hands_of(home, store, (record, signed), signing),
        replaces=replaces, register=register,
        nonconformities=mentioned(store.nonconformities_of(record.valve.serial), trial=record.specimen),
    )  # fmt: skip


def write_new(path: Path, text: str) -> None:
    """Write a small file that must not be there yet.

    Raises:
        FileNotWrittenError: it is, or the disk refuses.
    """
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
    except FileExistsError:
        raise FileNotWrittenError(str(path), "it exists already and is not overwritten") from None
    except OSError as failure:
        raise FileNotWrittenError(str(path), failure.strerror or str(failure)) from failure
