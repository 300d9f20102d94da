"""What grows with the number of runs. Figures are printed (``pytest -m benchmark -s``); no time is asserted.

``TESTBENCH_RUNS`` says how many runs the largest file holds (default 20,000; 1,000,000 takes a quarter of an hour). The
plain ways beside ours, in the same run: objects of an ORM that fetch what belongs to them one by one, pages by OFFSET,
serial numbers by LIKE, a yield counted over objects, a row for each sample.
"""

import hashlib
import os
import shutil
import sqlite3
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, create_engine, func, select
from sqlalchemy.orm import Session, registry, relationship

from testbench.run.ledger import Walk
from testbench.store import tables
from testbench.store.backup import copy_of
from testbench.store.codec import decode, encode
from testbench.store.ledger_check import LedgerCheck
from testbench.store.reading import RunReader
from tests.benchmarks.many_runs import BEGAN_US, EVERY_US, fill_up_to, serial_of
from tests.benchmarks.test_traces import SAMPLES, signal

RUNS = int(os.environ.get("TESTBENCH_RUNS", "20000"))
pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(0)]


def median_ms(call: Callable[[int], object], times: int = 21) -> float:
    """Of so many calls, the first of them left out: it warms up."""
    took = []
    for number in range(times + 1):
        begun = time.perf_counter()
        call(number)
        took.append((time.perf_counter() - begun) * 1000)
    return statistics.median(took[1:])


def once_s(call: Callable[[], object]) -> float:
    begun = time.perf_counter()
    call()
    return time.perf_counter() - begun


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(os.environ.get("TESTBENCH_RUNS_IN") or tmp_path_factory.mktemp("many"))


# The plain way ------------------------------------------------------------------------------------

MAPPED = registry()


class PlainDocument:
    """A document as an object."""


class PlainRun:
    """A run as an object that fetches its documents when they are asked for."""


MAPPED.map_imperatively(PlainDocument, tables.document)
MAPPED.map_imperatively(PlainRun, tables.run, properties={"documents": relationship(PlainDocument)})


def plain_page(session: Session, skip: int) -> list[str]:
    """50 runs by OFFSET, the document of each fetched by itself."""
    session.expunge_all()
    query = select(PlainRun).order_by(tables.run.c.number.desc()).offset(skip).limit(50)
    return [run.documents[-1].path for run in session.scalars(query)]


# Growth -------------------------------------------------------------------------------------------


def figures(path: Path, runs: int) -> dict[str, str]:
    """One column of the table."""
    engine = create_engine(f"sqlite:///{path}")
    middle = f"B1-{runs // 2:06d}"
    with RunReader.beside(path) as reader, Session(engine) as session:
        some = [serial_of(1 + number * 7919 % runs) for number in range(22)]
        assert [line.serial for line in reader.history(serial=some[0])] == [some[0], some[0]]
        found = {
            "file [MB], B a run": f"{path.stat().st_size / 1e6:.0f}, {path.stat().st_size / runs:.0f}",
            "serial number, exact [ms] (goal 5)": f"{median_ms(lambda n: reader.earlier_runs_of(some[n])):.2f}",
            "serial number, beginning [ms]": f"{median_ms(lambda n: reader.history(serial=some[n])):.2f}",
            "newest page [ms] (goal 50)": f"{median_ms(lambda _: reader.history(50)):.2f}",
            "page in the middle [ms] (goal 50)": f"{median_ms(lambda _: reader.history(50, middle)):.2f}",
            "the same, plainly [ms]": f"{median_ms(lambda _: plain_page(session, runs // 2), 5):.1f}",
            "serial by LIKE, plainly [ms]": f"{median_ms(lambda n: plain_like(session, some[n]), 5):.1f}",
            "runs on one calibration of a month [ms]": f"{median_ms(lambda _: recalled(reader)):.1f}",
            "a look into every record, plainly [ms]": f"{once_s(lambda: plain_recall(session)) * 1000:.0f}",
        }
        walked = once_s(lambda: walk(reader))
        whole = time.perf_counter()
        report = LedgerCheck(reader.database, (), lambda _: True).report()
        whole = time.perf_counter() - whole
        assert report.fault is None
        assert report.entries == 3 * runs
        found["chain walked [entries/s] (goal 100,000)"] = f"{report.entries / walked:,.0f}"
        found["with every row behind it [entries/s]"] = f"{report.entries / whole:,.0f}"
        found["the same [rows/s]"] = f"{rows_of(engine) / whole:,.0f}"
        found["the same [s]"] = f"{whole:.1f}"
    engine.dispose()
    return found


PLAIN_SHIFT = """SELECT run.id FROM run JOIN record ON record.run = run.number WHERE started < :until
    AND json_extract(body, '$.' || 'ended') >= :since AND json_extract(body, '$.' || 'ended') < :until
    ORDER BY number"""


def test_a_shift(folder: Path) -> None:
    """The runs that ended within eight hours in the middle, beside a look into every record from before."""
    path = folder / f"runs-{RUNS}.db"
    fill_up_to(path, RUNS)
    begun = datetime.fromtimestamp((BEGAN_US + RUNS // 2 * EVERY_US) / 1_000_000, UTC)
    since, until = (f"{at:%Y-%m-%dT%H:%M:%S}" for at in (begun, begun + timedelta(hours=8)))
    plain = sqlite3.connect(path)
    with RunReader.beside(path) as reader:
        found = reader.runs_ended(since, until)
        asked = plain.execute(PLAIN_SHIFT, {"since": since, "until": until}).fetchall()
        assert [run for (run,) in asked] == list(found)
        ours = median_ms(lambda _: reader.runs_ended(since, until))
        plainly = median_ms(lambda _: plain.execute(PLAIN_SHIFT, {"since": since, "until": until}).fetchall(), 3)
    plain.close()
    sys.stdout.write(
        f"\n{RUNS:,} runs; {len(found)} that ended in a shift of 8 h [ms]: {ours:.2f}, plainly {plainly:.0f}, "
        f"ratio {plainly / ours:,.0f}\n"
    )


def rows_of(engine: Engine) -> int:
    """How many rows a whole check reads and hashes."""
    checked = (
        tables.ledger,
        tables.run,
        tables.record,
        tables.document,
        tables.trace,
        tables.journal,
        tables.first_test,
    )
    with engine.connect() as connection:
        return sum(connection.scalar(select(func.count()).select_from(table)) for table in checked)


def walk(reader: RunReader) -> None:
    """The chain alone: every hash, every link."""
    follow = Walk()
    assert not any(follow.fault_of(entry) for entry in reader.chain())


def recalled(reader: RunReader) -> int:
    """What a recall asks first: by the index."""
    return len(reader.runs_relying_on("calibration", subject="CAL-2016-01"))


def plain_recall(session: Session) -> int:
    """The same by a look into every record."""
    named = tables.record.c.body.contains('"certificate_number": "CAL-2016-01"', autoescape=True)
    return len(session.execute(select(tables.record.c.run).where(named)).all())


def plain_like(session: Session, serial: str) -> int:
    session.expunge_all()
    return len(session.scalars(select(PlainRun).where(tables.run.c.serial.ilike(f"{serial}%"))).all())


def test_growth(folder):
    """A hundredth, a tenth and all of the runs, in one file that grows."""
    path, columns = folder / "testbench.db", {}
    for runs in (RUNS // 100, RUNS // 10, RUNS):
        filled = once_s(lambda runs=runs: fill_up_to(path, runs))
        columns[runs] = figures(path, runs) | {"filled in [s]": f"{filled:.0f}"}
    print("\n| | " + " | ".join(f"{runs:,}" for runs in columns) + " |")  # noqa: T201
    print("|---" * (len(columns) + 1) + "|")  # noqa: T201
    for name in columns[RUNS]:
        print(f"| {name} | " + " | ".join(column[name] for column in columns.values()) + " |")  # noqa: T201


# A recorder beside a backup ------------------------------------------------------------------------

RECORDER = """
import sys, time
from datetime import UTC, datetime
from pathlib import Path
from testbench.run.samples import Sample
from testbench.store.repository import SqliteStore
store = SqliteStore(Path(sys.argv[1]), "B1")
run = store.begin_run("{}", datetime(2026, 11, 20, tzinfo=UTC))
print("begun", flush=True)
number = 0
while True:
    begun = time.perf_counter()
    store.append(run, 0, [Sample(number * 100 + i, i) for i in range(25)], [], [], [])
    print((time.perf_counter() - begun) * 1000, flush=True)
    number += 1
    time.sleep(0.25)
"""


def test_a_recorder_is_hardly_held_up_by_a_backup(folder):
    """The longest commit beside a backup, and beside nothing; a commit every 250 ms, as the recorder makes."""
    path = folder / "testbench.db"
    fill_up_to(path, RUNS)
    recorder = subprocess.Popen([sys.executable, "-c", RECORDER, str(path)], stdout=subprocess.PIPE, text=True)
    assert recorder.stdout.readline() == "begun\n"
    quiet = [float(recorder.stdout.readline()) for _ in range(20)]
    begun = time.perf_counter()
    copy_of(path, folder / "copy.db", lambda _: None)
    took = time.perf_counter() - begun
    recorder.terminate()
    beside = [float(line) for line in recorder.stdout.read().splitlines() if line]
    recorder.wait()
    recorder.stdout.close()
    (folder / "copy.db").unlink()
    print(  # noqa: T201
        f"\nbackup of {path.stat().st_size / 1e6:.0f} MB, copied in {took:.1f} s, not yet proved; longest commit "
        f"beside it {max(beside):.0f} ms of {len(beside)} (goal 200), median {statistics.median(beside):.1f} ms; "
        f"by itself {max(quiet):.0f} ms, median {statistics.median(quiet):.1f} ms"
    )


# A trace -------------------------------------------------------------------------------------------


def test_a_trace_beside_a_row_for_each_sample(folder):
    """60,000 samples, ticks and counts, in a SQLite file: bytes and time to write and to read."""
    trace = signal(2)
    rows = list(zip(trace.at.tolist(), trace.counts.tolist(), strict=True))

    def measured(name: str, make: str, write: Callable[[sqlite3.Connection], object], read: str) -> tuple[float, ...]:
        file = sqlite3.connect(folder / f"{name}.db")
        file.execute(make)
        empty = (folder / f"{name}.db").stat().st_size
        writing = once_s(lambda: (write(file), file.commit()))
        reading = once_s(lambda: (decode if name == "sealed" else list)(_read(file, read, name)))
        file.close()
        return ((folder / f"{name}.db").stat().st_size - empty) / SAMPLES, writing * 1000, reading * 1000

    row_each = measured(
        "rows", "CREATE TABLE sample (run, at, counts, PRIMARY KEY (run, at))",
        lambda file: file.executemany("INSERT INTO sample VALUES (1, ?, ?)", rows), "SELECT at, counts FROM sample",
    )  # fmt: skip
    sealed = measured(
        "sealed", "CREATE TABLE trace (run INTEGER PRIMARY KEY, stored BLOB)",
        lambda file: file.execute("INSERT INTO trace VALUES (1, ?)", (encode(trace),)), "SELECT stored FROM trace",
    )  # fmt: skip
    hashing = once_s(lambda: hashlib.sha256(trace.at.tobytes() + trace.counts.tobytes()))
    print(f"\nhash of a trace {hashing * 1000:.2f} ms")  # noqa: T201
    for name, (size, writing, reading) in (("a row for each sample", row_each), ("sealed", sealed)):
        print(f"{name}: {size:.2f} B/sample, written in {writing:.0f} ms, read in {reading:.1f} ms")  # noqa: T201
    ratios = " ".join(f"{plain / ours:.0f}" for plain, ours in zip(row_each, sealed, strict=True))
    print(f"ratios: {ratios}")  # noqa: T201
    shutil.rmtree(folder, ignore_errors=True)


def _read(file: sqlite3.Connection, query: str, name: str) -> object:
    rows = file.execute(query).fetchall()
    return rows[0][0] if name == "sealed" else rows
