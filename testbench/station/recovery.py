"""After a crash: every run that was open is closed as lost. A hold is never resumed."""

from collections.abc import Sequence
from datetime import datetime
from typing import Protocol

from testbench.run.machine import Ending
from testbench.run.record import RunRecord, StageRecord, TraceReference
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


def close_interrupted(store: Recoverable, at: datetime) -> list[str]:
    """Seal every open run with its interrupted stage marked lost; gives one sentence a run."""
    said = []
    for found in store.open_runs():
        record, traces = lost_record(found, at)
        record = judged_with_checks(record, traces, store.gauge_checks_of(record.channel.serial))
        store.seal(record, traces)
        said.append(f"Run {record.run} of {record.valve.serial} was interrupted and is closed as lost: {record.reason}")
    return said


def lost_record(found: OpenRun, at: datetime) -> tuple[RunRecord, list[Trace]]:
    """The record of an interrupted run: closed stages as they were, the open one lost."""
    opening = RunRecord.model_validate_json(found.opening).model_copy(update={"run": found.run})
    said = [line.happening for line in found.journal]
    kept = [StageRecord.model_validate_json(line.sentence) for line in said if line.event == STAGE_CLOSED]
    stages = [_kept(stage, index, found) for index, stage in enumerate(kept)]
    opened = [StageOpening.model_validate_json(line.sentence) for line in said if line.event == STAGE_OPENED]
    stages.extend(_lost(stage, index, found) for index, stage in enumerate(opened) if index >= len(stages))
    unfinished = opening.model_copy(update={"stages": tuple(stages)})
    record = closed(unfinished, iso(at), Ending.LOST)
    nothing = Trace.of([])
    return record, [found.traces.get(index, nothing) for index in range(len(stages))]


def _kept(stage: StageRecord, index: int, found: OpenRun) -> StageRecord:
    """A closed stage as it was, if all its samples are there; else it is lost."""
    if found.traces.get(index, Trace.of([])).sha256() == stage.trace.sha256:
        return stage
    since = StageOpening(
        stage=stage.stage,
        attempt=stage.attempt,
        since=stage.since,
        requirement=stage.requirement,
        attendance=stage.attendance,
    )
    return _lost(since, index, found)


def _lost(stage: StageOpening, index: int, found: OpenRun) -> StageRecord:
    trace = found.traces.get(index, Trace.of([]))
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
        attendance=stage.attendance,
    )
