"""Every closed run of a home decided again, by a bounded number of processes."""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from multiprocessing import get_context
from pathlib import Path

from testbench.errors import RecordDamagedError
from testbench.run.record import RunRecord
from testbench.run.rejudging import Outcome, Rejudged, Tally, decided_again
from testbench.run.samples import Trace
from testbench.wiring import Home, read_store

BATCH = 50
"""Runs that a process is given at once."""
WAITING_EACH = 3
"""Batches that wait for each process: enough to keep it busy, too few to fill memory."""
MOST_WORKERS = 8


def rejudge_all(home: Home, workers: int | None, progress: Callable[[int, int], None]) -> Tally:
    """Decide every closed run again, specimens as well.

    Args:
        home: the bench; a recorder may go on recording.
        workers: how many processes; None: one for each core, at most ``MOST_WORKERS``.
        progress: is told how many of how many are done.

    Returns:
        What was found. A damaged run is counted and named; the others are still looked at.
    """
    workers = workers or min(len(os.sched_getaffinity(0)), MOST_WORKERS)
    tally = Tally()
    with read_store(home) as store:
        total = store.count_closed()
    spawned = get_context("spawn")  # a process of its own, that shares no connection and no thread
    with ProcessPoolExecutor(workers, mp_context=spawned) as pool:
        at_work: set[Future[list[Rejudged]]] = set()
        for batch in _batches(home):
            at_work.add(pool.submit(_decide, home.folder, batch))
            if len(at_work) >= workers * WAITING_EACH:
                done, at_work = wait(at_work, return_when=FIRST_COMPLETED)
                _count(tally, done, progress, total)
        _count(tally, wait(at_work).done, progress, total)
    return tally


def _count(tally: Tally, done: set[Future[list[Rejudged]]], progress: Callable[[int, int], None], total: int) -> None:
    for one in done:
        tally.add(one.result())
    progress(tally.runs, max(total, tally.runs))


def _batches(home: Home) -> Iterator[list[str]]:
    """The names of all closed runs, a batch at a time; the view is held no longer than a batch takes."""
    last = 0
    with read_store(home) as store:
        while found := store.closed_runs(last, BATCH):
            last = found[-1][0]
            yield [run for _, run in found]


def _decide(folder: Path, runs: Sequence[str]) -> list[Rejudged]:
    with read_store(Home(folder)) as store:
        return [_decide_one(store.load, run) for run in runs]


def _decide_one(load: Callable[[str], tuple[RunRecord, tuple[Trace, ...]]], run: str) -> Rejudged:
    try:
        return decided_again(*load(run))
    except RecordDamagedError as damage:
        return Rejudged(run, "", Outcome.DAMAGED, str(damage))
