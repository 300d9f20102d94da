"""The samples of the channels beside the deciding one: on disk in the same commits, sealed in one transaction."""

import sqlite3
from dataclasses import replace

import numpy as np
import pytest

from testbench.errors import RecordDamagedError, StoreFailedError
from testbench.run.samples import Gap, GapReason, Sample
from testbench.station.recovery import close_interrupted
from testbench.store.reading import RunReader
from tests.store.test_records import TRACE, tamper


@pytest.fixture
def compared(examples):
    """A run of a bench with two channels that are compared."""
    return examples.compared_run("", examples.valve("HL-4-0117", "NPS 4"))


def rows(path, table: str) -> int:
    with sqlite3.connect(path) as found:
        return found.execute(f"SELECT count(*) FROM {table}").fetchone()[0]


def test_a_run_comes_back_with_the_traces_of_all_its_channels(store, path, examples, compared):
    """Sample by sample; no chunk stays behind."""
    run = examples.keep_closed(store, *compared)
    record, traces = store.load(run)
    for stage, trace, given in zip(record.stages, traces, compared[1], strict=True):
        (beside,), (kept,) = trace.beside, given.beside
        assert np.array_equal(beside.at, kept.at)
        assert np.array_equal(beside.counts, kept.counts)
        assert stage.beside[0].trace.sha256 == beside.sha256()
    assert (rows(path, "beside_trace"), rows(path, "beside_chunk"), rows(path, "chunk")) == (2, 0, 0)


def test_samples_outside_a_stage_are_sealed_as_well(store, path, examples, compared):
    """Nothing that was acknowledged is lost."""
    record, traces = compared
    run = store.begin_run(examples.opening_of(record), examples.STARTED)
    store.append(run, -1, [], [], [], [], {"PT-102": ([Sample(1, 5)], [])})
    store.seal(record.model_copy(update={"run": run}), traces)
    with sqlite3.connect(path) as found:
        kept = found.execute("SELECT stage, channel, samples FROM beside_trace ORDER BY stage").fetchall()
    assert kept == [(-1, "PT-102", 1), (0, "PT-102", 1130), (1, "PT-102", 1130)]
    assert rows(path, "beside_chunk") == 0


def test_a_record_that_names_another_trace_is_not_sealed(store, examples, compared):
    """Of whichever channel."""
    record, traces = compared
    run = store.begin_run(examples.opening_of(record), examples.STARTED)
    (beside,) = traces[0].beside
    other = replace(traces[0], beside=(replace(beside, counts=beside.counts + 1),))
    with pytest.raises(ValueError, match="the record names another trace for the shell test, attempt 1"):
        store.seal(record.model_copy(update={"run": run}), (other, traces[1]))
    assert len(store.open_runs()) == 1


@pytest.mark.parametrize("statement", [
    "UPDATE beside_trace SET stored = zeroblob(100) WHERE stage = 1",
    "UPDATE beside_trace SET stored = (SELECT stored FROM beside_trace WHERE stage = 0) WHERE stage = 1",
    "DELETE FROM beside_trace WHERE stage = 1",
])  # fmt: skip
def test_an_edited_trace_of_another_channel_is_refused(store, path, examples, compared, statement):
    """As that of the deciding channel is."""
    run = examples.keep_closed(store, *compared)
    store.close()
    tamper(path, statement)
    with RunReader.beside(path) as reader, pytest.raises(RecordDamagedError) as refusal:
        reader.load(run)
    assert str(refusal.value) == TRACE


@pytest.mark.parametrize("table", ["beside_trace", "beside_gap", "beside_chunk"])
def test_what_another_channel_gave_is_never_changed(store, path, examples, compared, table):
    """Nothing is changed; nothing is deleted but the chunks of a closed run; nothing is added to one."""
    record, traces = compared
    run = store.begin_run(examples.opening_of(record), examples.STARTED)
    gap = Gap(since=1, until=2, reason=GapReason.FROZEN)
    store.append(run, 0, [], [], [], [], {"PT-102": ([Sample(1, 5)], [gap])})
    if table == "beside_trace":
        store.seal(record.model_copy(update={"run": run}), traces)
    edits = [f"UPDATE {table} SET channel = 'PT-109'", f"DELETE FROM {table}"]
    with sqlite3.connect(path) as editor:
        for edit in edits:
            with pytest.raises(sqlite3.IntegrityError):
                editor.execute(edit)


def test_nothing_is_added_for_another_channel_of_a_closed_run(store, path, examples, compared):
    """The database refuses it, whoever asks."""
    examples.keep_closed(store, *compared)
    store.close()
    with sqlite3.connect(path) as editor, pytest.raises(sqlite3.IntegrityError, match="closed run"):
        editor.execute("INSERT INTO beside_gap VALUES (1, 1, 0, 'PT-102', 1, 2, 'x')")


def test_an_interrupted_run_keeps_what_every_channel_gave(store, examples, compared):
    """Closed as lost, with the samples and gaps of all channels."""
    record, traces = compared
    run = store.begin_run(examples.opening_of(record), examples.STARTED)
    stage = record.stages[0]
    opened = examples.StageOpening(stage=stage.stage, attempt=1, since=stage.since, requirement=stage.requirement)
    begun = examples.Happening(stage.since, examples.STAGE_OPENED, examples.canonical(opened).decode())
    store.append(run, 0, [], [], [], [begun])
    examples.keep_running(store, run, 0, traces[0])
    gap = Gap(since=1, until=2, reason=GapReason.FROZEN)
    store.append(run, 0, [], [], [], [], {"PT-102": ([], [gap])})
    close_interrupted(store, examples.STARTED)
    lost, (trace,) = store.load(run)
    (named,), (beside,) = lost.stages[0].beside, trace.beside
    assert (lost.verdict, named.tag, named.trace.samples, named.gaps) == (None, "PT-102", 1130, (gap,))
    assert beside.sha256() == traces[0].beside[0].sha256()


def test_an_append_that_fails_keeps_nothing_of_any_channel(store, path, examples, compared):
    """One commit: all or nothing."""
    run = store.begin_run(examples.opening_of(compared[0]), examples.STARTED)
    bad = Gap.model_construct(since=None, until=2, reason=GapReason.FROZEN)
    with pytest.raises(StoreFailedError):
        store.append(run, 0, [Sample(1, 5)], [], [], [], {"PT-102": ([Sample(1, 5)], [bad])})
    assert (rows(path, "chunk"), rows(path, "beside_chunk")) == (0, 0)
