"""After a crash: every run that was open is closed as lost. A hold is never resumed."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Protocol

from testbench.run.machine import Ending
from testbench.run.record import BesideTrace, LineRecord, RunRecord, StageRecord, TraceReference
from testbench.run.samples import Trace
from testbench.station.current_run import StageOpening, closed, iso
from testbench.station.gauge_checks import judged_with_checks
from testbench.station.ports import CalibrationRegister, OpenRun
from testbench.station.session import STAGE_CLOSED, STAGE_OPENED

INTERRUPTED = "The recorder or its power was interrupted; a hold is never resumed"


class Recoverable(CalibrationRegister, Protocol):
    """The part of a store that recovery needs."""

    def open_runs(self) -> list[OpenRun]:
        """Runs that were never closed."""

    def seal(self, record: RunRecord, traces: Sequence[Trace]) -> str:
        """Close a run; gives the record's SHA-256."""


def _no_raw_bytes(_: str) -> LineRecord | None:
    return None


def close_interrupted(
    store: Recoverable, at: datetime, left_behind: Callable[[str], LineRecord | None] = _no_raw_bytes
) -> list[str]:
    """Seal every open run with its interrupted stage marked lost.

    Args:
        store: where the runs are.
        at: now.
        left_behind: tells of a run which raw bytes there are; None where it kept none.

    Returns:
        One sentence a run.
    """
    said = []
    for found in store.open_runs():
        record, traces = lost_record(found, at)
        line = left_behind(record.run)
        record = record.model_copy(update={"line": line})
        record = judged_with_checks(record, traces, store.gauge_checks_of(record.channel.serial))
        store.seal(record, traces)
        lost = f"Run {record.run} of {record.valve.serial} was interrupted and is closed as lost: {record.reason}"
        said.append(lost + _in_words(line))
    return said


def _in_words(line: LineRecord | None) -> str:
    """Which raw bytes there are, to be said after something else."""
    if line is None:
        return ""
    return f" Its raw bytes are in {line.raw_file}{'' if line.raw_ended else ', without an end seal'}."


def lost_record(found: OpenRun, at: datetime) -> tuple[RunRecord, list[Trace]]:
    """The record of an interrupted run: closed stages as they were, the open one lost."""
    opening = RunRecord.model_validate_json(found.opening).model_copy(update={"run": found.run})
    said = [line.happening for line in found.journal]
    kept = [StageRecord.model_validate_json(line.sentence) for line in said if line.event == STAGE_CLOSED]
    stages = [_kept(stage, index, found, opening) for index, stage in enumerate(kept)]
    opened = [StageOpening.model_validate_json(line.sentence) for line in said if line.event == STAGE_OPENED]
    stages.extend(_lost(stage, index, found, opening) for index, stage in enumerate(opened) if index >= len(stages))
    unfinished = opening.model_copy(update={"stages": tuple(stages)})
    record = closed(unfinished, iso(at), Ending.LOST)
    return record, [_trace_of(found, index, opening) for index in range(len(stages))]


def _trace_of(found: OpenRun, index: int, opening: RunRecord) -> Trace:
    """What was acknowledged of a stage, of all its channels."""
    nothing = Trace.of([])
    beside = tuple(found.beside.get((index, one.channel.tag), nothing) for one in opening.beside)
    return replace(found.traces.get(index, nothing), beside=beside)


def _kept(stage: StageRecord, index: int, found: OpenRun, opening: RunRecord) -> StageRecord:
    """A closed stage as it was, if all its samples are there; else it is lost."""
    trace = _trace_of(found, index, opening)
    named = (stage.trace, *(one.trace for one in stage.beside))
    if [one.sha256() for one in (trace, *trace.beside)] == [one.sha256 for one in named]:
        return stage
    since = StageOpening(
        stage=stage.stage,
        attempt=stage.attempt,
        since=stage.since,
        requirement=stage.requirement,
        attendance=stage.attendance,
    )
    return _lost(since, index, found, opening)


def _lost(stage: StageOpening, index: int, found: OpenRun, opening: RunRecord) -> StageRecord:
    trace = _trace_of(found, index, opening)
    return StageRecord(
        stage=stage.stage,
        attempt=stage.attempt,
        requirement=stage.requirement,
        since=stage.since,
        until=int(trace.at[-1]) if len(trace) else stage.since,
        ended=Ending.LOST,
        reason=INTERRUPTED + ".",
        hold_since=None,
        hold_until=None,
        restarts=0,
        observations=(),
        collections=(),
        gaps=trace.gaps,
        rejected_lines=found.rejected_lines.get(index, 0),
        trace=TraceReference(samples=len(trace), sha256=trace.sha256()),
        finding=None,
        beside=tuple(
            BesideTrace(
                tag=one.channel.tag,
                gaps=read.gaps,
                trace=TraceReference(samples=len(read), sha256=read.sha256()),
            )
            for one, read in zip(opening.beside, trace.beside, strict=True)
        ),
        attendance=stage.attendance,
    )
