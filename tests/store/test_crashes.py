"""A killed program loses nothing that was acknowledged.

A kill says nothing about a power cut: what was handed to the operating system survives the process. Against a power
cut stands the sync at every commit, which ``test_database.py`` sees to.
"""

import random
import signal
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest

from testbench.run.samples import Sample
from testbench.store.reading import RunReader
from testbench.store.repository import SqliteStore

WRITER = """
import sys
from itertools import pairwise
from datetime import UTC, datetime
from pathlib import Path
from testbench.run.samples import Sample
from testbench.store.repository import SqliteStore

store = SqliteStore(Path(sys.argv[1]), "B1")
run = store.begin_run("{}", datetime(2026, 11, 20, tzinfo=UTC))
print("begun", run, flush=True)
number = 0
while True:
    store.append(run, 0, [Sample(number * 100 + i, number * 7 - i) for i in range(100)], [], [], [])
    number += 1
    print("kept", number, flush=True)
"""

SEALER = """
import runpy, sys
from datetime import UTC, datetime
from pathlib import Path
from testbench.store.repository import SqliteStore

examples = runpy.run_path(sys.argv[2])
record, traces = examples["example_run"]("", examples["valve"]("HL-4-0117", "NPS 4"), stopped=True)
store = SqliteStore(Path(sys.argv[1]), "B1")
while True:
    run = store.begin_run("{}", datetime(2026, 11, 20, tzinfo=UTC))
    for stage, trace in enumerate(traces):
        examples["keep_running"](store, run, stage, trace)
    print("kept", run, flush=True)
    store.seal(record.model_copy(update={"run": run}), traces)
    print("sealed", run, flush=True)
"""


def killed(code: str, arguments: list[str], lines: int) -> list[list[str]]:
    """Run a writer, kill it without warning after so many lines, and give back all that it had said."""
    with subprocess.Popen([sys.executable, "-c", code, *arguments], stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        said = [writer.stdout.readline() for _ in range(lines)]
        writer.send_signal(signal.SIGKILL)
        said += writer.stdout.readlines()
    assert writer.returncode == -signal.SIGKILL
    return [line.split() for line in said if line.endswith("\n")]


def test_a_killed_recorder_has_kept_every_acknowledged_chunk(path):
    """Five kills in the middle of work on one file: nothing acknowledged is missing, at most one chunk is more."""
    expected = {}
    for lines in random.Random(8).sample(range(2, 60), 5):
        said = killed(WRITER, [str(path)], lines)
        expected[said[0][1]] = len(said) - 1
    with RunReader.beside(path) as reader:  # a reader finds the same in what the kill left behind
        left = {run.run: run.traces[0].sha256() for run in reader.open_runs() if run.traces}
    with SqliteStore(path, "B1") as store:
        found = {run.run: run.traces.get(0) for run in store.open_runs()}
        assert found.keys() == expected.keys()
        assert {run: trace.sha256() for run, trace in found.items() if trace is not None} == left
        for run, acknowledged in expected.items():
            chunks = len(found[run]) // 100 if found[run] is not None else 0
            assert chunks in {acknowledged, acknowledged + 1}
            assert found[run].at.tolist() == list(range(chunks * 100))
            assert found[run].counts.tolist() == [number * 7 - i for number in range(chunks) for i in range(100)]
        # and the next recorder goes on behind what is on disk, not behind what it remembers
        store.append("B1-000001", 0, [Sample(10**6, 1)], [], [], [])
        assert int(store.open_runs()[0].traces[0].at[-1]) == 10**6
        assert store.begin_run("{}", store.open_runs()[0].opened) == f"B1-{len(expected) + 1:06d}"


@pytest.mark.parametrize("lines", [5, 16, 27])
def test_a_run_killed_at_its_seal_is_open_or_closed_never_between(path, examples, lines):
    """Either all chunks are still there, or record and trace are, verified by their hashes."""
    maker = Path(__file__).parents[1] / "records" / "make.py"
    said = killed(SEALER, [str(path), str(maker)], lines)
    _, traces = examples.example_run("", examples.valve("HL-4-0117", "NPS 4"), stopped=True)
    with SqliteStore(path, "B1") as store:
        closed = {line.run for line in store.history(1_000)}
        assert {line[1] for line in said if line[0] == "sealed"} <= closed
        for run in closed:
            assert store.load(run)[1][0].sha256() == traces[0].sha256()
        still_open = {run.run: run for run in store.open_runs()}
        assert len(still_open) <= 1
        for run in {line[1] for line in said if line[0] == "kept"} - closed:
            assert still_open[run].traces[0].sha256() == traces[0].sha256()


WATCHED = """
import sys, time
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from testbench.run.samples import Sample
from testbench.store.database import Database
from testbench.store.repository import SqliteStore

alone = Database.alone

@contextmanager
def watched(self):
    asked = time.monotonic_ns()
    with alone(self):
        begun = time.monotonic_ns()
        yield
        print(begun, time.monotonic_ns(), asked)

Database.alone = watched
store = SqliteStore(Path(sys.argv[1]), "B1")
with store._database.reading() as connection:
    connection.exec_driver_sql("PRAGMA wal_autocheckpoint = 5")
print("ready", flush=True)
sys.stdin.readline()
run = store.begin_run("{}", datetime(2026, 11, 20, tzinfo=UTC))
for number in range(60):
    store.append(run, 0, [Sample(number * 100 + i, i) for i in range(100)], [], [], [])
"""


def test_two_writers_and_their_checkpoints_never_overlap(path):
    """What SQLite before 3.51.3 cannot bear: a commit beside a checkpoint. Each commit here brings one with it."""
    SqliteStore(path, "B1").close()
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", WATCHED, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        for _ in range(2)
    ]
    for writer in writers:
        while writer.stdout.readline() != "ready\n":
            assert writer.poll() is None
    for writer in writers:  # both at the same moment
        writer.stdin.write("go\n")
        writer.stdin.flush()
    spans = [
        sorted(tuple(map(int, line.split())) for line in writer.communicate()[0].splitlines()) for writer in writers
    ]
    assert [writer.returncode for writer in writers] == [0, 0]
    assert [len(found) for found in spans] == [61, 61]
    both = sorted(spans[0] + spans[1])
    assert max(found[0][2] for found in spans) < min(found[-1][1] for found in spans)  # both wanted to at one time
    assert all(one[1] <= other[0] for one, other in pairwise(both))
