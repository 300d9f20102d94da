"""Trace + observations + stage → finding: hold, limits and answers are judged anew from the samples.

Of the machine that timed the stage one thing is taken on trust: that the pressure was steady when the hold began.

A completed stage is accepted only if all of these hold, each with its evidence:

* the channel's calibration was in date and covers required pressure and upper limit, the zero check passed, and a
  second gauge, where one was held beside it before the run or while it was open, agreed;
* the hold, read again from the samples, lasted long enough, every sample between acceptance limit and upper
  limit, no gap longer than allowed, no more flagged or missing than allowed;
* the upper limit was not exceeded outside the hold either;
* every criterion was judged, the visual ones by an explicit observation made after the hold;
* pressure was seen released afterwards, on every channel that is compared;
* the channels that are to be compared were, and agreed (``run/cross_check``).

Leakage seen, or a rate beyond its limit by more than the uncertainty, rejects. Everything else that is missing
makes the stage inconclusive. Nothing is accepted by default.
"""

from collections.abc import Sequence
from datetime import date
from fractions import Fraction

from testbench.metrology.decision_rule import Conformity
from testbench.quantities import Pressure
from testbench.run.cross_check import Pair, judge_cross_checks, pairs_of
from testbench.run.decay import Basis
from testbench.run.hold import fulfilled, held_in, hold_of, judge_hold, looked_until
from testbench.run.leakage import judge_leakage
from testbench.run.machine import Ending
from testbench.run.observations import ZeroCheck
from testbench.run.record import (
    ChannelRecord,
    CriterionFinding,
    Finding,
    RunRecord,
    StageRecord,
    Verdict,
)
from testbench.run.samples import TICKS_PER_S, Scale, Trace
from testbench.run.timing import timing_of


def evaluate_stage(  # noqa: PLR0917 - a record, its samples, and the facts of its run
    stage: StageRecord,
    trace: Trace,
    channel: ChannelRecord,
    zero_check: ZeroCheck,
    on: date,
    basis: Basis | None = None,
    pairs: Sequence[Pair] = (),
) -> Finding | None:
    """Judge one attempt at a stage from its record and its samples.

    Args:
        stage: the attempt; its ``finding`` is not looked at.
        trace: its samples and gaps.
        channel: the deciding channel with the zero correction in its scale.
        zero_check: the reading at atmosphere before the run.
        on: the day of the run.
        basis: what a decay of the pressure is judged on; without blank runs and facts of the body if it is left out.
        pairs: the channels that must agree.

    Returns:
        The finding, or None where the stage is void.
    """
    if stage.ended is not Ending.COMPLETED:
        return None
    channel, stage = channel.for_fluid(stage.requirement.fluid), _volumes_again(stage)
    hold = hold_of(stage, trace)
    until = looked_until(stage, trace, channel)
    basis = basis or Basis(stage.requirement, channel, on)
    decayed = basis.decayed(hold, trace, stage.drawn, stage.water)
    findings = (
        _judge_channel(stage, channel, zero_check, on),
        judge_hold(stage, hold, trace, channel),
        *(
            judge_leakage(index, criterion, stage, until, decayed)
            for index, criterion in enumerate(stage.requirement.criteria)
        ),
        _judge_release(stage, trace, channel, pairs),
        *judge_cross_checks(
            pairs,
            traces_by_tag(stage, trace, channel.tag),
            (int(hold.at[0]), int(hold.at[-1])) if len(hold) else None,
            stage.requirement.longest_gap_s,
            on,
        ),
    )
    none = Pressure.zero(channel.scale.unit)
    return Finding(
        verdict=verdict_of(findings),
        criteria=findings,
        lowest=channel.scale.pressure(int(hold.counts.min())) if len(hold) else none,
        highest=channel.scale.pressure(int(hold.counts.max())) if len(hold) else none,
        held_ms=held_in(hold) * 1000 // TICKS_PER_S if len(hold) else 0,
        decay=basis.monitor(decayed) if len(hold) else None,
        timing=timing_of(hold, trace),
    )


def _volumes_again(stage: StageRecord) -> StageRecord:
    """The stage with what a sensor told worked out again from its readings."""
    if stage.vessel is None:
        return stage
    changed = {name: tuple(map(stage.vessel.again, getattr(stage, name))) for name in ("collections", "exceeded")}
    return stage.model_copy(update=changed)


def verdict_of(findings: tuple[CriterionFinding, ...]) -> Verdict:
    """One non-conformity rejects; acceptance needs every criterion to conform, and at least one."""
    found = {finding.conformity for finding in findings}
    if Conformity.DOES_NOT_CONFORM in found:
        return Verdict.REJECTED
    return Verdict.ACCEPTED if found == {Conformity.CONFORMS} else Verdict.INCONCLUSIVE


def judge_run(record: RunRecord) -> tuple[Verdict | None, str]:
    """The verdict of a run from its stages: the last attempt at each demanded stage decides, a rejection stays.

    Returns:
        The verdict (None: void) and the reason in words.
    """
    if (decided := _decided_at_once(record)) is not None:
        return decided
    last = {stage.stage: stage for stage in record.stages}
    for demanded in record.requirements.stages:
        found = last.get(demanded.stage)
        if found is None:
            return None, f"The {demanded.stage} was not carried out.{_disproved(record)}"
        if found.finding is None or found.ended is not Ending.COMPLETED:
            return None, f"The {demanded.stage} is void ({found.ended}): {found.reason}"
    for found in last.values():
        if found.finding is not None and found.finding.verdict is not Verdict.ACCEPTED:
            return Verdict.INCONCLUSIVE, f"The {found.stage} is inconclusive.{_disproved(record)}"
    return Verdict.ACCEPTED, "Every demanded stage was accepted."


def _disproved(record: RunRecord) -> str:
    channel, check = record.channel, record.channel.disproved_by
    if check is None:
        return ""
    return f" A second gauge disagreed with {channel.tag} while the run was open: {check.sentence}."


def _decided_at_once(record: RunRecord) -> tuple[Verdict | None, str] | None:
    """What no later attempt can mend: overpressure, a trip, a rejection."""
    if record.overpressured:
        return None, record.overpressured
    for stage in record.stages:
        if stage.ended is Ending.TRIPPED:
            return None, f"The {stage.stage} tripped: {stage.reason}"
        if stage.finding is not None and stage.finding.verdict is Verdict.REJECTED:
            return Verdict.REJECTED, f"The {stage.stage} was rejected."
    return None


def _judge_channel(stage: StageRecord, channel: ChannelRecord, zero_check: ZeroCheck, on: date) -> CriterionFinding:
    faults = []
    if not channel.calibration.in_date(on):
        faults.append(f"its calibration holds from {channel.calibrated_on} to {channel.due_on}, not on {on}")
    needed = (stage.requirement.required, stage.requirement.upper_limit)
    if not all(channel.calibration.covers(pressure) for pressure in needed):
        faults.append(f"it is calibrated {channel.lowest} to {channel.highest} only")
    if not zero_check.passed or not _near_zero(zero_check, channel.at_atmosphere):
        faults.append("the zero check was not passed")
    if channel.second_gauge is not None and not channel.second_gauge.agrees:
        faults.append(f"it disagrees with a second gauge: {channel.second_gauge.sentence}")
    if (check := channel.disproved_by) is not None:
        faults.append(
            f"it disagreed with a second gauge while the run was open: {check.sentence} (checked by {check.by} at "
            f"{check.at[11:16]} UTC); find out which of the two is wrong, then test the valve again"
        )
    fine = f"Channel {channel.tag}: calibration {channel.certificate_number} in date, range covered, zero checked."
    sentence = f"Channel {channel.tag}: {'; '.join(faults)}." if faults else fine
    return CriterionFinding(criterion="instrument", conformity=fulfilled(faults), sentence=sentence)


def _near_zero(check: ZeroCheck, bare: Scale) -> bool:
    """Whether the reading at atmosphere lies within what was allowed; records from before did not keep that."""
    if check.allowed is None:
        return True
    return abs(bare.pressure(Fraction(check.mean_millicounts, 1000))) <= check.allowed


def traces_by_tag(stage: StageRecord, trace: Trace, deciding: str) -> dict[str, Trace]:
    """The samples of every pressure channel."""
    return {deciding: trace, **{one.tag: beside for one, beside in zip(stage.beside, trace.beside, strict=True)}}


def _judge_release(stage: StageRecord, trace: Trace, channel: ChannelRecord, pairs: Sequence[Pair]) -> CriterionFinding:
    traces = traces_by_tag(stage, trace, channel.tag)
    after = trace.between(stage.hold_until or 0, stage.until)
    others = {one.tag: one for pair in pairs for one in pair.channels if one.tag != channel.tag}
    released = len(after) > 0 and _is_released(after, stage, channel)
    released = released and all(
        _is_released(traces[tag].between(stage.hold_until or 0, stage.until), stage, one) for tag, one in others.items()
    )
    sentence = (
        f"Pressure was seen released below {stage.requirement.safe_below}."
        if released
        else f"Pressure was not seen below {stage.requirement.safe_below} afterwards."
    )
    return CriterionFinding(criterion="pressure released", conformity=fulfilled([not released]), sentence=sentence)


def _is_released(after: Trace, stage: StageRecord, channel: ChannelRecord) -> bool:
    """Whether the last of these readings is safe; a channel that gave none says nothing against it."""
    return not len(after) or int(after.counts[-1]) <= channel.scale.most_counts(stage.requirement.safe_below)


def rejudged(record: RunRecord, traces: Sequence[Trace]) -> RunRecord:
    """Decide a record again from itself and its samples; see ``same_decision``.

    A record from before the decay was watched, or the times were told, stays without.
    """
    on = date.fromisoformat(record.started[:10])
    findings = [stage.finding for stage in record.stages if stage.finding is not None]
    asked_later = ("decay", "timing")
    unasked = dict.fromkeys(name for name in asked_later if all(getattr(one, name) is None for one in findings))
    stages = []
    for stage, trace in zip(record.stages, traces, strict=True):
        basis = Basis.of(stage.requirement, record)
        pairs = pairs_of(record, stage.requirement.fluid)
        found = evaluate_stage(stage, trace, record.channel, record.zero_check, on, basis, pairs)
        found = None if found is None else found.model_copy(update=unasked)
        stages.append(stage.model_copy(update={"finding": found}))
    again = record.model_copy(update={"stages": tuple(stages)})
    verdict, reason = judge_run(again)
    return again.model_copy(update={"verdict": verdict, "reason": reason})


def same_decision(one: RunRecord, other: RunRecord) -> bool:
    """Whether two records decide alike, number for number, in whatever words: those get better with the years."""
    return _decided(one) == _decided(other)


def _decided(record: RunRecord) -> tuple[object, ...]:
    stages = [
        (stage.stage, stage.attempt, stage.ended, None if stage.finding is None else _found(stage.finding))
        for stage in record.stages
    ]
    return record.run, record.verdict, stages


def _found(finding: Finding) -> tuple[object, ...]:
    told = ("criterion", "measured", "limit", "uncertainty", "conformity")
    return finding.verdict, [tuple(getattr(one, name) for name in told) for one in finding.criteria]
