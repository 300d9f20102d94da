"""The tables themselves refuse to change what is written, whoever asks."""

import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from testbench.framing.lines import Rejected, RejectReason
from testbench.run.ledger import Checkpoint
from testbench.run.samples import Gap, GapReason, Sample
from testbench.run.state import Happening
from testbench.store.repository import SqliteStore


@pytest.fixture(scope="module")
def filled(tmp_path_factory, empty, examples) -> Path:
    """A file with a closed run (1) that has one row of everything, and an open one (2)."""
    path = tmp_path_factory.mktemp("filled") / "testbench.db"
    shutil.copy(empty, path)
    store = SqliteStore(path, "B1")
    record, traces = examples.example_run("B1-000001", examples.valve("HL-4-0117", "NPS 4"))
    for _ in range(2):
        run = store.begin_run("{}", examples.STARTED)
        store.append(
            run,
            7,
            [Sample(0, 0)],
            [Gap(since=0, until=1, reason=GapReason.SILENT)],
            [(0, Rejected(b"x", RejectReason.TOO_LONG))],
            [Happening(0, "event", "Sentence.")],
        )
    digest = store.seal(record, traces)
    examples.fill_registers(store)
    store.add_blank("{}")
    examples.fill_people(store, "B1-000001")
    examples.fill_summary(store)
    store.add_checkpoint(Checkpoint(bench="B1", n=6, head="0" * 64, at=0, key="0" * 64, signature="0" * 128))
    store.add_document("B1-000001", "certificate", "a.pdf", sha256="a", record_sha256=digest, at=examples.STARTED)
    store.close()
    return path


@pytest.fixture
def tables(path, filled) -> Iterator[sqlite3.Connection]:
    """A plain connection to a copy of it."""
    shutil.copy(filled, path)
    connection = sqlite3.connect(path, isolation_level=None)
    yield connection
    connection.close()


CLOSED, ADDED, DELETED = (
    "a closed run is never changed",
    "records are only ever added",
    "records are never deleted",
)
NOT_CLOSED, OPENING, ROWS, LINKED = (
    "nothing is added to a closed run",
    "the opening of a run is never changed",
    "rows follow each other",
    "an entry follows the last one and names its hash",
)
ENTRY = "INSERT OR REPLACE INTO ledger SELECT {seq}, version, bench, at, kind, subject, body_sha256, {prev}, hash, body"

BODIES = ("calibration", "gauge_check", "blank", "person_entry", "attempt", "signature", "checkpoint")
REFUSED = [
    ("UPDATE run SET verdict = 'accepted' WHERE number = 1", CLOSED),
    ("UPDATE run SET state = 'open', record_sha256 = NULL WHERE number = 1", CLOSED),
    ("UPDATE run SET opening = '[]' WHERE number = 2", OPENING),
    ("UPDATE run SET opened_us = 0 WHERE number = 2", OPENING),
    ("UPDATE run SET id = 'B1-000007' WHERE number = 2", OPENING),
    ("UPDATE run SET number = 3 WHERE number = 2", OPENING),
    ("DELETE FROM run WHERE number = 1", DELETED),
    ("DELETE FROM run WHERE number = 2", DELETED),
    ("INSERT OR REPLACE INTO run (number, id, opening, opened_us, state) VALUES (1, 'B1-000001', '', 0, 'open')",
     "runs are numbered without gaps"),
    ("INSERT OR REPLACE INTO run (number, id, opening, opened_us, state) VALUES (3, 'B1-000001', '', 0, 'open')",
     "runs are numbered without gaps"),
    ("INSERT INTO run (number, id, opening, opened_us, state) VALUES (4, 'B1-000004', '', 0, 'open')",
     "runs are numbered without gaps"),
    ("INSERT INTO run (number, id, opening, opened_us, state, record_sha256) VALUES (3, 'B1-3', '', 0, 'closed', 'f')",
     "a run begins open"),
    ("UPDATE run SET state = 'closed' WHERE number = 2", "CHECK constraint failed: ck_run_closed_with_record"),
    ("UPDATE run SET state = 'ajar' WHERE number = 2", "CHECK constraint failed: ck_run_state"),
    ("UPDATE run SET record_sha256 = 'f' WHERE number = 2", "CHECK constraint failed: ck_run_closed_with_record"),
    ("UPDATE record SET body = '{}'", ADDED),
    ("DELETE FROM record", DELETED),
    ("INSERT OR REPLACE INTO record VALUES (1, '{}')", "a run has one record"),
    ("UPDATE trace SET stored = x'00'", ADDED),
    ("DELETE FROM trace", DELETED),
    ("INSERT OR REPLACE INTO trace VALUES (1, 0, 0, '', x'')", "a stage has one trace"),
    ("UPDATE journal SET sentence = 'Accepted.'", ADDED),
    ("DELETE FROM journal WHERE run = 2", DELETED),
    ("INSERT INTO journal VALUES (1, 2, 0, 0, 'late', 'Late.')", NOT_CLOSED),
    ("INSERT OR REPLACE INTO journal VALUES (2, 1, 0, 0, 'other', 'Other.')", ROWS),
    ("INSERT INTO journal VALUES (2, 3, 0, 0, 'skipped', 'Skipped.')", ROWS),
    ("INSERT INTO journal VALUES (9, 1, 0, 0, 'nowhere', 'Nowhere.')", NOT_CLOSED),
    ("UPDATE gap SET until = 0", ADDED),
    ("DELETE FROM gap WHERE run = 2", DELETED),
    ("INSERT OR REPLACE INTO gap VALUES (2, 1, 0, 0, 0, '')", ROWS),
    ("UPDATE rejected SET raw = x''", ADDED),
    ("DELETE FROM rejected WHERE run = 2", DELETED),
    ("INSERT OR REPLACE INTO rejected VALUES (2, 1, 0, 0, x'', '')", ROWS),
    ("UPDATE chunk SET samples = 0", ADDED),
    ("DELETE FROM chunk WHERE run = 2", "samples of an open run are never deleted"),
    ("INSERT OR REPLACE INTO chunk VALUES (2, 1, 7, 0, x'', x'', NULL)", ROWS),
    ("INSERT INTO chunk VALUES (2, 2, 7, 2, zeroblob(16), zeroblob(8), NULL)",
     "CHECK constraint failed: ck_chunk_samples"),
    ("INSERT INTO chunk VALUES (2, 2, 7, 2, zeroblob(16), zeroblob(16), zeroblob(8))", "every sample was asked for"),
    ("UPDATE document SET sha256 = 'b'", ADDED),
    ("DELETE FROM document", DELETED),
    ("INSERT OR REPLACE INTO document SELECT run, seq, 'other', path, sha256, record_sha256, 0 FROM document", ROWS),
    *((f"UPDATE {name} SET body = '{{}}'", ADDED) for name in BODIES),
    *((f"DELETE FROM {name}", DELETED) for name in (*BODIES, "ledger")),
    ("UPDATE person_entry SET secret = '' WHERE seq = 2", ADDED),
    ("UPDATE attempt SET outcome = 'right'", ADDED),
    ("INSERT OR REPLACE INTO signature VALUES (1, 'B1-000001', 'released', '{}')", ROWS),
    ("INSERT INTO attempt VALUES (9, 'ashe', 'password', 'right', '{}')", ROWS),
    ("INSERT OR REPLACE INTO checkpoint VALUES (1, 6, '{}')", ROWS),
    ("UPDATE ledger SET at = 0 WHERE seq = 1", ADDED),
    (ENTRY.format(seq=1, prev="prev") + " FROM ledger WHERE seq = 1", LINKED),
    (ENTRY.format(seq=8, prev="hash") + " FROM ledger WHERE seq = 8", LINKED),
    (ENTRY.format(seq=9, prev="prev") + " FROM ledger WHERE seq = 8", LINKED),
    (ENTRY.format(seq=10, prev="hash") + " FROM ledger WHERE seq = 8", LINKED),
    ("UPDATE first_test SET verdict = 'accepted'", ADDED),
    ("DELETE FROM first_test", DELETED),
    ("INSERT OR REPLACE INTO first_test VALUES (1, '2026-11', '', 'live', 'accepted')", "a run is counted once"),
    ("INSERT OR REPLACE INTO calibration VALUES (1, 'T-0042', 'SCL-26-0411', '2026-06-02', '{}')", ROWS),
    ("INSERT INTO gauge_check VALUES (3, 'T-0042', '', '{}')", ROWS),
    ("INSERT OR REPLACE INTO blank VALUES (1, '{}')", ROWS),
    ("INSERT INTO journal VALUES (2, 'two', 0, 0, '', '')", "cannot store TEXT value in INTEGER column journal.seq"),
]  # fmt: skip


@pytest.mark.parametrize(("statement", "sentence"), REFUSED)
def test_an_edit_is_refused_by_the_table(tables, statement, sentence):
    """Also from a connection that is none of ours: the rule lives in the file."""
    before = list(tables.iterdump())
    with pytest.raises(sqlite3.Error) as refusal:
        tables.execute(statement)
    assert str(refusal.value) == sentence
    assert list(tables.iterdump()) == before


def test_an_open_run_has_one_record_and_one_trace_a_stage(tables):
    """OR REPLACE would slip past a delete trigger; the insert guard stops it."""
    tables.execute("INSERT INTO record VALUES (2, '{}')")
    tables.execute("INSERT INTO trace VALUES (2, 0, 0, '', x'')")
    with pytest.raises(sqlite3.IntegrityError, match=r"^a run has one record$"):
        tables.execute("INSERT OR REPLACE INTO record VALUES (2, '[]')")
    tables.execute("INSERT INTO first_test VALUES (2, '2026-11', '', 'live', 'accepted')")
    with pytest.raises(sqlite3.IntegrityError, match=r"^a run is counted once$"):
        tables.execute("INSERT OR REPLACE INTO first_test VALUES (2, '2026-11', '', 'live', 'rejected')")
    with pytest.raises(sqlite3.IntegrityError, match=r"^a stage has one trace$"):
        tables.execute("INSERT OR REPLACE INTO trace VALUES (2, 0, 1, '', x'')")
