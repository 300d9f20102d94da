"""The laws of a hold, read from its samples: pressure, time, gaps, and the state of the signal itself."""

from collections.abc import Iterable

import numpy as np

from testbench.metrology.decision_rule import Conformity
from testbench.metrology.signal import Validity, completeness, hampel_flags, noise_of, resolution_of
from testbench.metrology.uncertainty import expanded_text
from testbench.procedure.requirements import StageRequirement
from testbench.quantities import Pressure
from testbench.run.record import ChannelRecord, CriterionFinding, StageRecord
from testbench.run.samples import TICKS_PER_S, Gap, GapReason, Thresholds, Trace, to_s

FAULTS = {GapReason.OUT_OF_RANGE, GapReason.FROZEN, GapReason.JUMPED, GapReason.SUSPENDED}
"""A reading that was a fault, not a silence: no hold has one in it, however short."""


def hold_of(stage: StageRecord, trace: Trace) -> Trace:
    """The samples of the hold; none where there was no hold, or it did not come to its end."""
    if stage.hold_since is None or stage.hold_until is None:
        return trace.between(0, -1)
    return trace.between(stage.hold_since, stage.hold_until)


def held_in(hold: Trace) -> int:
    """How long the samples of a hold show that it lasted, at least; one sample or more [ticks].

    A sample that was asked for was measured between its query and its answer. The first counts from its answer, the
    last up to its query, so that no time is counted which lies before the one or after the other.
    """
    last = int(hold.at[-1])
    until = last if hold.asked is None else min(last, int(hold.asked[-1]))
    return max(0, until - int(hold.at[0]))


def fulfilled(fault: Iterable[object]) -> Conformity:
    """A condition of the test, not a property of the valve: with a fault it leaves the stage undecided."""
    return Conformity.WITHIN_GUARD_BAND if any(fault) else Conformity.CONFORMS


def judge_hold(stage: StageRecord, hold: Trace, whole: Trace, channel: ChannelRecord) -> CriterionFinding:
    """Judge a hold anew from its samples; the machine that timed it is not believed."""
    required = stage.requirement
    if len(hold) < 2:
        none = "There is no hold in the samples."
        return CriterionFinding(criterion="hold", conformity=Conformity.WITHIN_GUARD_BAND, sentence=none)
    held = held_in(hold)
    guard, u = channel.guard_band(required), channel.uncertainty_in(required)
    faults = _faults_of(stage, hold, whole, Thresholds.of(required, guard, channel.scale))
    if not faults and required.validity is not None:
        since, until, step = int(hold.at[0]), int(hold.at[-1]), largest_step(channel, required)
        found = signal_faults(whole, since, until, required.validity.validity, step)
        faults = [f"is void: {reason}" for reason in found]
    lowest = channel.scale.pressure(int(hold.counts.min()))
    told = u if guard == u and not channel.uncertainty_points else f"{expanded_text(guard.to(guard.unit))} {guard.unit}"
    plus = f" plus U = {told}" if guard == u else f" plus the guard band of {told}" if guard.exact else ""
    sentence = (
        f"The hold {' and '.join(faults)}."
        if faults
        else f"Held {to_s(held):.1f} s, never below {required.required}{plus}."
    )
    return CriterionFinding(
        criterion="hold",
        required=str(required.required),
        measured=str(lowest),
        limit=str(required.upper_limit),
        uncertainty=str(u),
        conformity=fulfilled(faults),
        sentence=sentence,
    )


def largest_step(channel: ChannelRecord, required: StageRequirement) -> float:
    """The largest step that the reading may be thought to have [counts]: 2 U.

    A step brings 0.58 of itself into U, so that a larger one cannot be: two levels so far apart are no steps, but
    outliers beside a reading that stands still.
    """
    return 2 * float(
        channel.uncertainty_in(required).exact / Pressure.factor(channel.scale.unit) / channel.scale.per_count
    )


def signal_faults(stage: Trace, since: int, until: int, validity: Validity, step: float) -> tuple[str, ...]:
    """Why nothing may be concluded from a hold for the state of its signal, each as a sentence without its stop.

    Samples that stand far from the median of the newest few are flagged, never deleted; the raw trace stays as it is.

    Args:
        stage: all samples of the stage; what one step of the reading is shows on the way up.
        since: when the hold began [ticks].
        until: when it ended [ticks]; what came after is not looked at.
        validity: what is allowed.
        step: the largest step that the reading may have [counts].
    """
    hold = stage.between(since, until)
    if len(hold) < 3:
        return ()
    at_s = (hold.at - hold.at[0]) / TICKS_PER_S
    counts = hold.counts.astype(np.float64)
    resolution = min(step, resolution_of(stage.counts[stage.at <= until].astype(np.float64), 1.0))
    flags = hampel_flags(counts, resolution=resolution, noise=noise_of(counts))
    return completeness(at_s, flags, validity=validity).reasons


def _faults_of(stage: StageRecord, hold: Trace, whole: Trace, limits: Thresholds) -> list[str]:
    """What the laws of the hold find in its samples, each as a predicate of "The hold …"."""
    required, faults = stage.requirement, []
    held = held_in(hold)
    if held < required.hold_s * TICKS_PER_S:
        faults.append(f"lasted {to_s(held):.4f} s of {required.hold_s} s")
    if int(hold.counts.min()) < limits.acceptance:
        faults.append("fell below the acceptance limit")
    if int(hold.counts.max()) > limits.upper:
        faults.append("rose above the upper limit")
    elif int(whole.counts.max()) > limits.upper:
        faults.append("stands beside a pressure above the upper limit")
    return [*faults, *_interruptions(required, hold, (*hold.gaps, *stage.gaps))]


def _interruptions(required: StageRequirement, hold: Trace, gaps: tuple[Gap, ...]) -> list[str]:
    steps, faults = np.diff(hold.at), []
    longest = max(int(steps.max()), *(_inside(gap, hold) for gap in gaps), 0)
    if longest > required.longest_gap_s * TICKS_PER_S:
        faults.append(f"had a gap of {to_s(longest):.1f} s")
    if any(gap.reason in FAULTS and _inside(gap, hold) > 0 for gap in gaps):
        faults.append("has a faulty reading in it")
    if int(steps.min()) < 0:
        faults.append("has samples out of order")
    if hold.asked is not None and bool((hold.asked > hold.at).any()):
        faults.append("has an answer from before its query")
    return faults


def _inside(gap: Gap, hold: Trace) -> int:
    """How much of a gap lies within the hold [ticks]; a silence that begins as the hold ends does not count."""
    return min(gap.until, int(hold.at[-1])) - max(gap.since, int(hold.at[0]))


def looked_until(stage: StageRecord, trace: Trace, channel: ChannelRecord) -> int:
    """Until when the valve stood at pressure after its hold: an observation counts only as long as it did [ticks]."""
    if stage.hold_until is None:
        return -1
    limits = Thresholds.of(stage.requirement, channel.guard_band(stage.requirement), channel.scale)
    after = trace.between(stage.hold_until, stage.until)
    longest = stage.requirement.longest_gap_s * TICKS_PER_S
    fell = np.flatnonzero(after.counts < limits.acceptance)
    silent = np.flatnonzero(np.diff(after.at) > longest)
    ends = [int(after.at[fell[0]])] if fell.size else []
    ends += [int(after.at[silent[0]]) + longest] if silent.size else []
    last = int(after.at[-1]) + longest if len(after) else stage.hold_until + longest
    return min([*ends, last])
