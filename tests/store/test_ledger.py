"""What is kept is named by the ledger in the same transaction, from the first run on; older records are taken over."""

import re
import shutil
import sqlite3
from datetime import UTC, datetime

import pytest

from testbench.errors import LedgerMissingError, StoreDamagedError, StoreFailedError
from testbench.run.samples import Gap, GapReason
from testbench.store.ledger_check import Fault, LedgerCheck
from testbench.store.reading import RunReader
from testbench.store.repository import SqliteStore
from testbench.store.schema import KNOWN
from tests.store.test_database import limit_pages
from tests.store.test_records import RECORDS, flip_in_file, tamper


def check(path, *, traces=False):
    with RunReader.beside(path) as reader:
        return LedgerCheck(reader.database, (), lambda _: True, traces=traces).report()


def titles(path) -> list[str]:
    file = sqlite3.connect(path)
    found = [f"{kind} {subject}" for kind, subject in file.execute("SELECT kind, subject FROM ledger ORDER BY seq")]
    file.close()
    return found


def test_everything_that_is_kept_has_its_entry(store, path, examples):
    """Runs at both ends, registers, documents; in the order they were kept."""
    examples.fill(store)
    assert titles(path) == [
        "calibration 1", "gauge check 1",
        "run opened B1-000001", "run sealed B1-000001", "run opened B1-000002", "run sealed B1-000002",
        "nonconformity 1",
        "run opened B1-000003", "run sealed B1-000003", "document B1-000001/1",
        "person entry 1", "person entry 2", "attempt 1", "attempt 2", "attempt 3", "signature 1",
        "nonconformity 2", "attachment 1", "nonconformity 3", "nonconformity 4", "recall 1", "recall 2",
        "summary document 1", "unstamped 1", "run opened B1-000004",
    ]  # fmt: skip
    report = check(path, traces=True)
    assert (report.fault, report.entries, report.open_runs, report.traces) == (None, 25, ("B1-000004",), 7)


def test_a_run_that_was_begun_and_vanished_shows(store, path, examples):
    """Its number alone would be given out again; the ledger still says that it was opened."""
    store.begin_run("{}", examples.STARTED)
    store.close()
    tamper(path, "DELETE FROM run")
    assert check(path).fault == Fault(1, "run opened", "B1-000001", "what it stands for is not there any more")


def test_an_entry_has_the_time_of_the_machine(path, examples):
    """And a machine whose clock was set back between two entries is noted, not refused."""
    times = iter((datetime(2026, 11, 26, 12, tzinfo=UTC), datetime(2026, 11, 26, 11, tzinfo=UTC)))
    with SqliteStore(path, "B1", now=lambda: next(times)) as store:
        store.begin_run("{}", examples.STARTED)
        store.begin_run("{}", examples.STARTED)
    report = check(path)
    assert (report.fault, report.clock_set_back) == (None, (2,))


NOT_ITS_HASH = "its record does not match the hash under which it was closed"
CHANGED, GONE = "what it stands for was changed after it was written", "what it stands for is not there any more"


@pytest.mark.parametrize(
    ("statement", "entry", "what"),
    [
        ("UPDATE run SET opening = '{}'", 1, CHANGED),
        ("UPDATE run SET opened_us = 0", 1, CHANGED),
        ("UPDATE run SET id = 'B1-000009'", 1, GONE),
        ("UPDATE run SET verdict = 'rejected'", 2, CHANGED),
        ("UPDATE run SET serial = 'HL-4-0118'", 2, CHANGED),
        ("UPDATE record SET body = replace(body, '0.2 mL', '0.1 mL')", 2, NOT_ITS_HASH),
        ("DELETE FROM record", 2, NOT_ITS_HASH),
        ("DELETE FROM trace WHERE stage = 1", 2, CHANGED),
        ("UPDATE trace SET sha256 = 'f' WHERE stage = 1", 2, CHANGED),
        ("UPDATE journal SET sentence = 'Nothing happened.' WHERE seq = 1", 2, CHANGED),
        ("DELETE FROM gap WHERE seq = 1", 2, CHANGED),
        ("UPDATE rejected SET raw = x'00' WHERE seq = 1", 2, CHANGED),
        ("UPDATE first_test SET product = 'another product'", 2, CHANGED),
        ("UPDATE document SET path = 'b.pdf'", 3, CHANGED),
        ("DELETE FROM document", 3, GONE),
    ],
)
def test_nothing_of_a_closed_run_can_be_changed_unseen(store, path, examples, statement, entry, what):
    """Its line in the history, its record, its traces, and all that was kept beside it."""
    record, traces = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"))
    run = store.begin_run(examples.opening_of(record), examples.STARTED)
    examples.keep_running(store, run, 0, traces[0])
    store.append(run, 0, [], [Gap(since=0, until=1, reason=GapReason.SILENT)], [], [])
    digest = store.seal(record, traces)
    store.add_document(run, "certificate", "a.pdf", sha256="a", record_sha256=digest, at=examples.STARTED)
    assert check(path).fault is None
    store.close()
    tamper(path, statement)
    fault = check(path).fault
    assert (fault.entry, fault.what) == (entry, what)


def test_samples_are_looked_at_where_that_is_asked_for(store, path, closed_run):
    """One flipped bit in a stored trace: SQLite finds the file in order, the decoded samples are not those sealed."""
    store.close()
    reader = sqlite3.connect(path)
    (stored,) = reader.execute("SELECT stored FROM trace WHERE stage = 1").fetchone()
    reader.close()
    flip_in_file(path, stored[-200:])
    own = sqlite3.connect(path)
    assert own.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    own.close()
    assert check(path).fault is None
    fault = check(path, traces=True).fault
    assert fault == Fault(2, "run sealed", closed_run, "the samples of trace 1 are not those that were sealed")


def test_a_row_that_lies_beside_the_ledger_is_found(store, path, closed_run, examples):
    """Another closed run slipped in, with a record of its own and its right hash."""
    store.close()
    tamper(path, "INSERT INTO run SELECT 2, 'B1-000002', opening, opened_us, state, serial, order_number, stages, "
                 "verdict, ended, reason, started, origin, record_sha256 FROM run")  # fmt: skip
    assert check(path).fault == Fault(0, "run opened", "2", "no entry of the ledger stands for it")


def test_what_does_not_reach_the_disk_leaves_no_entry(store, path, examples):
    """Row and entry are one transaction: a full disk keeps both out."""
    store.add_blank("{}")
    with store._database.reading() as connection:
        used = connection.exec_driver_sql("PRAGMA page_count").scalar()
    limit_pages(store, used)
    with pytest.raises(StoreFailedError, match="the disk is full"):
        store.add_blank("x" * 100_000)
    assert titles(path) == ["blank 1"]
    limit_pages(store, 10_000)
    store.add_blank("{}")
    assert titles(path) == ["blank 1", "blank 2"]
    assert check(path).fault is None


def test_a_full_disk_at_the_seal_leaves_neither_record_nor_entry(store, path, examples):
    """And with room again, both."""
    record, traces = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"))
    store.begin_run(examples.opening_of(record), examples.STARTED)
    with store._database.reading() as connection:
        used = connection.exec_driver_sql("PRAGMA page_count").scalar()
    limit_pages(store, used)
    with pytest.raises(StoreFailedError, match="the disk is full"):
        store.seal(record, traces)
    assert titles(path) == ["run opened B1-000001"]
    assert check(path).fault is None
    limit_pages(store, 10_000)
    store.seal(record, traces)
    assert titles(path) == ["run opened B1-000001", "run sealed B1-000001"]
    assert check(path, traces=True).fault is None


# From before the ledger ----------------------------------------------------------------------------


@pytest.mark.parametrize("version", [version for version in KNOWN if version < "0006"])
def test_older_records_are_taken_over_and_marked_so(path, version):
    """Each row gets an entry that says it was there already; from then on it cannot be changed unseen."""
    shutil.copy(RECORDS / f"schema-{version}.db", path)
    with pytest.raises(LedgerMissingError) as refusal:
        check(path)
    assert str(refusal.value) == (
        f"The records in {path} have no ledger yet: an earlier version of this program wrote them."
    )
    SqliteStore(path, "B1").close()
    report = check(path, traces=True)
    assert (report.fault, report.open_runs, report.traces) == (None, ("B1-000004",), 5 if version < "0003" else 7)
    assert report.clock_set_back == ()
    kinds = {"taken over": 1, "run opened, taken over": 4, "run sealed, taken over": 3, "document, taken over": 1}
    if version >= "0002":
        kinds |= {"calibration, taken over": 1, "gauge check, taken over": 1}
    if version >= "0005":
        kinds |= {"person entry, taken over": 2, "attempt, taken over": 3, "signature, taken over": 1}
    assert report.kinds == kinds
    SqliteStore(path, "B1").close()
    assert check(path).entries == report.entries
    tamper(path, "UPDATE record SET body = replace(body, '6 mL', '1 mL') WHERE run = 2")
    assert check(path).fault.what == NOT_ITS_HASH


def test_a_record_that_was_damaged_before_it_was_taken_over_is_named(path):
    """Being taken over makes nothing true that was not."""
    shutil.copy(RECORDS / "schema-0002.db", path)
    tamper(path, "UPDATE record SET body = replace(body, '6 mL', '1 mL') WHERE run = 2")
    SqliteStore(path, "B1").close()
    fault = check(path).fault
    assert (fault.subject, fault.what) == ("B1-000002", NOT_ITS_HASH)


# A file that was meddled with, or is damaged -----------------------------------------------------


@pytest.mark.parametrize(
    ("statement", "strange"),
    [
        ("CREATE TRIGGER zz AFTER INSERT ON ledger BEGIN DELETE FROM checkpoint; END", "trigger zz"),
        ("CREATE VIEW everything AS SELECT * FROM run", "view everything"),
        ("CREATE TABLE spare (x)", "table spare"),
        ("ALTER TABLE run ADD COLUMN remark TEXT", "column run.remark"),
    ],
)
def test_what_is_none_of_the_programs_is_reported(path, statement, strange):
    """A trigger that somebody put there could change what the next run keeps."""
    shutil.copy(sorted(RECORDS.glob("*.db"))[-1], path)
    assert check(path).strange == ()
    editor = sqlite3.connect(path)
    editor.execute(statement)
    editor.close()
    assert (check(path).fault, check(path).strange) == (None, (strange,))


def test_a_row_of_no_run_is_named(path):
    """Foreign keys stop the program, not whoever edits the file; no entry stands for such a row."""
    shutil.copy(sorted(RECORDS.glob("*.db"))[-1], path)
    tamper(path, "INSERT INTO journal VALUES (77, 1, 0, 0, 'phase', 'Holding.')")
    fault = check(path).fault
    assert re.fullmatch(r"journal in row [0-9]+: it belongs to no run", fault.sentence)


def test_the_first_entry_on_a_damaged_page_is_named(path):
    """With what to do about it; not with the words of a library."""
    shutil.copy(sorted(RECORDS.glob("*.db"))[-1], path)
    file = sqlite3.connect(path)
    (body,) = file.execute("SELECT body FROM record WHERE run = 2").fetchone()
    (entry,) = file.execute("SELECT seq FROM ledger WHERE kind = 'run sealed' ORDER BY seq LIMIT 1 OFFSET 1").fetchone()
    file.close()
    content = path.read_bytes()
    at = content.index(body[600:640].encode())
    path.write_bytes(content[:at] + b"\xff" * 40 + content[at + 40 :])
    fault = check(path).fault
    assert fault.sentence == f"entry {entry}: the file is damaged, here or in what it stands for"
    with RunReader.beside(path) as reader, pytest.raises(StoreDamagedError) as refusal:
        reader.load("B1-000002")
    assert str(refusal.value) == f"The records in {path} cannot be used: the file is damaged."
