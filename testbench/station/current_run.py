"""The run under way: its facts, its stages so far, and the stage on the bench now. Values and plain bookkeeping."""

from dataclasses import dataclass, field
from datetime import date, datetime

from testbench.metrology.trend import SlidingSlope, Slope
from testbench.procedure.requirements import StageRequirement
from testbench.procedure.stages import StageName
from testbench.procedure.valve import Value, WitnessPoint, later
from testbench.run.attendance import Attendance
from testbench.run.cross_check import pairs_of
from testbench.run.decay import Basis
from testbench.run.evaluation import evaluate_stage, judge_run
from testbench.run.hold import signal_faults
from testbench.run.machine import Ending, Phase
from testbench.run.progress import Stage, StageState
from testbench.run.record import RunRecord, StageRecord, TraceReference, Verdict
from testbench.run.samples import Gap, Sample, Samples, Trace, to_s


class StageOpening(Value):
    """The beginning of an attempt, as the journal keeps it until the attempt is closed."""

    stage: StageName
    attempt: int
    since: int
    requirement: StageRequirement
    attendance: Attendance | None = later(None)


@dataclass(slots=True)
class StageUnderWay:
    """One attempt at a stage, from its start until it is closed."""

    rules: Stage
    attempt: int
    index: int
    """Running number of the attempt within the run."""
    since: int
    state: StageState
    slope: SlidingSlope
    largest_step: float
    """The largest step that the reading may have [counts]."""
    samples: Samples = field(default_factory=Samples)
    gaps: list[Gap] = field(default_factory=list)
    rejected_lines: int = 0
    lowest: int | None = None
    """Lowest reading of the hold so far [counts]."""
    attendance: Attendance | None = None
    """Who attends, where the order names a witness point for this stage."""
    change: Slope | None = None
    """Rate of change over the stabilization window [counts/s]."""

    def note(self, sample: Sample) -> Slope | None:
        """Keep a sample; gives the rate of change once the stabilization window is full [counts/s]."""
        self.samples.append(sample)
        if self.state.phase is Phase.HOLDING:
            self.lowest = sample.counts if self.lowest is None else min(self.lowest, sample.counts)
        if self.state.phase not in {Phase.STABILIZING, Phase.HOLDING}:
            self.change = None
            return None
        self.slope.add(to_s(sample.at), sample.counts)
        self.change = self.slope.estimate()
        return self.change

    def signal_faults(self) -> tuple[str, ...]:
        """Why the hold so far is void for the state of its signal."""
        validity, since = self.rules.requirement.validity, self.state.hold_since
        if validity is None or since is None:
            return ()
        trace = self.samples.trace()
        return signal_faults(trace, since, int(trace.at[-1]), validity.validity, self.largest_step)

    def became(self, state: StageState) -> None:
        """Take the next state; a new phase of pressure starts a new window."""
        if state.phase is not self.state.phase and state.phase is not Phase.HOLDING:
            self.slope.clear()
            self.lowest = None
        self.state = state

    def opened(self) -> "StageOpening":
        """What the journal keeps of the beginning."""
        requirement = self.rules.requirement
        return StageOpening(
            stage=requirement.stage,
            attempt=self.attempt,
            since=self.since,
            requirement=requirement,
            attendance=self.attendance,
        )

    def trace(self) -> Trace:
        """All samples so far."""
        return self.samples.trace(gaps=tuple(self.gaps))

    def record(self, until: int) -> StageRecord:
        """The attempt as a record, not yet judged."""
        state, trace = self.state, self.trace()
        assert state.ending is not None
        return StageRecord(
            stage=self.rules.requirement.stage,
            attempt=self.attempt,
            requirement=self.rules.requirement,
            since=self.since,
            until=until,
            ended=state.ending,
            reason=state.reason,
            hold_since=state.hold_since,
            hold_until=state.hold_until,
            restarts=state.restarts,
            observations=state.observations,
            collections=state.collections,
            exceeded=state.exceeded,
            gaps=trace.gaps,
            rejected_lines=self.rejected_lines,
            trace=TraceReference(samples=len(trace), sha256=trace.sha256()),
            finding=None,
            drawn=state.drawn,
            attendance=self.attendance,
            rig_leak=state.rig_leak,
        )


def judged(stage: StageRecord, trace: Trace, opening: RunRecord, on: date) -> StageRecord:
    """The same record with its finding."""
    basis = Basis.of(stage.requirement, opening)
    pairs = pairs_of(opening, stage.requirement.fluid)
    finding = evaluate_stage(stage, trace, opening.channel, opening.zero_check, on, basis, pairs)
    return stage.model_copy(update={"finding": finding})


def next_stage(record: RunRecord) -> tuple[StageRequirement, int] | None:
    """The demanded stage that comes next and the number of its attempt; None when all is decided."""
    if any(stage.ended is Ending.TRIPPED for stage in record.stages) or record.overpressured:
        return None  # an engineer looks first
    if record.channel.disproved_by is not None:
        return None  # no later attempt of this run can show anything
    for requirement in record.requirements.stages:
        tried = [stage for stage in record.stages if stage.stage == requirement.stage]
        newest = tried[-1].finding.verdict if tried and tried[-1].finding else None
        if newest is Verdict.REJECTED:
            return None
        if newest is not Verdict.ACCEPTED:
            return requirement, len(tried) + 1
    return None


def point_of(record: RunRecord, requirement: StageRequirement) -> WitnessPoint | None:
    """The witness point or hold point that the order names for a stage; None where there is none."""
    return next((point for point in record.witness_points if point.stage == requirement.stage), None)


def closed(record: RunRecord, ended: str, ending: Ending | None = None) -> RunRecord:
    """The record with its verdict, ready to be sealed.

    Args:
        record: with all its stages.
        ended: UTC.
        ending: how it ended, where that is known from outside; else it follows from the stages.
    """
    verdict, reason = judge_run(record)
    if ending is None or verdict is not None:  # a run that is decided was completed, however it was closed
        ending = Ending.COMPLETED if verdict is not None else _how_void(record)
    return record.model_copy(update={"ended": ended, "verdict": verdict, "reason": reason, "ending": ending})


def _how_void(record: RunRecord) -> Ending:
    """A void run ended as its last stage did; where that was completed, or none was begun, it was closed early."""
    last = record.stages[-1].ended if record.stages else Ending.STOPPED
    return Ending.STOPPED if last is Ending.COMPLETED else last


def iso(moment: datetime) -> str:
    """UTC with milliseconds, as records write it."""
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
