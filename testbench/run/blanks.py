"""Blank runs: a hold on a body known to be tight shows what the bench's own drift does to a pressure."""

from collections.abc import Sequence
from datetime import date

from testbench.errors import BlankRefusedError
from testbench.metrology.decision_rule import Conformity
from testbench.procedure.criteria import LargestLeakageRate
from testbench.procedure.requirements import Requirements
from testbench.quantities import Pressure
from testbench.run.decay import fitting
from testbench.run.record import BlankRun, Origin, RunRecord, StageRecord, Verdict

LONGEST_WORDS = 200


def usable(
    blanks: Sequence[BlankRun], requirements: Requirements, bench: str, origin: Origin, on: date
) -> tuple[BlankRun, ...]:
    """The blank runs of this bench, of the same origin, that some stage may take its drift from."""
    own = [blank for blank in blanks if blank.bench == bench and blank.origin is origin]
    asked = [
        (stage, criterion.decay)
        for stage in requirements.stages
        for criterion in stage.criteria
        if isinstance(criterion, LargestLeakageRate) and criterion.decay is not None
    ]
    return tuple(blank for blank in own if any(fitting([blank], stage, rule, on) for stage, rule in asked))


def blank_of(record: RunRecord, number: int | None, declared_by: str, why: str) -> BlankRun:
    """Declare a hold of a closed run a blank run.

    A bend in its pressure does not matter: how the bench settles after raising is part of what it is for.

    Args:
        record: the run.
        number: which of its stage attempts, from 1; None: its last completed one.
        declared_by: who says that the body was tight.
        why: what it was, and how that is known.

    Raises:
        BlankRefusedError: there is no such attempt, or its hold shows nothing.
    """
    for told, what in ((declared_by, "who says that the body was tight"), (why, "how that is known")):
        if not 1 <= len(told.strip()) <= LONGEST_WORDS:
            raise BlankRefusedError(record.run, f"{what} takes 1 to {LONGEST_WORDS} characters")
    stage = _chosen(record, number)
    finding = stage.finding
    if finding is None or finding.decay is None or not finding.decay.slope_per_min:
        raise BlankRefusedError(record.run, f"the {stage.stage} has no hold with the pump isolated")
    if finding.verdict is Verdict.REJECTED:
        raise BlankRefusedError(record.run, f"the {stage.stage} was rejected")
    if record.verdict is Verdict.REJECTED:
        raise BlankRefusedError(record.run, "it was rejected, and its body is not known to be tight")
    if any(one.criterion == "hold" and one.conformity is not Conformity.CONFORMS for one in finding.criteria):
        raise BlankRefusedError(record.run, f"the hold of the {stage.stage} does not count")
    return BlankRun(
        run=record.run,
        stage=stage.stage,
        attempt=stage.attempt,
        bench=record.bench,
        origin=record.origin,
        at=record.started,
        fluid=stage.requirement.fluid,
        pressure=stage.requirement.required,
        slope_per_min=Pressure.parse(finding.decay.slope_per_min),
        half_width_per_min=Pressure.parse(finding.decay.half_width_per_min),
        declared_by=declared_by,
        why=why,
    )


def _chosen(record: RunRecord, number: int | None) -> StageRecord:
    if number is None:
        completed = [stage for stage in record.stages if stage.finding is not None]
        if not completed:
            raise BlankRefusedError(record.run, "no stage of it was completed")
        return completed[-1]
    if not 1 <= number <= len(record.stages):
        raise BlankRefusedError(record.run, f"it has {len(record.stages)} stage attempts, not a number {number}")
    return record.stages[number - 1]
