"""Care of the records of a home: the key and the checkpoints of the ledger, and documents that carry one."""

import os
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from testbench.errors import (
    CheckpointRefusedError,
    DocumentUnreadableError,
    FileNotWrittenError,
    FileRefusedError,
    StampFailedError,
)
from testbench.wiring import Home, fit_key, open_store, read_store

if TYPE_CHECKING:
    from testbench.certificate.issue import Issued
    from testbench.certificate.ledger_key import LedgerKey
    from testbench.certificate.stamping import TimeStamps
    from testbench.run.ledger import Checkpoint, Held
    from testbench.station.bench import Bench
    from testbench.store.ledger_check import LedgerReport
    from testbench.store.repository import SqliteStore

MOST_DOCUMENTS = 1_000_000


def checkpoint_now(home: Home, store: "SqliteStore") -> "Checkpoint":
    """Sign how far the ledger of a home has come."""
    key = _key(home, store)
    return _signed(home, key, *store.head())


def checkpoint_at(home: Home, store: "SqliteStore", n: int, head: str) -> "Checkpoint":
    """Sign that the ledger of a home had come this far."""
    return _signed(home, _key(home, store), n, head)


def _key(home: Home, store: "SqliteStore") -> "LedgerKey":
    """The key of the ledger; a home without one gets one, and the ledger names it."""
    from testbench.certificate.ledger_key import KEY_FILE, load_ledger_key, make_ledger_key, public_part

    if not (home.keys / KEY_FILE).exists():
        make_ledger_key(home.keys)
    key = load_ledger_key(home.keys / KEY_FILE)
    store.record_key(public_part(key))
    return key


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


def verify_ledger(home: Home, against: str | None, *, traces: bool) -> Walked:
    """Walk the ledger of a home.

    Args:
        home: the bench.
        against: a checkpoint held elsewhere: a file, a certificate, or the printed line; None: none is at hand.
        traces: whether to decode and hash the samples as well.

    Raises:
        CheckpointRefusedError: ``against`` is no checkpoint of this bench.
        LedgerMissingError: the records are from before the ledger.
    """
    from testbench.store.ledger_check import LedgerCheck

    held = () if against is None else (_held(home.bench().name, against),)
    keys = keys_of(home)
    with read_store(home) as store:
        return Walked(LedgerCheck(store.database, held, partial(is_good, keys), traces=traces).report(), bool(keys))


def keys_of(home: Home) -> frozenset[str]:
    """The public keys of the ledger: of the key in use, and earlier ones that lie beside it as ``ledger-*.pub``.

    Whoever may read the records but not the keys, as an auditor may, gets none.
    """
    from testbench.certificate.ledger_key import KEY_FILE, load_ledger_key, public_part

    if not os.access(home.keys, os.R_OK | os.X_OK):
        return frozenset()
    found = {path.read_text(encoding="ascii").strip() for path in home.keys.glob("ledger-*.pub")}
    if (home.keys / KEY_FILE).exists():
        found.add(public_part(load_ledger_key(home.keys / KEY_FILE)))
    return frozenset(found)


def is_good(keys: frozenset[str], checkpoint: "Checkpoint") -> bool:
    """Whether one of these keys signed it; where records lie without keys, any key that it names."""
    from testbench.certificate.ledger_key import is_signed

    return (not keys or checkpoint.key in keys) and is_signed(checkpoint)


def _held(bench: str, against: str) -> "Held":
    from testbench.certificate.ledger_key import is_signed
    from testbench.run.ledger import Checkpoint, Held, read_checkpoint

    text, where = _checkpoint_text(against)
    found = read_checkpoint(text, where)
    if isinstance(found, Checkpoint):
        if not is_signed(found):
            raise CheckpointRefusedError(where, "its signature is wrong")
        found = Held(found.bench, found.n, found.head, f"the checkpoint {where}", found.key)
    if found.bench != bench:
        raise CheckpointRefusedError(where, f"it is of bench {found.bench}; this is bench {bench}")
    return found


def _checkpoint_text(against: str) -> tuple[str, str]:
    """The text of a checkpoint, and what to call it."""
    path = Path(against)
    try:
        if not path.is_file():
            return against, f"'{against}'"
        data = path.read_bytes()
    except OSError as failure:
        raise CheckpointRefusedError(against, f"the file cannot be read ({failure.strerror})") from failure
    if not data.startswith(b"%PDF-"):
        return data.decode("utf-8", errors="replace"), against
    from testbench.certificate.checking import verify_apart
    from testbench.certificate.trust import Anchors

    judged = verify_apart(data, Anchors())
    if not judged.intact:
        raise CheckpointRefusedError(against, "the document was changed after it was sealed")
    if not judged.checkpoint:
        raise CheckpointRefusedError(against, "the document carries no checkpoint; it is older than the ledger")
    return judged.checkpoint, against


def issue_document(home: Home, run: str) -> "Issued":
    """Draw, seal, check and keep the document of a closed run; it carries a checkpoint of the ledger."""
    from testbench.certificate.issue import issue
    from testbench.instruments.clocks import SystemClock
    from testbench.run.record import Origin, canonical, sha256
    from testbench.station.sign_off import check_signed, latest_of

    fit_key(home)
    bench, at = home.bench(), SystemClock().utc()
    with open_store(home) as store:
        record, traces = store.load(run)
        signed = store.signatures_of(run)
        if record.decided:
            check_signed(record, signed)
        digest = sha256(canonical(record))
        if record.origin is not Origin.LIVE:  # a rig's clock runs ahead of ours; a page is dated after its test
            at = max(at, latest_of(record, signed))
        issued = issue(
            record, digest, traces, signed=signed, works=bench.works, paper=bench.paper, key_folder=home.keys,
            out_folder=home.certificates, at=at, checkpoint=checkpoint_now(home, store), stamps=_time_stamps(bench),
        )  # fmt: skip
        store.add_document(run, issued.kind, str(issued.path), sha256=issued.sha256, record_sha256=digest, at=at)
    return issued


def _time_stamps(bench: "Bench") -> "TimeStamps | None":
    from testbench.certificate.stamping import OverHttp

    return None if bench.time_stamp is None else OverHttp(bench.time_stamp.url)


def stamp_documents(home: Home) -> tuple[list[Path], dict[str, str]]:
    """Put time stamps on the documents of a bench that wait for one.

    Returns:
        What was stamped, and what still waits with the reason.

    Raises:
        FileRefusedError: bench.toml names no time-stamp authority.
    """
    from testbench.certificate.issue import stamp_file
    from testbench.instruments.clocks import SystemClock

    stamps = _time_stamps(home.bench())
    if stamps is None:
        raise FileRefusedError(str(home.folder / "bench.toml"), "time_stamp", "nothing", "a table with a url is needed")
    done: list[Path] = []
    waiting: dict[str, str] = {}
    with open_store(home) as store:
        for summary in store.history(limit=MOST_DOCUMENTS):
            path = Path(summary.document or "")
            try:
                digest = stamp_file(path, stamps) if summary.document else ""
            except (DocumentUnreadableError, StampFailedError) as failure:
                waiting[str(path)] = str(failure)
                continue
            if digest:
                last, at = store.documents_of(summary.run)[-1], SystemClock().utc()
                store.add_document(
                    summary.run, last.kind, last.path, sha256=digest, record_sha256=last.record_sha256, at=at
                )
                done.append(path)
    return done, waiting


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
