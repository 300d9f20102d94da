"""Older runs as plain files: readable without this program, each with its proof. Nothing is deleted.

``ledger.jsonl`` holds the chain, ``checkpoint.json`` its signed end. In the folder of a run: ``record.json``, the
samples of each stage as CSV, ``journal.jsonl``, and ``sealed.json``, whose SHA-256 is what the ledger says of the run,
and which holds the SHA-256 of the record. ``CONTENTS`` lists the files; the last entry of the chain names its SHA-256.
``SHA256SUMS`` is for ``sha256sum -c``. ``READ-ME.txt`` says how to check.
"""

import json
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from testbench.archive_proof import (
    CHECKPOINT,
    CONTENTS,
    LEDGER,
    LISTED,
    NONCONFORMITY,
    SUMS,
    attachment_name,
    list_of,
    proved,
    statement_of,
)
from testbench.custody import checkpoint_at, ledger_key
from testbench.errors import ArchiveRefusedError, BenchError
from testbench.run.ledger import canonical_json
from testbench.wiring import Home, open_store, read_store

if TYPE_CHECKING:
    from testbench.store.repository import SqliteStore

UNFINISHED = ".part"
READ_ME = """\
Runs of bench {bench} that began before {before}, as plain files. {runs} runs, exported on {at}.

To check that no file has changed:           sha256sum -c SHA256SUMS
To check all of the following at once:       testbench archive verify DIRECTORY

To check that a run is the one that the ledger names:
  1. sha256sum runs/RUN/sealed.json           = "body_sha256" of its entry "run sealed" in ledger.jsonl
  2. sha256sum runs/RUN/record.json           = "record" in sealed.json
  3. trace-NN-*.csv: the column "ticks", then "counts", then "asked_ticks" where there is one, each as 64-bit integers,
     little-endian; their SHA-256             = "sha256" of the "trace" of stage NN in record.json
     (trace-NN-*-beside-M.csv: of the "trace" of its entry M in "beside")
  4. journal.jsonl: a list of its lines, each with "run" (the "number" in sealed.json) and "seq" (the number of the
     line, from 1), and "text" named "sentence", as canonical JSON; its SHA-256   = "journal" in sealed.json
  5. signature-*.json: "body" (the text of the file), "meaning", "subject" (its "subject_id") and "seq" (a number, the
     subject of the entry), as canonical JSON; its SHA-256   = "body_sha256" of the entry "signature" in ledger.jsonl
     whose number is the signature's "ledger_seq" and one
  6. nonconformity.jsonl, where there is one: each line as it stands; its SHA-256   = "body_sha256" of the entry
     "nonconformity" in ledger.jsonl whose subject is its "seq"; attachment-N.*: its SHA-256 stands in the line that
     attached it
To check that nothing was left out or slipped in:
  7. sha256sum -c CONTENTS; it lists every file but itself, ledger.jsonl, checkpoint.json and SHA256SUMS
  8. {{"sha256":"SHA-256 of CONTENTS"}}; its SHA-256  = "body_sha256" of the last entry, "archive contents"
To check that an entry of ledger.jsonl has not changed: take its line without "hash", names sorted, no spaces,
"version" named "v" (canonical JSON, RFC 8785); its SHA-256 is "hash", and "prev" is the "hash" of the line before.
To check that the ledger was not written anew: its entry number n, as checkpoint.json has it, has the hash "head"; the
signature (Ed25519, RFC 8032) is over checkpoint.json without "signature", as canonical JSON, with the key "key" in it.
Compare that key with what the works published. Certificates that were issued before then print the same chain's earlier
entries.

In trace-*.csv, ticks are 100 microseconds since the run began; counts are what the transmitter sent; time and pressure
are computed from these and no hash of the ledger is over them. Gaps, zero and scale are in record.json; all times of
day are UTC.
"""


@dataclass(frozen=True, slots=True)
class Exported:
    """A folder of plain files that was read back."""

    folder: Path
    runs: int
    entries: int


def export(home: Home, before: date, to: Path) -> Exported:
    """Write the closed runs that began before a day as plain files, read them back, and delete nothing.

    Args:
        home: the bench; its recorder may be recording.
        before: the day, UTC; today at the latest, or runs that are yet to come would count as exported.
        to: a folder that exists or can be made; the export is a new folder in it.

    Raises:
        ArchiveRefusedError: there is no such run, the folder is there already, or the disk refuses.
        LedgerKeyError: the end of its chain could not be signed.
        RecordDamagedError: a run is not what was sealed.
    """
    bench, at = home.bench().name, datetime.fromtimestamp(_now().timestamp(), UTC)
    folder = to / f"{bench}-before-{before.isoformat()}"
    unfinished = folder.with_name(folder.name + UNFINISHED)
    if before > at.date():
        raise ArchiveRefusedError(str(folder), f"{before.isoformat()} is yet to come; today is {at.date().isoformat()}")
    if folder.exists():
        raise ArchiveRefusedError(str(folder), "it is there already and is not overwritten")
    with open_store(home) as store:
        ledger_key(home, store)  # refuses before anything is written
        runs = store.runs_before(before)
        if not runs:
            raise ArchiveRefusedError(str(folder), f"no closed run began before {before.isoformat()}")
        try:
            shutil.rmtree(unfinished, ignore_errors=True)
            unfinished.mkdir(parents=True)
            text = READ_ME.format(bench=bench, before=before, runs=len(runs), at=f"{at:%Y-%m-%d %H:%M} UTC")
            _put(unfinished / "READ-ME.txt", text.encode())
            for run in runs:
                for name, data in _files_of(store, run):
                    _put(unfinished / "runs" / run / name, data)
            _put(unfinished / CONTENTS, list_of(unfinished))
            entries = _write_ledger(home, store, unfinished, folder.name)
            _put(unfinished / SUMS, list_of(unfinished))
            proved(unfinished)
            unfinished.rename(folder)
        except OSError as failure:
            raise ArchiveRefusedError(str(folder), f"it could not be written ({failure})") from failure
        finally:
            shutil.rmtree(unfinished, ignore_errors=True)
        store.state("archived", folder.name, {"before": before.isoformat(), "runs": len(runs), "n": entries})
    return Exported(folder, len(runs), entries)


def _write_ledger(home: Home, store: "SqliteStore", folder: Path, name: str) -> int:
    """State what the export holds, and write the chain until then with its signed end; gives how many entries.

    That nothing else is in the export must stand in its own chain; that it was made is stated once it was.
    """
    last = store.state(LISTED, name, statement_of((folder / CONTENTS).read_bytes()))
    with (folder / LEDGER).open("wb") as file:
        for entry in islice(store.chain(), last.seq):
            file.write(json.dumps(entry._asdict(), sort_keys=True, ensure_ascii=False).encode() + b"\n")
        file.flush()
        os.fsync(file.fileno())
    _put(folder / CHECKPOINT, checkpoint_at(home, store, last.seq, last.hash).text.encode())
    return last.seq


def _files_of(store: "SqliteStore", run: str) -> Iterator[tuple[str, bytes]]:
    from testbench.certificate.attach import attachments_of

    record, traces = store.load(run)
    for file in attachments_of(record, traces, store.signatures_of(run)):
        yield file.name, file.data
    lines = (
        {"stage": line.stage, "at": line.happening.at, "event": line.happening.event, "text": line.happening.sentence}
        for line in store.journal_of(run)
    )
    yield "journal.jsonl", b"".join(canonical_json(line) + b"\n" for line in lines)
    yield "sealed.json", canonical_json(store.sealed(run).body)
    yield from _of_its_nonconformity(store, run)


def _of_its_nonconformity(store: "SqliteStore", run: str) -> Iterator[tuple[str, bytes]]:
    """Its entries, and the files that were attached to it; nothing where there is none."""
    rows = store.rows_of_run(run)
    if rows:
        yield NONCONFORMITY, b"".join(canonical_json(row) + b"\n" for row in rows)
        for one in store.nonconformity(rows[0]["number"]).attachments:
            yield attachment_name(one), store.attachment(rows[0]["number"], one.attachment)[1]


def _put(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


# What is due -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Due:
    """What the retention of bench.toml asks for."""

    before: date
    runs: int
    """Closed runs that began before that day and that no export holds."""

    @property
    def sentence(self) -> str:
        """One sentence for a person; empty where nothing is due."""
        if not self.runs:
            return ""
        day = self.before.isoformat()
        return (
            f"{self.runs} runs from before {day} are due for export by the retention of this bench: testbench archive "
            f"export --before {day} --to DIRECTORY. Nothing is deleted."
        )


def due(home: Home) -> Due | None:
    """What is to be exported now; None where bench.toml has no retention.

    Raises:
        StoreNewerError: a newer version of this program wrote the records.
    """
    retention = home.bench().retention
    with read_store(home) as store:
        if retention is None:
            return None
        before = retention.before(_now().date())
        exported = max((json.loads(body)["before"] for body in store.statements("archived")), default="")
        return Due(before, store.count_between(exported, before.isoformat()))


def notice(home: Home) -> str:
    """What to say of it at the start of a recorder; empty where there is nothing to say."""
    try:
        found = due(home)
    except BenchError:  # a notice must never stand in the way of a test
        return ""
    return "" if found is None else found.sentence


def _now() -> datetime:
    from testbench.instruments.clocks import SystemClock

    return SystemClock().utc()
