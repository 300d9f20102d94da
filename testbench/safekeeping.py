"""Copies of the records of a home: made while it records, proved, and put back."""

import json
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from testbench.custody import checkpoint_at, is_good, keys_of, ledger_key, remember_keys, take_key_along
from testbench.errors import (
    BackupRefusedError,
    HomeNotWritableError,
    ReasonMissingError,
    RestoreWouldLoseError,
    StoreFailedError,
    StoreNewerError,
)
from testbench.run.record import sha256
from testbench.station.summed_up import Kind
from testbench.wiring import Home, only_recorder, open_store

if TYPE_CHECKING:
    from datetime import datetime

    from testbench.store.ledger_check import LedgerReport
    from testbench.store.reading import RunReader

GIVEN_UP = ".given-up-"
"""In the name of a document whose record was given up: it was issued once, and nothing here vouches for it."""
OLDER = ".older-"
"""Begins the name of the folder in which a backup of an older version is brought up to date."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A backup that is on disk and was read back from end to end."""

    path: Path
    size: int
    """Bytes."""
    entries: int
    head: str
    line: str
    """The checkpoint that the log beside it holds, for people."""
    tidied: tuple[str, ...]
    """Unfinished backups of a program that was killed, now gone."""


def back_up(home: Home, to: Path | None = None) -> Kept:
    """Copy the records of a home, prove the copy, note it in the log beside it and in the ledger.

    Args:
        home: the bench; its recorder may be recording.
        to: the folder; default: ``backups/`` of the home.

    Raises:
        LedgerKeyError: the log could not be signed.
        NoRoomError: the disk is too full.
        BackupRefusedError: the copy could not be made or does not prove itself.
    """
    from testbench.store.backup import copy_of, one_at_a_time, proved

    folder = to or home.folder / "backups"
    at = _now()
    target = folder / f"{home.bench().name}-{at:%Y%m%dT%H%M%SZ}.db"
    with open_store(home) as store, one_at_a_time(folder) as tidied:
        ledger_key(home, store)  # refuses before anything is copied
        report = copy_of(home.database, target, partial(proved, is_good=partial(is_good, keys_of(home))))
        size = target.stat().st_size
        checkpoint = checkpoint_at(home, store, report.entries, report.head)
        noted = {"at": checkpoint.at, "file": target.name, "size": size}
        _note(folder, noted | {"checkpoint": checkpoint.model_dump()})
        store.state("backup", target.name, {"size": size, "n": report.entries, "head": report.head})
    return Kept(target, size, report.entries, report.head, checkpoint.line, tuple(tidied))


@dataclass(frozen=True, slots=True)
class Verified:
    """A backup that was read back from end to end."""

    report: "LedgerReport"
    older: str
    """The version of its tables, where it had to be brought up to date to be read; else empty."""


def verify_backup(path: Path) -> Verified:
    """Read a backup from end to end; checkpoints in it may be signed with any key.

    Raises:
        NoRoomError: it is of an older version, and a copy of it that can be brought up to date does not fit.
        BackupRefusedError: it is damaged, or was changed.
    """
    with _of_today(path, "") as (good, older):
        return Verified(_proved(good, path), older)


def _proved(good: Path, path: Path) -> "LedgerReport":
    """What the ledger of a backup shows, read from a file that stands for it."""
    from testbench.store.backup import proved

    try:
        return proved(good, partial(is_good, frozenset()))
    except BackupRefusedError as refusal:
        raise BackupRefusedError(str(path), refusal.found) from refusal


@contextmanager
def _of_today(path: Path, bench: str, folder: Path | None = None) -> Iterator[tuple[Path, str]]:
    """A backup with the tables of today: itself, or for as long as the block lasts a copy that was brought up to date.

    Args:
        path: the backup; it is never changed.
        bench: whose it is, where it does not say so itself.
        folder: where the copy goes; None: where the machine keeps what is not to last.

    Returns:
        The file, and which version it had; empty where it is itself.
    """
    from testbench.store.backup import check_pages, check_room
    from testbench.store.reading import RunReader
    from testbench.store.repository import SqliteStore
    from testbench.store.schema import HEAD

    for left in folder.glob(f"{OLDER}*") if folder else ():  # by a program that was killed
        shutil.rmtree(left, ignore_errors=True)
    with ExitStack() as stack:
        good, older = path, ""
        try:
            with RunReader.beside(path, still=True) as reader:
                version, bench = reader.version or "", reader.bench() or bench
            if version != HEAD:
                check_pages(path)
                made = Path(stack.enter_context(TemporaryDirectory(prefix=OLDER, dir=folder)))
                check_room(path, made)
                good, older = Path(shutil.copyfile(path, made / path.name)), version
                SqliteStore(good, bench, keep_older=False).close()
        except (StoreFailedError, StoreNewerError) as refusal:
            raise BackupRefusedError(str(path), str(refusal).rstrip(".")) from refusal
        except OSError as failure:
            raise BackupRefusedError(str(path), f"it could not be copied ({failure.strerror})") from failure
        yield good, older


@dataclass(frozen=True, slots=True)
class Restored:
    """A backup that took the place of the records."""

    entries: int
    aside: Path | None
    """Where the records went that were there before."""
    lost: str
    """What was given up, in words; empty where it was nothing."""
    given_up: tuple[Path, ...]
    """Documents that the backup knows nothing of, under the names that say so."""
    keys: tuple[str, ...]
    """Public keys that the home did not know: compare them with what was published."""


def restore(home: Home, path: Path, discard_newer: str | None = None) -> Restored:
    """Let a backup take the place of the records of a home.

    Args:
        home: the bench; its recorder must not be running.
        path: the backup; one of an older version is brought up to date on the way.
        discard_newer: why entries that the backup does not hold may be given up; None: they may not.

    Raises:
        ReasonMissingError: the reason is empty.
        RecorderRunningError: the recorder is running.
        BackupRefusedError: the backup is damaged, or of another bench.
        RestoreWouldLoseError: the records hold more, and nobody said that it may be lost.
    """
    from testbench.store.backup import check_room, given_up_before, more_than, put_in_place
    from testbench.store.reading import RunReader

    if discard_newer is not None and not discard_newer.strip():
        raise ReasonMissingError("--discard-newer")
    bench = home.bench().name
    with only_recorder(home), _of_today(path, bench, home.folder) as (good, _):
        report = _proved(good, path)
        with RunReader.beside(good, still=True) as reader:
            found, keys = reader.bench(), reader.ledger_keys()
        if found != bench:
            raise BackupRefusedError(str(path), f"it is of bench {found}; this is bench {bench}")
        lost = more_than(home.database, good)
        if lost and discard_newer is None:
            raise RestoreWouldLoseError(str(path), lost)
        earlier, given_out = given_up_before(home.database, good), _given_out(home)
        check_room(good, home.folder)
        aside = home.database.with_name(f"testbench-replaced-{_now():%Y%m%dT%H%M%S.%fZ}.db")
        put_in_place(good, home.database, aside)
    strange = remember_keys(home, keys)
    with open_store(home) as store:
        take_key_along(home, store)
        body = {"n": report.entries, "head": report.head, "given_up": lost, "why": discard_newer or ""}
        store.state("restored", path.name, body | {"earlier": earlier, **given_out})
        given_up = _sort_documents(home, store)
    return Restored(report.entries, aside if aside.exists() else None, lost, given_up, strange)


def _given_out(home: Home) -> dict[str, object]:
    """The highest numbers of runs, replacements and summaries that were given out here, as far as it can be told.

    None of them is ever given to another.
    """
    from testbench.store.reading import RunReader

    last_run, summaries = 0, dict.fromkeys(Kind, 0)
    replacements = _replacements_lying(home)
    with suppress(StoreFailedError), RunReader.beside(home.database) as reader:
        last_run, summaries = reader.last_run(), {kind: reader.next_summary(kind) - 1 for kind in Kind}
        for first, count in reader.replacements().items():
            replacements[first] = max(count, replacements.get(first, 1))
    pages = {kind: max(found, _last_page(home, kind.series)) for kind, found in summaries.items()}
    last = {"last_run": max(last_run, _last_page(home, "[CR]")), "last_summaries": pages}
    return last | ({"last_replacements": replacements} if replacements else {})


def _replacements_lying(home: Home) -> dict[str, int]:
    """First number of a run's documents → which one of them is the last that lies here; none where it is the first."""
    from testbench.certificate.attach import safe_name

    bench, found = re.escape(safe_name(home.bench().name)), dict[str, int]()
    pages = (re.match(rf"([CR]-{bench}-\d+)-(\d+)_", path.name) for path in home.certificates.glob("*.pdf"))
    for page in pages:
        if page:
            found[page[1]] = max(int(page[2]), found.get(page[1], 1))
    return found


def _last_page(home: Home, series: str) -> int:
    """The highest number among the pages of a series that lie here."""
    from testbench.certificate.attach import safe_name

    bench = re.escape(safe_name(home.bench().name))
    pages = (re.match(rf"{series}-{bench}-(\d+)_", path.name) for path in home.certificates.glob("*.pdf"))
    return max((int(page[1]) for page in pages if page), default=0)


def _sort_documents(home: Home, store: "RunReader") -> tuple[Path, ...]:
    """Put aside the documents that the restored register does not know; those that it knows again come back.

    Raises:
        HomeNotWritableError: the folder refuses; the records are restored.
    """
    from testbench.certificate.attach import safe_name

    names = {one.sha256: Path(one.path).name for one in store.documents()}
    lying = sorted(home.certificates.glob(f"[CRLS]-{safe_name(home.bench().name)}-*.pdf"))
    aside = []
    try:
        known = {path: _name_in(names, path.read_bytes()) for path in lying}
        for path, name in known.items():
            if name is None and GIVEN_UP not in path.name:
                aside.append(path.rename(path.with_name(f"{path.stem}{GIVEN_UP}{_now():%Y%m%dT%H%M%S.%fZ}.pdf")))
        for path, name in known.items():
            if name is not None and not path.with_name(name).exists():
                path.rename(path.with_name(name))
    except OSError as failure:
        raise HomeNotWritableError(str(home.certificates), failure.strerror or str(failure)) from failure
    return tuple(aside)


def _name_in(names: dict[str, str], data: bytes) -> str | None:
    """The name that a register has for a file, stamped since or not."""
    from testbench.certificate.issue import without_stamp

    return names.get(sha256(data)) or names.get(sha256(without_stamp(data)))


def _note(folder: Path, line: dict[str, object]) -> None:
    """One line of JSON more in the log beside the backups: a witness of how far the ledger had come."""
    try:
        with (folder / "log").open("a", encoding="utf-8") as log:
            log.write(json.dumps(line, sort_keys=True) + "\n")
            log.flush()
            os.fsync(log.fileno())
    except OSError as failure:
        raise BackupRefusedError(str(folder / "log"), f"the log cannot be written ({failure.strerror})") from failure


def _now() -> "datetime":
    from testbench.instruments.clocks import SystemClock

    return SystemClock().utc()
