"""What was seen and what was caught, judged against its criterion."""

import math
from dataclasses import dataclass
from typing import assert_never

from testbench.metrology.decay import DecayDecision
from testbench.metrology.decision_rule import Conformity, Decision, DecisionRule, decide_upper_limit, places_beside
from testbench.metrology.leakage import CollectedSeries, VesselReading, collected_series
from testbench.metrology.uncertainty import at_place, expanded_text
from testbench.procedure.criteria import (
    Criterion,
    CriterionName,
    LargestLeakageRate,
    NoVisibleLeakage,
    StemWeep,
    StemWeepRule,
    VisualCriterion,
)
from testbench.quantities import LeakageRate, Volume
from testbench.run.decay import Decayed, expanded, rate_text
from testbench.run.observations import Collection, Seen
from testbench.run.record import CriterionFinding, StageRecord
from testbench.run.samples import TICKS_PER_S, to_s

LONGEST_WORTH_ASKING_S = 3600
BY_DECAY = "leakage by pressure decay"
"""How a finding says that nothing was collected for it."""


def judge_leakage(
    index: int, criterion: Criterion, stage: StageRecord, until: int, decayed: Decayed | None = None
) -> CriterionFinding:
    """Judge one criterion of a stage.

    Args:
        index: which criterion of the stage.
        criterion: what it asks.
        stage: with what was seen and caught.
        until: until when an observation counts [ticks].
        decayed: what the pressure of the hold did by itself.
    """
    match criterion:
        case NoVisibleLeakage():
            return _judge_visual(criterion, stage, index, until)
        case StemWeep():
            return _judge_weep(criterion, stage, index, until)
        case LargestLeakageRate():
            return _judge_rate(criterion, stage, decayed)
        case other:
            assert_never(other)


# Seen -------------------------------------------------------------------------------------------


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


# Caught -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Caught:
    """What one collection amounts to beside its limit."""

    collection: Collection
    series: CollectedSeries
    decision: Decision[LeakageRate]

    @property
    def conformity(self) -> Conformity:
        """A rate that was not steady decides nothing: what drained down may be in it."""
        return self.decision.conformity if self.series.steady else Conformity.WITHIN_GUARD_BAND

    @property
    def collect_for_s(self) -> int | None:
        """How long must be collected, as things stand, for the uncertainty to leave no doubt [s]; None for ever.

        Volume and time are as well known after a long collection as after a short one, so that the uncertainty of the
        rate falls as one over the time; the rate is taken as it was found.
        """
        distance = abs(float((self.decision.limit - self.decision.measured).exact))
        if distance == 0:
            return None
        seconds = to_s(self.collection.until - self.collection.since)
        return math.ceil(seconds * float(self.decision.guard_band.exact) / distance)

    @property
    def advice(self) -> str:
        """What to do about a leakage that is undecided."""
        if not self.series.steady:
            return f"{self.series.reason}; collect again"
        if self.collect_for_s is None or self.collect_for_s > LONGEST_WORTH_ASKING_S:
            return "too near the limit to tell; an hour of collecting would not tell either"
        return f"too near the limit to tell; collect for at least {self.collect_for_s} s"


def weigh(collection: Collection, criterion: LargestLeakageRate, rule: DecisionRule) -> Caught | None:
    """What a collection amounts to; None where a volume is still to be read, or makes no sense."""
    nothing, limit = Volume.zero("mL"), criterion.limit
    final, u = collection.volume, collection.volume_uncertainty
    if final is None or final < nothing or u is None or u <= nothing:
        return None
    if any(reading.volume is None for reading in collection.readings):
        return None
    readings = [VesselReading(0.0, nothing)]
    readings += [
        VesselReading(to_s(reading.at - collection.since), reading.volume)
        for reading in collection.readings
        if reading.volume is not None and collection.since < reading.at < collection.until
    ]  # a reading in the same moment as another has no rate to it
    readings.append(VesselReading(to_s(collection.until - collection.since), final))
    series = collected_series(readings, u, criterion.time_uncertainty_s, unit=limit.unit)
    decision = decide_upper_limit(series.found.rate, series.found.expanded_uncertainty, limit, rule)
    return Caught(collection, series, decision)


def _judge_rate(criterion: LargestLeakageRate, stage: StageRecord, decayed: Decayed | None) -> CriterionFinding:
    """What was caught decides; where nothing was, the decay, if the procedure allows it and the gate said it can.

    The newest collection counts, unless an earlier one has shown that the limit is not met: that stays.
    """
    found = deciding_collection(criterion, stage)
    if found is None and decayed is not None and decayed.decision is not None:
        return _judge_decay(criterion, decayed, decayed.decision)
    if found is None:
        return CriterionFinding(
            criterion=criterion.criterion,
            required="collected leakage",
            measured="nothing",
            limit=str(criterion.limit),
            conformity=Conformity.WITHIN_GUARD_BAND,
            sentence="Nothing was collected within the hold for long enough.",
        )
    rate, u = found.series.found.rate, found.series.found.expanded_uncertainty
    return CriterionFinding(
        criterion=criterion.criterion,
        required="collected leakage",
        measured=str(rate),
        limit=str(criterion.limit),
        uncertainty=str(u),
        conformity=found.conformity,
        sentence=f"{caught_in_words(found, criterion)}.",
    )


def _judge_decay(criterion: LargestLeakageRate, decayed: Decayed, decision: DecayDecision) -> CriterionFinding:
    assert decayed.rate is not None
    return CriterionFinding(
        criterion=criterion.criterion,
        required=BY_DECAY,
        measured=rate_text(decayed.rate.rate),
        limit=str(criterion.limit),
        uncertainty=rate_text(expanded(decayed.rate)),
        conformity=decision.conformity,
        sentence=f"By pressure decay: {decision.reason}",
    )


def deciding_collection(criterion: LargestLeakageRate, stage: StageRecord) -> Caught | None:
    """The collection that the verdict rests on; None where none counts."""
    weighed = [
        weigh(collection, criterion, stage.requirement.decision_rule)
        for collection in stage.collections
        if _counts(collection, criterion, stage)
    ]
    counted = [found for found in weighed if found is not None]
    beyond = [found for found in counted if found.conformity is Conformity.DOES_NOT_CONFORM]
    deciding = beyond or counted
    return deciding[-1] if deciding else None


def caught_in_words(found: Caught, criterion: LargestLeakageRate) -> str:
    """Volume, time, rate, uncertainty, limit and what follows."""
    collection, rate, limit = found.collection, found.series.found.rate, criterion.limit
    words = {
        Conformity.CONFORMS: "within the limit",
        Conformity.DOES_NOT_CONFORM: "above the limit",
        Conformity.WITHIN_GUARD_BAND: found.advice,
    }[found.conformity]
    caught, allowed, unit = str(collection.volume), str(limit), criterion.unit
    if (counts := criterion.counted) is not None:
        caught = f"{collection.drops} {counts.what}" if collection.drops is not None else caught
        allowed = criterion.in_words(limit, 2)
    amounts = (rate, found.series.found.expanded_uncertainty, found.decision.guard_band, limit)
    y, u, w, most = (criterion.number(amount) for amount in amounts)
    places, seconds = places_beside(y, u, w, most), to_s(collection.until - collection.since)
    return (
        f"{caught} in {seconds:.1f} s is {at_place(y, places)} {unit} with U = {expanded_text(u, places)} {unit}; "
        f"{allowed} is allowed: {words}"
    )


def _counts(found: Collection, criterion: LargestLeakageRate, stage: StageRecord) -> bool:
    """Whether a collection may decide: long enough, within the hold and after the drain-down."""
    if stage.hold_since is None or stage.hold_until is None:
        return False
    return (
        stage.hold_since + criterion.settle_s * TICKS_PER_S <= found.since
        and found.until <= stage.hold_until
        and found.until - found.since >= criterion.collect_s * TICKS_PER_S
    )
