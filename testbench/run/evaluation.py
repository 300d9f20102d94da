"""Trace + observations + stage → finding: hold, limits and answers are judged anew from the samples.

Of the machine that timed the stage one thing is taken on trust: that the pressure was steady when the hold began.

A completed stage is accepted only if all of these hold, each with its evidence:

* the channel's calibration was in date and covers required pressure and upper limit, and the zero check passed;
* the hold, read again from the samples, lasted long enough, every sample between acceptance limit and upper
  limit, no gap longer than allowed;
* the upper limit was not exceeded outside the hold either;
* every criterion was judged, the visual ones by an explicit observation made after the hold;
* pressure was seen released afterwards.

Leakage seen, or a rate beyond its limit by more than the uncertainty, rejects. Everything else that is missing
makes the stage inconclusive. Nothing is accepted by default.
"""

from collections.abc import Sequence
from datetime import date
from typing import assert_never

import numpy as np

from testbench.metrology.decision_rule import Conformity, judge_upper_limit
from testbench.metrology.leakage import collected_rate
from testbench.procedure.criteria import (
    Criterion,
    CriterionName,
    LargestLeakageRate,
    NoVisibleLeakage,
    StemWeep,
    StemWeepRule,
    VisualCriterion,
)
from testbench.quantities import Pressure, Volume
from testbench.run.machine import Ending
from testbench.run.observations import Collection, Seen, ZeroCheck
from testbench.run.record import (
    ChannelRecord,
    CriterionFinding,
    Finding,
    RunRecord,
    StageRecord,
    Verdict,
)
from testbench.run.samples import TICKS_PER_S, Gap, GapReason, Thresholds, Trace, to_s


def evaluate_stage(
    stage: StageRecord, trace: Trace, channel: ChannelRecord, zero_check: ZeroCheck, on: date
) -> Finding | None:
    """Judge one attempt at a stage from its record and its samples.

    Args:
        stage: the attempt; its ``finding`` is not looked at.
        trace: its samples and gaps.
        channel: the deciding channel with the zero correction in its scale.
        zero_check: the reading at atmosphere before the run.
        on: the day of the run.

    Returns:
        The finding, or None where the stage is void.
    """
    if stage.ended is not Ending.COMPLETED:
        return None
    channel = channel.for_fluid(stage.requirement.fluid)
    hold = _hold_of(stage, trace)
    findings = (
        _judge_channel(stage, channel, zero_check, on),
        _judge_hold(stage, hold, trace, channel),
        *(
            _judge(index, criterion, stage, _looked_until(stage, trace, channel))
            for index, criterion in enumerate(stage.requirement.criteria)
        ),
        _judge_release(stage, trace, channel),
    )
    none = Pressure.zero(channel.scale.unit)
    return Finding(
        verdict=verdict_of(findings),
        criteria=findings,
        lowest=channel.scale.pressure(int(hold.counts.min())) if len(hold) else none,
        highest=channel.scale.pressure(int(hold.counts.max())) if len(hold) else none,
        held_ms=int(hold.at[-1] - hold.at[0]) * 1000 // TICKS_PER_S if len(hold) else 0,
    )


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
            return None, f"The {demanded.stage} was not carried out."
        if found.finding is None or found.ended is not Ending.COMPLETED:
            return None, f"The {demanded.stage} is void ({found.ended}): {found.reason}"
    for found in last.values():
        if found.finding is not None and found.finding.verdict is not Verdict.ACCEPTED:
            return Verdict.INCONCLUSIVE, f"The {found.stage} is inconclusive."
    return Verdict.ACCEPTED, "Every demanded stage was accepted."


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


def _hold_of(stage: StageRecord, trace: Trace) -> Trace:
    if stage.hold_since is None or stage.hold_until is None:
        return trace.between(0, -1)
    return trace.between(stage.hold_since, stage.hold_until)


def _judge_channel(stage: StageRecord, channel: ChannelRecord, zero_check: ZeroCheck, on: date) -> CriterionFinding:
    faults = []
    if not channel.calibration.in_date(on):
        faults.append(f"its calibration holds from {channel.calibrated_on} to {channel.due_on}, not on {on}")
    needed = (stage.requirement.required, stage.requirement.upper_limit)
    if not all(channel.calibration.covers(pressure) for pressure in needed):
        faults.append(f"it is calibrated {channel.lowest} to {channel.highest} only")
    if not zero_check.passed:
        faults.append("the zero check was not passed")
    fine = f"Channel {channel.tag}: calibration {channel.certificate_number} in date, range covered, zero checked."
    sentence = f"Channel {channel.tag}: {'; '.join(faults)}." if faults else fine
    return CriterionFinding(criterion="instrument", conformity=_holds(not faults), sentence=sentence)


def _judge_hold(stage: StageRecord, hold: Trace, whole: Trace, channel: ChannelRecord) -> CriterionFinding:
    required = stage.requirement
    if len(hold) < 2:
        none = "There is no hold in the samples."
        return CriterionFinding(criterion="hold", conformity=Conformity.WITHIN_GUARD_BAND, sentence=none)
    held = int(hold.at[-1] - hold.at[0])
    faults = _faults_of(stage, hold, whole, Thresholds.of(required, channel.expanded_uncertainty, channel.scale))
    lowest = channel.scale.pressure(int(hold.counts.min()))
    sentence = (
        f"The hold {' and '.join(faults)}."
        if faults
        else f"Held {to_s(held):.1f} s, never below {required.required} plus U = {channel.expanded_uncertainty}."
    )
    return CriterionFinding(
        criterion="hold",
        required=str(required.required),
        measured=str(lowest),
        limit=str(required.upper_limit),
        uncertainty=str(channel.expanded_uncertainty),
        conformity=_holds(not faults),
        sentence=sentence,
    )


def _faults_of(stage: StageRecord, hold: Trace, whole: Trace, limits: Thresholds) -> list[str]:
    """What the laws of the hold find in its samples, each as a predicate of "The hold …"."""
    required, faults = stage.requirement, []
    held, steps = int(hold.at[-1] - hold.at[0]), np.diff(hold.at)
    if held < required.hold_s * TICKS_PER_S:
        faults.append(f"lasted {to_s(held):.4f} s of {required.hold_s} s")
    if int(hold.counts.min()) < limits.acceptance:
        faults.append("fell below the acceptance limit")
    if int(hold.counts.max()) > limits.upper:
        faults.append("rose above the upper limit")
    elif int(whole.counts.max()) > limits.upper:
        faults.append("stands beside a pressure above the upper limit")
    longest = max(int(steps.max()), *(_inside(gap, hold) for gap in (*hold.gaps, *stage.gaps)), 0)
    if longest > required.longest_gap_s * TICKS_PER_S:
        faults.append(f"had a gap of {to_s(longest):.1f} s")
    if any(gap.reason in _FAULTS and _inside(gap, hold) > 0 for gap in (*hold.gaps, *stage.gaps)):
        faults.append("has a faulty reading in it")
    if int(steps.min()) < 0:
        faults.append("has samples out of order")
    return faults


_FAULTS = {GapReason.OUT_OF_RANGE, GapReason.FROZEN}
"""A reading that was a fault, not a silence: no hold has one in it, however short."""


def _looked_until(stage: StageRecord, trace: Trace, channel: ChannelRecord) -> int:
    """Until when the valve stood at pressure after its hold: an observation counts only as long as it did [ticks]."""
    if stage.hold_until is None:
        return -1
    limits = Thresholds.of(stage.requirement, channel.expanded_uncertainty, channel.scale)
    after = trace.between(stage.hold_until, stage.until)
    longest = stage.requirement.longest_gap_s * TICKS_PER_S
    fell = np.flatnonzero(after.counts < limits.acceptance)
    silent = np.flatnonzero(np.diff(after.at) > longest)
    ends = [int(after.at[fell[0]])] if fell.size else []
    ends += [int(after.at[silent[0]]) + longest] if silent.size else []
    last = int(after.at[-1]) + longest if len(after) else stage.hold_until + longest
    return min([*ends, last])


def _inside(gap: Gap, hold: Trace) -> int:
    """How much of a gap lies within the hold [ticks]; a silence that begins as the hold ends does not count."""
    return min(gap.until, int(hold.at[-1])) - max(gap.since, int(hold.at[0]))


def _judge_release(stage: StageRecord, trace: Trace, channel: ChannelRecord) -> CriterionFinding:
    safe = channel.scale.most_counts(stage.requirement.safe_below)
    after = trace.between(stage.hold_until or 0, stage.until)
    released = len(after) > 0 and int(after.counts[-1]) <= safe
    sentence = (
        f"Pressure was seen released below {stage.requirement.safe_below}."
        if released
        else f"Pressure was not seen below {stage.requirement.safe_below} afterwards."
    )
    return CriterionFinding(criterion="pressure released", conformity=_holds(released), sentence=sentence)


def _holds(fulfilled: bool) -> Conformity:  # noqa: FBT001 - the one place where a yes becomes a conformity
    """A condition of the test, not a property of the valve: unfulfilled it leaves the stage undecided."""
    return Conformity.CONFORMS if fulfilled else Conformity.WITHIN_GUARD_BAND


def _judge(index: int, criterion: Criterion, stage: StageRecord, until: int) -> CriterionFinding:
    match criterion:
        case NoVisibleLeakage():
            return _judge_visual(criterion, stage, index, until)
        case StemWeep():
            return _judge_weep(criterion, stage, index, until)
        case LargestLeakageRate():
            return _judge_collected(criterion, stage)
        case other:
            assert_never(other)


def _judge_visual(criterion: NoVisibleLeakage, stage: StageRecord, index: int, until: int) -> CriterionFinding:
    leaks, looked = _seen(stage, index, until)
    if leaks:
        sentence = f"Leakage was seen at {' and '.join(leaks)}; none is allowed."
        return _visual(criterion, f"leakage at {' and '.join(leaks)}", Conformity.DOES_NOT_CONFORM, sentence)
    if looked:
        sentence = f"No leakage was seen ({', '.join(criterion.look_at)})."
        return _visual(criterion, "none seen", Conformity.CONFORMS, sentence)
    return _not_observed(criterion)


def _judge_weep(criterion: StemWeep, stage: StageRecord, index: int, until: int) -> CriterionFinding:
    """A weep at the stem is judged by the standard's own rule; it is never shell leakage."""
    weeps, looked = _seen(stage, index, until)
    if not weeps:
        return (
            _visual(criterion, "none seen", Conformity.CONFORMS, "No weep was seen at the stem.")
            if looked
            else _not_observed(criterion)
        )
    conformity, words = {
        StemWeepRule.ALLOWED: (Conformity.CONFORMS, "the standard allows it"),
        StemWeepRule.NOT_ALLOWED: (Conformity.DOES_NOT_CONFORM, "none is allowed"),
        StemWeepRule.ALLOWED_IF_TIGHT_AT_RATING: (
            Conformity.WITHIN_GUARD_BAND,
            "it is allowed only if the seal is tight at the rating; adjust it and repeat the stage, or show that it is",
        ),
    }[criterion.rule]
    places = " and ".join(weeps)
    return _visual(criterion, f"weep at {places}", conformity, f"A weep was seen at {places}: {words}.")


def _seen(stage: StageRecord, index: int, until: int) -> tuple[list[str], bool]:
    """Where leakage was seen, and whether anybody looked after the hold while the valve still stood at pressure."""
    answers = [answer for answer in stage.observations if answer.criterion == index]
    looked = stage.hold_until is not None and any(stage.hold_until <= answer.at <= until for answer in answers)
    return [answer.where for answer in answers if answer.seen is Seen.LEAKAGE], looked


def _not_observed(criterion: VisualCriterion) -> CriterionFinding:
    sentence = "The operator gave no observation after the hold at pressure."
    return _visual(criterion, "not observed", Conformity.WITHIN_GUARD_BAND, sentence)


def _visual(criterion: VisualCriterion, measured: str, conformity: Conformity, sentence: str) -> CriterionFinding:
    name, limit = CriterionName.NO_VISIBLE_LEAKAGE, "none"
    if isinstance(criterion, StemWeep):
        name, limit = criterion.criterion, str(criterion.rule)
    return CriterionFinding(
        criterion=name,
        required=f"no visible leakage: {', '.join(criterion.look_at)}",
        measured=measured,
        limit=limit,
        conformity=conformity,
        sentence=sentence,
    )


def _judge_collected(criterion: LargestLeakageRate, stage: StageRecord) -> CriterionFinding:
    name, limit = criterion.criterion, criterion.limit
    counted = [found for found in stage.collections if _counts(found, criterion, stage)]
    if not counted:
        return CriterionFinding(
            criterion=name,
            required="collected leakage",
            measured="nothing",
            limit=str(limit),
            conformity=Conformity.WITHIN_GUARD_BAND,
            sentence="Nothing was collected within the hold for long enough.",
        )
    newest = counted[-1]
    assert newest.volume is not None
    assert newest.volume_uncertainty is not None
    seconds = to_s(newest.until - newest.since)
    found = collected_rate(newest.volume, newest.volume_uncertainty, seconds, criterion.time_uncertainty_s, limit.unit)
    conformity = judge_upper_limit(found.rate, found.expanded_uncertainty, limit)
    words = {
        Conformity.CONFORMS: "within the limit",
        Conformity.DOES_NOT_CONFORM: "above the limit",
        Conformity.WITHIN_GUARD_BAND: "too near the limit to tell; collect for longer",
    }[conformity]
    caught, shown = str(newest.volume), found.rate.text_beside(limit)
    allowed, guard = str(limit), found.expanded_uncertainty.text(2)
    if (counts := criterion.counted) is not None:
        caught = f"{newest.drops} {counts.what}" if newest.drops is not None else caught
        shown, allowed, guard = (
            criterion.in_words(rate, 2) for rate in (found.rate, limit, found.expanded_uncertainty)
        )
    sentence = f"{caught} in {seconds:.1f} s is {shown} with U = {guard}; {allowed} is allowed: {words}."
    return CriterionFinding(
        criterion=name,
        required="collected leakage",
        measured=str(found.rate),
        limit=str(limit),
        uncertainty=str(found.expanded_uncertainty),
        conformity=conformity,
        sentence=sentence,
    )


def _counts(found: Collection, criterion: LargestLeakageRate, stage: StageRecord) -> bool:
    """Whether a collection may decide: read, long enough, within the hold and after the drain-down."""
    nothing = Volume.zero("mL")
    if found.volume is None or found.volume < nothing:
        return False
    if found.volume_uncertainty is None or found.volume_uncertainty <= nothing:
        return False
    if stage.hold_since is None or stage.hold_until is None:
        return False
    return (
        stage.hold_since + criterion.settle_s * TICKS_PER_S <= found.since
        and found.until <= stage.hold_until
        and found.until - found.since >= criterion.collect_s * TICKS_PER_S
    )


def rejudged(record: RunRecord, traces: Sequence[Trace]) -> RunRecord:
    """Decide a record again from itself and its samples; equal to ``record`` where the decision is the same."""
    on = date.fromisoformat(record.started[:10])
    stages = tuple(
        stage.model_copy(update={"finding": evaluate_stage(stage, trace, record.channel, record.zero_check, on)})
        for stage, trace in zip(record.stages, traces, strict=True)
    )
    again = record.model_copy(update={"stages": stages})
    verdict, reason = judge_run(again)
    return again.model_copy(update={"verdict": verdict, "reason": reason})
